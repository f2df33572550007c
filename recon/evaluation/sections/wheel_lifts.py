"""Wheels that leave the ground: start and end of each lift with their uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats, runs
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.sections.detection import closed

SHORTEST = 0.01  # s; a load that vanishes for less is a bump
NOISE_GAP = 0.006  # s; a load that shows for less is noise
NOTHING = 0.05  # of the mean load of a wheel: less counts as none (common practice, no source)
# Standard uncertainties of noise allowed for: a lift is sought among thousands of samples, and the
# lowest noise of 1000 is below -4 of them in 3 % of cases.
LEAST_NOISE = 4.0
OFF, LIGHT = "off the ground", "light"
KINDS = (OFF, LIGHT)


@dataclass(frozen=True, slots=True)
class Lift:
    """Start and end [s] of the time without load of one wheel; NaN at an end of the log.

    `kind` is "off the ground" where the load came down to nothing, surely less than 5 % of the
    wheel's mean, and "light" where it only did not differ from zero by more than its uncertainty,
    so that nobody knows.
    """

    corner: str
    kind: str
    start: float
    end: float
    u_start: float
    u_end: float


def lifts_of(forces: xr.Dataset) -> list[Lift]:
    """Every lift, corner by corner.

    A lift is a stretch in which the vertical force, without the bound at zero, does not differ
    from zero by more than its 95 % limit.  The wheel is off the ground where it surely bears less
    than `NOTHING`, as no gauge tells zero from little.  It left the ground somewhere between the
    first such sample and the first one at or below zero: the start is the middle, its uncertainty
    that of a rectangular distribution of this width (JCGM 100:2008, 4.3.7).  The end likewise.
    """
    time = forces["elapsed_time"].to_numpy()
    name = "tyre_force_unbounded" if "tyre_force_unbounded" in forces else "tyre_force"
    rate = float(forces.attrs["rate_Hz"])
    # A filter blurs an edge by about a quarter of the shortest period that it passes.
    blur = 1.0 / rate + 0.5 / float(forces.attrs["bandwidth_Hz"])
    least = SHORTEST * rate
    noise = forces["u_tyre_force_random"].to_numpy()[..., 2].astype(float)
    out = []
    for k, corner in enumerate(forces["corner"].to_numpy()):
        load = forces[name].to_numpy()[:, k, 2].astype(float)
        u = forces["u_tyre_force"].to_numpy()[:, k, 2].astype(float)
        if not np.isfinite(load).any():
            continue
        with np.errstate(invalid="ignore"):
            light = closed(load < COVERAGE_FACTOR * u, NOISE_GAP, rate)
            nothing = load + _margin(u, noise[:, k]) < NOTHING * np.nanmean(load)
        for first, last in runs(light):
            if last - first >= least:
                inside = np.flatnonzero(load[first:last] <= 0.0)
                inner = inside if inside.size else np.array([np.argmin(load[first:last])])
                start, u_start = _edge(time, first, first + int(inner[0]), blur)
                end, u_end = _edge(time, last - 1, first + int(inner[-1]), blur)
                kind = OFF if nothing[first:last].any() else LIGHT
                out.append(Lift(str(corner), kind, start, end, u_start, u_end))
    return out


def _margin(u: Floats, noise: Floats) -> Floats:
    """How far [N] the lowest of many loads may be below the truth, by u and its part of noise."""
    fixed = np.sqrt(np.maximum(u**2 - noise**2, 0.0))
    return COVERAGE_FACTOR * fixed + LEAST_NOISE * noise


def _edge(time: Floats, outer: int, inner: int, blur: float) -> tuple[float, float]:
    """Middle of two samples and the standard uncertainty; NaN at an end of the log, [s]."""
    if outer in (0, len(time) - 1):
        return float("nan"), float("nan")
    width = abs(float(time[inner] - time[outer])) + blur
    return float(time[inner] + time[outer]) / 2, width / float(np.sqrt(12.0))
