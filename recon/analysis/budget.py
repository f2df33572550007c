"""Uncertainty budget: the causes of the standard uncertainty of a force, each in newtons.

For a peak, a sample, a window or a section, in tyre axes.  The squares of the contributions of one
force add up to the square of its `u_tyre_force`, for causes are independent of each other: to
rounding, and to 0.1 % in a corner with forces that are not known, as their effects are not known
either.  Over a window, contributions are root mean squares of those of its samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, NoAnswerError, nearest
from recon.base.labelled import number_of, place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COMPONENTS
from recon.evaluation.common.answer_labels import origin, plain
from recon.evaluation.sections.find_sections import Section, find_sections, sections_of
from recon.reconstruction.causes.cures import BEYOND, NOISE, UNSEEN, Description, description_of
from recon.reconstruction.result.signed_errors import RANDOM, STATED, Loadings, loadings_of
from recon.records.forces import NO_GAUGE, PARTS, SIGNED, require_answerable

MOST_SAMPLES = 4096  # of a window; a longer one is thinned evenly
OWNERS = ("FL", "FR", "RL", "RR", "front", "rear")
NEEDED = ("tyre_force", STATED["tyre"], RANDOM, "largest_pull", "cause_name", "cause_part",
          "cause_gauge", *SIGNED)  # fmt: skip


@public
def budget(
    forces: xr.Dataset,
    *,
    corner: str | None = None,
    component: str | None = None,
    time: float | None = None,
    start: float | None = None,
    end: float | None = None,
    section: str | None = None,
    sections: xr.Dataset | None = None,
) -> xr.Dataset:
    """List the causes of the standard uncertainty of tyre forces, largest first.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    corner, component : str, optional
        One corner, and one of x, y, z; all of them by default.
    time : float, optional
        The sample nearest to this time. [s]
    start, end : float, optional
        Ends of a window. [s]  With neither time nor window, the sample with the largest |force|
        of each corner and component.  Windows of more than `MOST_SAMPLES` samples are thinned.
    section : str, optional
        Name of a section as the window; that of a corner may end before its side, 'corner 2'.
    sections : Dataset, optional
        As `sections` returns it, where some were given by hand.

    Returns
    -------
    Dataset
        `contribution` (cause, corner, component) [N], standard uncertainty from each cause, and its
        `share_of_variance` [1]; words, part and cure of each cause; `force` [N], a mean over a
        window, with `u_force` of its single samples.

    Raises
    ------
    DataError
        No forces; no such corner, component or section; a time outside the log; time and window
        or section at once.
    NoAnswerError
        None of the forces asked for is known there.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), 5.1.3 and annex H: contribution = sensitivity times standard
    uncertainty.
    """
    require_answerable(forces, *NEEDED)
    corners = _chosen(forces, "corner", corner)
    components = _chosen(forces, "component", component)
    asked_for = {"time": time, "start": start, "end": end}
    where = Where.of(forces, asked_for, _section(forces, section, sections))
    loadings = loadings_of(forces)
    groups = _groups(forces)
    rows = [_of_corner(forces, loadings, k, where, groups) for k in corners]
    square = np.stack([own.square for own in rows], axis=1)[..., components]
    force = np.stack([own.force for own in rows])[:, components]
    if np.all(np.isnan(force)):
        raise _nothing_known(forces, where)
    samples = np.stack([own.time for own in rows])[:, components]
    gauge = np.stack([own.gauge for own in rows], axis=1)[..., components]
    asked = _Asked(corners, components, force, samples, gauge, where)
    return _labelled(forces, groups, square, asked)


def contributions(
    forces: xr.Dataset, samples: NDArray[np.int64]
) -> tuple[tuple[Description, ...], Floats]:
    """Contributions of every cause to the standard uncertainty of every force at some samples.

    `samples` (sample,) are positions along `elapsed_time`.  Returns descriptions of the causes, and
    their contributions (cause, sample, corner, component) [N]; zero where a force is not known.

    Raises DataError: no result of `reconstruct`.
    """
    require_answerable(forces, *NEEDED)
    loadings, groups = loadings_of(forces), _groups(forces)
    shape = (len(groups.parts), len(samples), forces.sizes["corner"], 3)
    square = np.zeros(shape)
    for k in range(shape[2]):
        for j, at in enumerate(samples[:, None]):
            effect = loadings.errors(k, at, "tyre") ** 2
            square[:, j, k] = _squares(forces, loadings, k, at, groups, effect[:, 0])
    return groups.descriptions, np.sqrt(np.nan_to_num(square))


@dataclass(frozen=True, slots=True)
class Where:
    """Samples asked for: a window's or one (sample,), or None for the peaks, and words for them."""

    samples: NDArray[np.int64] | None
    words: str

    @classmethod
    def of(
        cls, forces: xr.Dataset, asked: dict[str, float | None], section: Section | None
    ) -> Where:
        """The sample or window that is `asked` for by time, start and end [s], or the section.

        Raises DataError: several of them at once, or outside the log.
        """
        elapsed = forces["elapsed_time"].to_numpy()
        log = f"{elapsed[0]:g} to {elapsed[-1]:g} s"
        place = place_of(forces)
        time, start, end = asked.values()
        stated = [f"{name} = {value:g} s" for name, value in asked.items() if value is not None]
        if section is not None:
            start, end = section.start, section.end
            stated.append(f"the section '{section.name}'")
        found = " and ".join(stated)
        if len(stated) > 1 and (time is not None or section is not None):
            needed = "either a time, or the start and end of a window, or a section"
            raise DataError(place, found, needed, "Leave out one of them.")
        if time is not None:
            if not elapsed[0] <= time <= elapsed[-1]:
                raise DataError(place, found, f"a time within the log, {log}", "Correct the time.")
            at = int(np.argmin(np.abs(elapsed - time)))
            return cls(np.array([at]), f"at {elapsed[at]:.3f} s")
        if not stated:
            return cls(None, "at the largest force of each kind")
        low = elapsed[0] if start is None else start
        high = elapsed[-1] if end is None else end
        inside = np.flatnonzero((elapsed >= low) & (elapsed <= high))
        if not len(inside):
            do = "Correct start and end."
            raise DataError(place, found, f"a window with samples of the log, {log}", do)
        thinned = inside[:: -(-len(inside) // MOST_SAMPLES)]
        words = f"from {elapsed[inside[0]]:g} to {elapsed[inside[-1]]:g} s"
        return cls(thinned, f"in {section.name}, {words}" if section else words)


def _section(forces: xr.Dataset, name: str | None, sections: xr.Dataset | None) -> Section | None:
    """The section of that name, or the first one whose name goes on with a side."""
    if name is None:
        return None
    every = sections_of(find_sections(forces) if sections is None else sections)
    named = [one for one in every if name in (one.name, one.name.partition(" (")[0])]
    if not named:
        needed = nearest(name, [one.name for one in every])
        do = "Name one that recon sections lists, or give start and end."
        raise DataError(place_of(forces), f"no section '{name}'", needed, do)
    return named[0]


@dataclass(frozen=True, slots=True)
class _Groups:
    """Lines of the budget; `of_cause` (cause,) is the line of each cause, `gauge` its gauge."""

    descriptions: tuple[Description, ...]
    parts: tuple[str, ...]
    of_cause: NDArray[np.int64]
    gauge: NDArray[np.str_]


def _groups(forces: xr.Dataset) -> _Groups:
    """Lines of the budget; the last three are those that have no loadings."""
    lines: dict[tuple[Description, str], int] = {}
    names, parts = (forces[n].to_numpy() for n in ("cause_name", "cause_part"))
    of_cause = [
        lines.setdefault((description_of(str(name), str(part), OWNERS), str(part)), len(lines))
        for name, part in zip(names, parts, strict=True)
    ]
    assumption = PARTS[2]
    every = [*lines, (UNSEEN, assumption), (BEYOND, assumption), (NOISE, "random")]
    descriptions, parts_of_lines = zip(*every, strict=True)
    gauge = forces["cause_gauge"].to_numpy()
    return _Groups(descriptions, parts_of_lines, np.array(of_cause), gauge)


@dataclass(frozen=True, slots=True)
class _OfCorner:
    """Of one corner: `square` (line, 3) [N2], `force` (3,) [N] and `time` (3,) [s] of a sample.

    `gauge` (line, 3) names the gauge that contributes most to a line, if one does.
    """

    square: Floats
    gauge: NDArray[np.str_]
    force: Floats
    time: Floats


def _of_corner(
    forces: xr.Dataset, loadings: Loadings, k: int, where: Where, groups: _Groups
) -> _OfCorner:
    values = forces["tyre_force"].to_numpy()[:, k].astype(float)
    known = np.isfinite(values)
    square = np.full((len(groups.parts), 3), np.nan)
    force, time = np.full(3, np.nan), np.full(3, np.nan)
    gauge = np.full((len(groups.parts), 3), NO_GAUGE, dtype=object)
    for i in range(3):
        chosen = where.samples
        if chosen is None and known[:, i].any():
            chosen = np.array([int(np.nanargmax(np.abs(values[:, i])))])
        chosen = np.zeros(0, dtype=np.int64) if chosen is None else chosen[known[chosen, i]]
        if not len(chosen):
            continue
        by_cause = np.sum(loadings.errors(k, chosen, "tyre") ** 2, axis=1)  # (cause, 3) [N2]
        square[:, i] = _squares(forces, loadings, k, chosen, groups, by_cause)[:, i] / len(chosen)
        gauge[:, i] = _main_gauges(by_cause[:, i], groups)
        force[i] = values[chosen, i].mean()
        if len(chosen) == 1:
            time[i] = forces["elapsed_time"].to_numpy()[chosen[0]]
    return _OfCorner(square, gauge.astype(str), force, time)


def _main_gauges(square: Floats, groups: _Groups) -> list[str]:
    """Gauge with the largest square (cause,) of each line."""
    out = [NO_GAUGE] * len(groups.parts)
    for line in range(int(groups.of_cause.max()) + 1):
        own = np.flatnonzero(groups.of_cause == line)
        out[line] = str(groups.gauge[own[np.argmax(square[own])]])
    return out


def _squares(
    forces: xr.Dataset,
    loadings: Loadings,
    k: int,
    at: NDArray[np.int64],
    groups: _Groups,
    effect: Floats,
) -> Floats:
    """Squares of the contributions, added over the samples `at`, (line, 3) [N2]."""
    causes = len(groups.of_cause)
    out = np.zeros((len(groups.parts), 3))
    np.add.at(out, groups.of_cause, effect[:causes])
    beyond = np.sum(loadings.beyond(k, at, "tyre")[:, :, k] ** 2, axis=(0, 1))
    unseen = effect[causes:].sum(axis=0)
    out[-3], out[-2] = unseen, beyond
    out[-1] = np.sum(forces[RANDOM].to_numpy()[at, k].astype(float) ** 2, axis=0)
    return out


def _chosen(forces: xr.Dataset, label: str, name: str | None) -> list[int]:
    """Positions of the corner or component asked for, or all."""
    if name is None:
        return list(range(forces.sizes[label]))
    do = f"Name one {label} of the file, or leave the option out for all."
    return [number_of(forces, label, name, do)]


def _nothing_known(forces: xr.Dataset, where: Where) -> NoAnswerError:
    return NoAnswerError(
        place_of(forces),
        f"no known force {where.words}",
        "at least one known force there",
        "Ask for another time; the status of the samples states why they are not known.",
    )


@dataclass(frozen=True, slots=True)
class _Asked:
    """Places, forces [N], times [s] (corner, component), gauges (line, corner, component)."""

    corners: list[int]
    components: list[int]
    force: Floats
    time: Floats
    gauge: NDArray[np.str_]
    where: Where


def _labelled(forces: xr.Dataset, groups: _Groups, square: Floats, asked: _Asked) -> xr.Dataset:
    """The lines that contribute, largest sum first, with labels and units."""
    size = np.nansum(square, axis=(1, 2))
    order = [int(n) for n in np.argsort(-size, kind="stable") if size[n] > 0]
    total = square.sum(axis=0)
    place, cause = ("corner", "component"), ("cause",)
    described = [groups.descriptions[n] for n in order]
    parts = np.array([groups.parts[n] for n in order], dtype=str)
    words, of_what, cures = (
        np.array([getattr(one, name) for one in described], dtype=str)
        for name in ("words", "of", "cure")
    )
    with np.errstate(invalid="ignore"):
        share = square[order] / total
    of = "force of the road on the tyre, tyre axes; mean over a window"
    u_of = "standard uncertainty of the force at single samples"
    own = "standard uncertainty of the force from this cause"
    of_share = "share of the variance of the force"
    most = "gauge that contributes most to this cause"
    data = (
        plain("contribution", np.sqrt(square[order]), (*cause, *place), "N", own)
        | plain("share_of_variance", share, (*cause, *place), "1", of_share)
        | plain("force", asked.force, place, "N", of)
        | plain("u_force", np.sqrt(total), place, "N", u_of)
        | plain("sample_time", asked.time, place, "s", "time of the sample")
        | plain("cause_words", words, cause, "1", "cause in words")
        | plain("cause_of", of_what, cause, "1", "quantity that is uncertain")
        | plain("cause_part", parts, cause, "1", "part of the uncertainty")
        | plain("cause_cure", cures, cause, "1", "cheapest cure")
        | plain("main_gauge", asked.gauge[order], (*cause, *place), "1", most)
    )
    labels = {
        "corner": forces["corner"].to_numpy()[asked.corners],
        "component": np.asarray([COMPONENTS[i] for i in asked.components]),
    }
    return xr.Dataset(
        data,
        coords=labels,
        attrs=origin(
            forces,
            "Uncertainty budget",
            source="reconstructed tyre forces with the effects of all causes, tyre axes",
            references="JCGM 100:2008 (GUM); ISO 8855:2011 for axes",
            comment="squares of the contributions add up to the square of u_force; over a window "
            f"they are root mean squares of its samples, at most {MOST_SAMPLES} of them, evenly "
            "spaced",
        )
        | {"where": asked.where.words},
    )
