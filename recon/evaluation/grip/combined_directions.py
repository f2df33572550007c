"""Envelope of the horizontal force between two directions: braking or driving while cornering."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.evaluation.common.answer_labels import Labelled, limits_of, plain
from recon.evaluation.common.estimate import Estimate, combined
from recon.evaluation.grip.envelope import ENOUGH, Law
from recon.evaluation.grip.envelope_errors import EnvelopeErrors
from recon.evaluation.grip.runs_of_set_up import Drives
from recon.evaluation.grip.tyre_envelopes import (
    DIRECTIONS,
    IN_WORDS,
    Fit,
    Gate,
    Loaded,
    Samples,
    fit_of,
    fit_tyre,
    joined,
    loaded_in,
)

HALF = np.sqrt(0.5)  # cosine of the 45 degrees between two directions
# Where the force lies off the ellipse by a share, it does so by a quarter less at the ends of the
# 30 degrees that count; where in them the driver went is not known: uniform between none and that.
U_SHAPE = 0.25 / np.sqrt(3.0)
# Names of pairs, with the places of both directions.
PAIRS = {
    f"{along}-{side}": (DIRECTIONS.index(along), DIRECTIONS.index(side))
    for along in ("brake", "drive")
    for side in ("left", "right")
}


@dataclass(frozen=True, slots=True)
class Between:
    """The fit between both directions of a pair; `ends` are the envelopes of these directions."""

    fit: Fit
    ends: tuple[int, int]  # places among all fits


def fit_all(drives: Drives, gate: Gate) -> tuple[list[Fit], list[Between]]:
    """Fit every tyre in every direction, see `fit_tyres`, and between two directions."""
    fits: list[Fit] = []
    pairs: list[Between] = []
    for k in range(len(corner_names(drives.forces[0]))):
        loaded = loaded_in(drives, k, gate)
        fits += fit_tyre(loaded, drives, gate)
        pairs += _fit_between(loaded, drives, gate, fits)
    return fits, pairs


def _fit_between(
    loaded: list[Loaded], drives: Drives, gate: Gate, fits: list[Fit]
) -> Iterator[Between]:
    """Fit envelopes of one tyre between two directions, in the order of `PAIRS`.

    Samples more than 30 degrees away from both directions count, each carried to 45 degrees along
    the ellipse through the envelopes of both directions, so that only its distance from that
    ellipse is left.  Where one of these envelopes is not known, the fit has no samples.
    """
    k = loaded[0].place
    for name, places in PAIRS.items():
        ends = tuple(k * len(DIRECTIONS) + place for place in places)
        laws = [fits[end].envelope for end in ends]
        fit = Fit(k, name, 0, 0.0)
        if all(laws):
            parts = [_samples(one, name, [e.law for e in laws if e]) for one in loaded]
            fit = fit_of(loaded[0], name, joined(parts, drives), gate)
        yield Between(fit, (ends[0], ends[1]))


def _samples(loaded: Loaded, name: str, laws: list[Law]) -> Samples:
    """Samples of a drive between the directions of a pair."""
    between = loaded.between
    for j, part in enumerate(name.split("-")):
        own = loaded.force[:, j]
        between = between & (own > 0 if part in ("drive", "left") else own < 0)

    def carried(force: Floats) -> Floats:
        """Forces (sample, 3) [N] at 45 degrees on their ellipse, (sample,) [N]."""
        along, across = (law.at(np.maximum(force[:, 2], 1.0)) for law in laws)
        use = np.hypot(force[:, 0] / along, force[:, 1] / across)
        return use * _ellipse(along, across)

    return loaded.samples(between, carried)


def _ellipse(ahead: Floats, aside: Floats) -> Floats:
    """Radius (load,) [N] at 45 degrees of the ellipse with these semi-axes (load,) [N]."""
    return np.asarray(1.0 / np.hypot(HALF / ahead, HALF / aside))


def there(pair: Between, fits: list[Fit], loads: Floats) -> NDArray[np.bool_]:
    """Whether both directions and what is between them were worked at `loads` (load,) [N]."""
    every = [pair.fit.envelope, *(fits[end].envelope for end in pair.ends)]
    none = np.zeros(len(loads), dtype=bool)
    return np.all([none if one is None else one.worked_at(loads) for one in every], axis=0)


def _share_of_ellipse(every: list[Estimate]) -> Estimate:
    """Force at 45 degrees over that of the ellipse (load,) [1], from both and both directions."""

    def share(between: Floats, along: Floats, across: Floats) -> Floats:
        return np.asarray(np.exp(between) / _ellipse(np.exp(along), np.exp(across)))

    return combined(share, *(one.at(slice(0, -1)) for one in every))


def reasons(pairs: list[Between], fits: list[Fit], loads: Floats, corners: list[str]) -> str:
    """Why some envelopes between known directions are not given at `loads` (load,) [N], or ""."""
    known = [pair for pair in pairs if all(fits[end].envelope for end in pair.ends)]
    lacking = [pair for pair in known if not there(pair, fits, loads).any()]
    short, elsewhere = (
        ", ".join(_worked(pair, corners) for pair in lacking if (pair.fit.worked < ENOUGH) == few)
        for few in (True, False)
    )
    told = [f"less than {ENOUGH:g} s of hard work between both directions ({short})"] * bool(short)
    if elsewhere:
        told.append(f"none at loads at which each direction alone was worked hard ({elsewhere})")
    cure = "brake into corners and accelerate out of them"
    return f"combined envelopes: {', or '.join(told)}: {cure}" if told else ""


def _worked(pair: Between, corners: list[str]) -> str:
    """Tyre, directions and time of hard work, such as 'FL braking in a left turn 0.7 s'."""
    fit = pair.fit
    return f"{corners[fit.corner]} {IN_WORDS[fit.direction]} {fit.worked:.1f} s"


def combined_forces(
    pairs: list[Between],
    between: list[EnvelopeErrors | None],
    fits: list[Fit],
    errors: list[EnvelopeErrors | None],
    loads: Floats,
    *,
    runs: bool,
) -> Labelled:
    """Force at 45 degrees to both directions, by corner, pair and load (load,) [N].

    With `runs`, uncertainties contain the spread from run to run.
    """
    shape = (len(pairs) // len(PAIRS), len(PAIRS), len(loads))
    force, u, share, u_share = (np.full((len(pairs), len(loads)), np.nan) for _ in range(4))
    for i, (pair, own) in enumerate(zip(pairs, between, strict=True)):
        ends = (errors[end] for end in pair.ends)
        known = [one for one in (own, *ends) if one is not None]
        if len(known) < 3:
            continue
        every = [one.of_set_up if runs else one.estimate for one in known]
        worked, ellipse = there(pair, fits, loads), _share_of_ellipse(every)
        u_shape = U_SHAPE * np.abs(ellipse.value - 1.0)
        ellipse = ellipse.plus_noise(u_shape)
        force[i] = np.where(worked, np.exp(every[0].value[:-1]), np.nan)
        u[i] = force[i] * np.hypot(every[0].u[:-1], u_shape)
        share[i], u_share[i] = np.where(worked, (ellipse.value, ellipse.u), np.nan)
    words = "horizontal force at 45 degrees to both directions that 97.5 % of the hard-worked "
    words += "samples between them stay below"
    out = plain("pair", list(PAIRS), ("pair",), "", "pair of directions")
    dims = ("corner", "pair", "load")
    for name, value, u_value, unit, text in (
        ("combined_force", force, u, "N", words),
        (
            "ellipse_share",
            share,
            u_share,
            "1",
            "that force over that of the ellipse through the envelopes of both directions",
        ),
    ):
        out |= limits_of(name, value.reshape(shape), u_value.reshape(shape), dims, unit, text)
    return out
