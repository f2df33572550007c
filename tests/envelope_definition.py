"""Envelope of a tyre from true forces by its definition, with nothing of the package in it.

Samples within 30 degrees of a direction and above 800 N fall into bands of load 15 % wide.  In
each band with 40 samples above 0.6 of the load, the 97.5 % quantile of force over load to the
power 0.85 is its edge.  Bands within 5 % of the line above all edges that most bands come near
count; the envelope is the 97.5 % regression quantile over them, solved as a linear program.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Floats = NDArray[np.float64]
AXIS = {"left": (1, 1.0), "right": (1, -1.0), "drive": (0, 1.0), "brake": (0, -1.0)}
SHARE, LOWEST, BAND, HARD = 0.975, 800.0, 1.15, 0.6
POINTS = 150  # of a band in the linear program


class TrueEnvelope(NamedTuple):
    """Force at 3000 N, exponent, and the loads between which it holds [N]."""

    force: float
    exponent: float
    low: float
    high: float

    def at(self, load: float) -> float:
        return float(self.force * (load / 3000.0) ** self.exponent)


def true_envelope(force: Floats, direction: str, every: float) -> TrueEnvelope | None:
    """Envelope of true forces (sample, 3) [N] in tyre axes; None if no band was worked."""
    axis, sign = AXIS[direction]
    flat = np.hypot(force[:, 0], force[:, 1])
    load = force[:, 2]
    some = (sign * force[:, axis] > np.cos(np.pi / 6) * flat) & (load > LOWEST)
    some &= flat > HARD * load
    return of_samples(load[some], flat[some], every)


def of_samples(load: Floats, flat: Floats, every: float) -> TrueEnvelope | None:
    edges = LOWEST * BAND ** np.arange(30)
    middles = np.sqrt(edges[1:] * edges[:-1])
    band = np.digitize(load, edges) - 1
    parts = [(b, band == b) for b in np.unique(band)]
    parts = [(b, at) for b, at in parts if at.sum() >= 40]
    if not parts:
        return None
    x = np.array([np.log(middles[b] / 3000.0) for b, _ in parts])
    values = [np.log(flat[at]) - 0.85 * np.log(load[at] / middles[b]) for b, at in parts]
    edge = np.array([np.quantile(v, SHARE) for v in values])
    weight = np.array([min(at.sum() * every, 1.0) for _, at in parts])
    slopes = (0.5, 1.0) if np.ptp(x) >= np.log(1.5) else (0.85, 0.85)
    gaps = [_gap(edge - s * x) for s in np.linspace(*slopes, 51)]
    best = min(gaps, key=lambda gap: float(weight @ np.minimum(gap, 0.05)))
    near = np.flatnonzero(best <= 0.05)
    columns = [_column(x[k], values[k], weight[k]) for k in near]
    height, slope = regression_quantile(*np.concatenate(columns, axis=1), SHARE, slopes)
    half = np.sqrt(BAND)
    low, high = (3000.0 * np.exp(x[k]) for k in (near[0], near[-1]))
    return TrueEnvelope(float(np.exp(height)), slope, low / half, high * half)


def _gap(rest: Floats) -> Floats:
    return np.asarray(rest.max() - rest)


def _column(x: float, values: Floats, weight: float) -> Floats:
    """Points of one band: place, value, weight."""
    few = np.sort(values)[np.linspace(0, len(values) - 1, min(len(values), POINTS)).astype(int)]
    return np.array([np.full(len(few), x), few, np.full(len(few), weight / len(few))])


def regression_quantile(
    x: Floats, y: Floats, weight: Floats, share: float, slopes: tuple[float | None, float | None]
) -> tuple[float, float]:
    """Intercept and slope of the regression quantile, by the linear program that defines it."""
    n = len(x)
    cost = np.concatenate([[0.0, 0.0], share * weight, (1 - share) * weight])
    equal = np.hstack([np.ones((n, 1)), x[:, None], np.eye(n), -np.eye(n)])
    bounds = [(None, None), slopes, *[(0, None)] * (2 * n)]
    found = linprog(cost, A_eq=equal, b_eq=y, bounds=bounds, method="highs")
    return float(found.x[0]), float(found.x[1])
