"""Long series for pictures: thinned without losing extremes, and stretches where a state holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.late import xr
from recon.report.common.artists import Axes
from recon.report.common.looks import INK, PALE

MOST = 100_000  # samples of a drive that pictures are made of
EXTREMES = 2000  # stretches of a long drive whose extremes are kept
SECTION = 1 << 17  # samples that are looked at together
COLUMNS = 1500  # stretches of a line that a panel can show apart; it has fewer columns of dots


def thinned(series: Floats, parts: int = COLUMNS) -> NDArray[np.intp]:
    """Return the samples that hold the extremes of each series (series, sample) in each stretch.

    There are `parts` stretches [1]; the series are in any unit, [1] or other.
    """
    count = series.shape[1]
    if count <= 2 * parts:
        return np.arange(count)
    length = -(-count // parts)
    spare = np.full((len(series), length * parts - count), np.nan)
    cut = np.concatenate([series, spare], axis=1).reshape(len(series), parts, length)
    missing = np.isnan(cut)
    lowest = np.argmin(np.where(missing, np.inf, cut), axis=2)
    highest = np.argmax(np.where(missing, -np.inf, cut), axis=2)
    start = length * np.arange(parts)
    # Both sides of a gap stay, so that the line is broken where the numbers are missing.
    edges = np.flatnonzero(np.diff(np.isnan(series[0]).astype(np.int8)))
    extremes = np.concatenate([lowest + start, highest + start]).ravel()
    kept = np.unique(np.concatenate([extremes, edges, edges + 1]))
    return kept[kept < count]


def draw_force(panel: Axes, one: xr.Dataset) -> None:
    """Draw a force over time with its 95 % interval.

    `one` holds `tyre_force` (elapsed_time) [N] and its limits.
    """
    series = np.stack([one[f"tyre_force{end}"].to_numpy() for end in ("", "_lower", "_upper")])
    kept = thinned(series)
    time, (force, lower, upper) = one["elapsed_time"].to_numpy()[kept], series[:, kept]
    panel.fill_between(time, lower, upper, color=PALE, linewidth=0, zorder=2)
    panel.plot(time, force, color=INK, linewidth=0.6, zorder=3)


def fewer_samples(forces: xr.Dataset) -> xr.Dataset:
    """Thin a long drive for pictures: samples spread evenly, and the extremes of every force.

    Shorter drives are returned as they are.  `forces` are (elapsed_time, corner, component) [N];
    the attribute `drawn` says how many samples are left.
    """
    count = forces.sizes["elapsed_time"]
    if count <= MOST:
        return forces
    values = forces["tyre_force"].to_numpy()
    kept = [np.arange(0, count, -(-count // MOST))]
    for start in range(0, count, SECTION):
        section = values[start : start + SECTION]
        parts = max(EXTREMES * len(section) // count, 1)
        kept.append(start + thinned(section.reshape(len(section), -1).T, parts))
    few = forces.isel(elapsed_time=np.unique(np.concatenate(kept)))
    return few.assign_attrs(drawn=f"{few.sizes['elapsed_time']} of {count} samples drawn")


def stretches(mask: NDArray[np.bool_], time: Floats) -> list[tuple[float, float]]:
    """Begin and length [s] of every stretch of the mask (sample,); `time` (sample,) [s]."""
    step = float(np.median(np.diff(time))) if len(time) > 1 else 1.0
    return [(float(time[i] - step / 2), float(time[j - 1] - time[i] + step)) for i, j in runs(mask)]
