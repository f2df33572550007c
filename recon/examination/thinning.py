"""Short means of a drive, each with its slope, and those that show how the body leans bent."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.records.scratch import stretches_at

WINDOW_TIME = 0.125  # s; wheel hop averages out, a turn does not
SLOPE, BEND = "slope_of_", "bend_of_"  # of a channel: its first and second derivative
BENT = ("roll", "pitch", "travel")  # channels that have the second one


def thinned(log: xr.Dataset, windows: int) -> xr.Dataset:
    """Means over so many short windows spread evenly over a log; flags of a window are joined.

    Each has its slope beside it, and those of `BENT` their second derivative.  A window with a
    missing value has no mean there.
    """
    samples, step = log.sizes["elapsed_time"], 1.0 / float(log.attrs["rate"])
    width = max(2, min(round(WINDOW_TIME / step), samples // 2))  # one has no slope
    count = min(windows, samples // width)
    starts = np.unique(np.linspace(0, samples - width, count).astype(int))
    out = {}
    for name, variable in log.variables.items():
        if "elapsed_time" not in variable.dims:
            out[name] = variable
            continue
        values = stretches_at(variable.to_numpy(), starts, width)
        if np.issubdtype(values.dtype, np.floating):
            # Rounding takes no mean beyond its values: a wheel at the end of its travel has a pose.
            short = np.clip(values.mean(axis=1), values.min(axis=1), values.max(axis=1))
            if name not in log.coords:
                slope = np.tensordot(values, _slope_weights(width, step), axes=(1, 0))
                out[f"{SLOPE}{name}"] = xr.Variable(variable.dims, slope)
            if name in BENT:
                bend = np.tensordot(values, _bend_weights(width, step), axes=(1, 0))
                out[f"{BEND}{name}"] = xr.Variable(variable.dims, bend)
        else:
            short = np.bitwise_or.reduce(values, axis=1)
        out[name] = xr.Variable(variable.dims, short, variable.attrs)
    return xr.Dataset(out, attrs=log.attrs).set_coords(list(log.coords))


def columns_of(log: xr.Dataset, name: str) -> tuple[str, ...]:
    """Variables of a thinned log that belong to one channel: it, and its derivatives."""
    return tuple(of + name for of in ("", SLOPE, BEND) if of + name in log)


def _slope_weights(width: int, step: float) -> Floats:
    """Weights (width,) [1/s] of the least-squares slope of samples `step` [s] apart."""
    away = step * (np.arange(width) - 0.5 * (width - 1))
    return np.asarray(away / max(float(away @ away), 1e-300))


def _bend_weights(width: int, step: float) -> Floats:
    """Weights (width,) [1/s2] of the least-squares second derivative of samples `step` [s] apart.

    Zero for fewer than three samples.
    """
    square = np.square(step * (np.arange(width) - 0.5 * (width - 1)))
    away = square - square.mean()
    return np.asarray(2.0 * away / max(float(away @ away), 1e-300))
