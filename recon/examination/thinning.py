"""Short means of a drive, each with its slope, and those that show how the body leans bent."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.records.scratch import stretches_at

WINDOW_TIME = 0.125  # s; wheel hop averages out, a turn does not
SLOPE, BEND = "slope_of_", "bend_of_"  # of a channel: its first and second derivative
AT_ONCE = 2048  # windows, so that memory stays bounded however long the log is
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
    pieces = np.array_split(starts, len(starts) // AT_ONCE + 1)
    out = {}
    for name, variable in log.variables.items():
        if "elapsed_time" not in variable.dims:
            out[name] = variable
            continue
        weights = {}
        if np.issubdtype(variable.dtype, np.floating) and name not in log.coords:
            weights[SLOPE] = _slope_weights(width, step)
            if name in BENT:
                weights[BEND] = _bend_weights(width, step)
        values = variable.to_numpy()
        parts = [_short(stretches_at(values, at, width), weights) for at in pieces]
        short, *derived = (np.concatenate(of) for of in zip(*parts, strict=True))
        out[name] = xr.Variable(variable.dims, short, variable.attrs)
        for of, own in zip(weights, derived, strict=True):
            out[f"{of}{name}"] = xr.Variable(variable.dims, own)
    return xr.Dataset(out, attrs=log.attrs).set_coords(list(log.coords))


def _short(values: NDArray[Any], weights: dict[str, Floats]) -> list[NDArray[Any]]:
    """Means of windows (window, sample, ...) or their joined flags, and sums by the `weights`."""
    if not np.issubdtype(values.dtype, np.floating):
        return [np.bitwise_or.reduce(values, axis=1)]
    # Rounding takes no mean beyond its values: a wheel at the end of its travel has a pose.
    mean = np.clip(values.mean(axis=1), values.min(axis=1), values.max(axis=1))
    return [mean, *(np.tensordot(values, own, axes=(1, 0)) for own in weights.values())]


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
