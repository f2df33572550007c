"""Quantities of a weave with their errors: lag, mean cycle, rise and crest of both axles."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.base.errors import NoAnswerError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.car.vehicle import SIDES
from recon.conditioning.clocks import U_DELAY
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.common.short_means import short_means
from recon.evaluation.sections.find_sections import Section, find_sections, sections_of
from recon.evaluation.slalom.half_waves import HalfWave, half_waves
from recon.evaluation.slalom.lateral_forces import Y
from recon.evaluation.slalom.rear_lag import PHASES, SINE_CREST, Weave, weaves_of
from recon.reconstruction.result.signed_errors import RANDOM, STATED
from recon.records.forces import SIGNED

STEP = 0.04  # s, of the means that a weave is looked at in: quick enough for its third harmonic
MOST_WAVES = 100  # of a long weave; more would take time and tell nothing new
LATE = 0.010  # s, standard uncertainty between axles if gauges are suspected to be late
FLATTER = 0.03  # of a half-wave, beyond which a crest is flat; common practice, no source
GENTLE = 0.05  # of the vertical load: alternations up to it are road and noise, no cones
TOUCHING = 0.1  # s between two half-waves that follow each other at once
NEEDED = ("tyre_force_intermediate", "cause_name", RANDOM, *SIGNED, *STATED.values())
NEITHER, FRONT, REAR, BOTH = 0, 1, 2, 3
SATURATION = ("neither_shown", "front", "rear", "both")


@dataclass(frozen=True, slots=True)
class Weaving:
    """Estimates of one weave; the half-waves in it are `numbers` (wave,) of all.

    `lag` holds the lag of the rear by cross-spectrum and by correlation of slopes [s]; `cycle`
    [N], `rise` [N/s] and `crest` [1] are by phase or half-wave and axle; `spread` (phase, axle)
    [N] is the standard deviation between cycles; `steer_crest` (wave,) [1] that of the steer.
    """

    weave: Weave
    numbers: NDArray[np.int64]
    lag: Estimate
    cycle: Estimate
    rise: Estimate
    crest: Estimate
    spread: Floats
    steer_crest: Floats
    late: str

    @property
    def first(self) -> NDArray[np.int8]:
        """Axle whose crest is flat at each half-wave (wave,): position in `SATURATION`."""
        flat = self.crest.value.reshape(-1, 2) - self.steer_crest[:, None]
        u = self.crest.u.reshape(-1, 2)
        shown = flat > np.maximum(FLATTER, 2 * u)
        apart = np.abs(flat[:, 0] - flat[:, 1]) > 2 * np.hypot(u[:, 0], u[:, 1])
        one = np.where(flat[:, 0] > flat[:, 1], FRONT, REAR)
        code = np.where(shown.all(axis=1) & ~apart, BOTH, one)
        return np.where(shown.any(axis=1), code, NEITHER).astype(np.int8)


def slalom_waves(forces: xr.Dataset, total: Floats, sections: xr.Dataset | None) -> list[HalfWave]:
    """Half-waves of a slalom, one for each cone.

    `total` (sample,) [N] is the lateral force of all known tyres together.  `sections` are found if
    omitted.  Only half-waves in its slaloms, or in parts given by hand, count; all of them where it
    has no corner either.

    Raises NoAnswerError: the sections have corners and no slalom.
    """
    sections = find_sections(forces) if sections is None else sections
    time = forces["elapsed_time"].to_numpy()
    vertical = forces["tyre_force_intermediate"].sel(component="z").to_numpy()
    least = GENTLE * float(np.mean(np.nansum(vertical, axis=1)))
    waves = [w for w in half_waves(total, 1.0 / sampling_interval(time)) if w.height > least]
    weaves = sections_of(sections, "slalom")
    some = weaves or sections_of(sections, "part")
    corners = sections_of(sections, "corner")
    if corners and not some:
        raise NoAnswerError(
            place_of(forces),
            f"no slalom, but {len(corners)} corner{'s' if corners[1:] else ''}",
            "a slalom",
            "If the drive has a slalom, name it by hand in a table of sections (--sections).",
        )
    middles = np.array([time[(wave.part.start + wave.part.stop) // 2] for wave in waves])
    inside, turned = _within(middles, some), _within(middles, corners)
    kept = inside.copy()
    for a in range(len(waves) - 1 if weaves else 0):
        # Turning in and out is too gentle for a section, and a cone all the same.
        gap = time[waves[a + 1].part.start] - time[waves[a].part.stop - 1]
        if gap < TOUCHING:
            kept[a] |= inside[a + 1] and not turned[a]
            kept[a + 1] |= inside[a] and not turned[a + 1]
    return [wave for wave, keep in zip(waves, kept, strict=True) if keep or not some]


def _within(middles: Floats, sections: list[Section]) -> NDArray[np.bool_]:
    """Whether each time (wave,) [s] is in one of the sections."""
    found = [(middles >= one.start) & (middles <= one.end) for one in sections]
    return np.any([np.zeros(len(middles), dtype=bool), *found], axis=0)


def weaving_of(forces: xr.Dataset, waves: list[HalfWave]) -> Weaving | None:
    """Quantities of the longest weave among half-waves of forces, None if there is none.

    All four tyres must be there.
    """
    corners = corner_names(forces)
    runs = weaves_of(waves)
    if not runs or not all(name in corners for names in SIDES.values() for name in names):
        return None
    run = runs[0][:MOST_WAVES]
    means, weave = _stretch(forces, [waves[i] for i in run])
    at = [[corners.index(name) for name in names] for names in SIDES.values()]

    def both(force: Floats) -> list[Floats]:
        return [force[:, members, Y].sum(axis=1) for members in at]

    best = both(means["tyre_force_intermediate"].to_numpy().astype(float))
    if not np.isfinite(best).all():
        return None

    def quantity(force: Floats) -> Floats:
        axles = both(force)
        # The forces that may have been also change sides at other times.
        own = weave.at_crossings(axles[0] + axles[1])
        by_axle = [[of(axle) for axle in axles] for of in (own.mean_cycle, own.rises, own.crests)]
        parts = [np.stack(pair, axis=1).ravel() for pair in by_axle]
        return np.concatenate([[own.lag(*axles), own.lag_of_slopes(*axles)], *parts])

    alternatives = Alternatives(means, slice(None))
    estimate = alternatives.estimate(quantity)
    raised = alternatives.raised(quantity)
    weave = weave.at_crossings(best[0] + best[1])
    late = late_words(forces)
    ends = np.cumsum([0, 2, 2 * PHASES, 2 * len(run), 2 * len(run)])
    lag, cycle, rise, crest = (estimate.at(slice(int(a), int(b))) for a, b in pairwise(ends))
    # Noise makes the steepest slope steeper.  What that adds is as unsure as it is large, and draws
    # about the best force hold both.
    rise = replace(rise, value=rise.value - raised[ends[2] : ends[3]])
    spread = np.stack([weave.cycles(own).std(axis=0) for own in best], axis=1)
    apart = np.hypot(u_between_axles(forces, late), _u_friction(forces, cycle, weave))
    return Weaving(
        weave,
        np.array(run),
        lag.plus_noise(apart).plus_noise(weave.u_lag(*best)),
        cycle.plus_noise(spread.ravel() / np.sqrt(len(weave.lengths))),
        rise,
        crest,
        spread,
        _steer_crest(means, weave),
        late,
    )


def _stretch(forces: xr.Dataset, waves: list[HalfWave]) -> tuple[xr.Dataset, Weave]:
    """Short means of the forces around some half-waves, and the weave in them."""
    time = forces["elapsed_time"].to_numpy()
    edges = np.array([time[w.part.start] for w in waves] + [time[waves[-1].part.stop - 1]])
    around = waves[0].part.stop - waves[0].part.start
    part = slice(max(waves[0].part.start - around, 0), waves[-1].part.stop + around)
    means = short_means(forces.isel(elapsed_time=part), STEP, *NEEDED, "steer")
    return means, Weave(means["elapsed_time"].to_numpy(), edges, waves[0].side)


def _u_friction(forces: xr.Dataset, cycle: Estimate, weave: Weave) -> float:
    """Standard uncertainty [s] of the lag by friction in the joints, which delays indications.

    A loop of half-width w delays a sine of amplitude A by 4 w / (pi A) of a radian.  Errors of
    friction at the tare lie anywhere within the loop: half of its width is the root of 3 times u.
    """
    names = forces["cause_name"].to_numpy()
    rows = np.flatnonzero([str(name).endswith("friction") for name in names])
    loops = np.sqrt(3.0) * cycle.by_cause[rows].reshape(len(rows), PHASES, 2).mean(axis=1)
    height = np.abs(cycle.value.reshape(PHASES, 2)).max(axis=0)
    delay = 4 / np.pi * loops / height * weave.period / (2 * np.pi)
    return float(np.linalg.norm(delay[:, 0] - delay[:, 1]))


def _steer_crest(means: xr.Dataset, weave: Weave) -> Floats:
    """Crest (wave,) [1] of the steer, which a force follows until it saturates; else of a sine."""
    sine = np.full(len(weave.edges) - 1, SINE_CREST)
    if "steer" not in means:
        return sine
    steer = means["steer"].to_numpy().astype(float)
    if not np.isfinite(steer).all():
        return sine
    return np.maximum(weave.crests(steer - steer.mean()), SINE_CREST)


def late_words(forces: xr.Dataset) -> str:
    """Sentence on gauges that are suspected to be late, empty if there are none."""
    if "doubt_cause" not in forces:
        return ""
    found = np.flatnonzero(forces["doubt_cause"].to_numpy() == "late")
    return " ".join(str(forces["doubt_found"].to_numpy()[i]) for i in found)


def u_between_axles(forces: xr.Dataset, late: str) -> float:
    """Standard uncertainty [s] of the time between the gauges of both axles."""
    gauges = forces["gauge_status"].attrs if "gauge_status" in forces else {}
    clocks = float(gauges.get("u_clock", 0.0))
    return float(np.hypot(np.hypot(U_DELAY, clocks), LATE if late else 0.0))
