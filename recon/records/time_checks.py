"""Checks of the time of a log: it increases, its rate is possible, and its gaps are listed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, warn
from recon.base.quantities import UNITS
from recon.records.column_conversion import BoundTable
from recon.records.scratch import room
from recon.records.tables import line_of_row

GAP_STEPS = 1.5  # a step longer than so many median steps is a gap
GAPS_LISTED = 100
# Samples per second that a log can have: tyre forces need more than 5, a logger without gauges may
# be slower, and no logger in a car is faster than 50 kHz.  Common practice, no source.
SLOWEST, SLOWEST_BESIDE, FASTEST = 5.0, 0.1, 50_000.0
LIKELY = (20.0, 20_000.0)  # samples per second that a right unit of time would give


def check_time(table: BoundTable, time: Floats, *, gauged: bool = True) -> list[str]:
    """Refuse time that does not increase or has an impossible rate; list the gaps in words.

    `time` (sample,) [s]; logs that are not `gauged` may be slower; `table` is for messages.

    Raises DataError: there is one sample only, time does not increase, or the rate cannot be.
    Warns DataWarning: the log has gaps in time.
    """
    step = steps_of(time)
    wrong = np.flatnonzero(~(step > 0))
    if wrong.size or not step.size:
        row = int(wrong[0]) + 1 if wrong.size else 0
        line = line_of_row(table.layout, row)
        found = f"{time[row]:.6g} s after {time[row - 1]:.6g} s" if row else "a single sample"
        raise DataError(
            table.layout.where(line, table.bound["elapsed_time"].position),
            found,
            "at least two samples, and time that increases from each to the next",
            "Sort or cut the log, or export its time with more digits if it stands still; if two "
            "recordings were joined, reconstruct them one by one.",
        )
    usual = usual_step(time)
    _require_possible_rate(table, usual, gauged=gauged)
    return _gaps(table, time, step, usual)


def steps_of(time: Floats) -> Floats:
    """Steps (sample - 1,) between times (sample,) [s]; those of a long log are not in memory."""
    out: Floats = room((max(len(time) - 1, 0),))
    return np.subtract(time[1:], time[:-1], out=out)


def usual_step(time: Floats) -> float:
    """Median step between times (sample,) [s]."""
    return float(np.median(steps_of(time), overwrite_input=True))


def _require_possible_rate(table: BoundTable, usual: float, *, gauged: bool) -> None:
    """Refuse a usual step [s] that no logger has, and name the unit that was likely meant."""
    slowest = SLOWEST if gauged else SLOWEST_BESIDE
    if slowest <= 1.0 / usual <= FASTEST:
        return
    bound = table.bound["elapsed_time"]
    own = bound.unit.factor if bound.unit else 1.0
    likely = [
        name
        for name, unit in UNITS["time"].items()
        if LIKELY[0] <= own / (usual * unit.factor) <= LIKELY[1]
    ]
    cure = f"Most likely the time is in {' or '.join(likely)}: c" if likely else "C"
    raise DataError(
        table.layout.where(table.layout.first_line - 1, bound.position),
        f"times {usual:.6g} s apart, which is {1.0 / usual:.3g} samples per second, "
        f"with the time in '{bound.spelling or 'stamps'}'",
        f"{slowest:g} to {FASTEST:g} samples per second",
        f"{cure}orrect its unit in the header, the units row or the column map.",
    )


def _gaps(table: BoundTable, time: Floats, step: Floats, usual: float) -> list[str]:
    """Gaps in time, in words; a warning reports the longest."""
    gaps: NDArray[np.int64] = np.flatnonzero(step > GAP_STEPS * usual)
    texts = [f"{time[i]:.6g} s: {step[i]:.6g} s" for i in gaps[:GAPS_LISTED]]
    if gaps.size:
        longest = gaps[np.argmax(step[gaps])]
        several = f"{gaps.size} gaps in time, the longest" if gaps.size > 1 else "one gap in time,"
        warn(
            f"{table.layout.path}: {several} {step[longest]:.6g} s after {time[longest]:.6g} s "
            f"(usual step {usual:.6g} s)",
            DataWarning,
        )
    if gaps.size > GAPS_LISTED:
        texts.append(f"and {gaps.size - GAPS_LISTED} more")
    return texts
