"""Taring of a pull: zeros before and after the loads, and what their noise and wander leave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.records.sheets import PullSheet


@dataclass(frozen=True, slots=True)
class Taring:
    """Tares of one pull, and the share of each that is taken off at every load step.

    `indication` (tare, gauge) [unit]; `tare_time` (tare,) and `step_time` (step,) [s], evenly
    spaced where stamps of the sheet's clock are too coarse to tell rows apart; `share`
    (step, tare) [1] interpolates by the stamps.
    """

    indication: Floats
    tare_time: Floats
    step_time: Floats
    share: Floats

    @property
    def mean(self) -> Floats:
        """Mean of the tares (gauge,) [unit]."""
        return np.asarray(self.indication.mean(axis=0))

    @property
    def change(self) -> Floats:
        """Last tare less first (gauge,) [unit]."""
        return np.asarray(self.indication[-1] - self.indication[0])

    @property
    def by_readings(self) -> Floats:
        """Covariance (step, step) [1] of tared indications, if readings have a variance of 1."""
        return np.eye(len(self.share)) + self.share @ self.share.T

    @property
    def by_wander(self) -> Floats:
        """Covariance (step, step) [s] of tared indications, if zeros wander by 1 per root second.

        A random walk that is known at the tares: between two of them a Brownian bridge.
        """
        time = np.concatenate([self.step_time, self.tare_time])
        walk = np.minimum.outer(time, time) - np.min(time)
        taken = np.hstack([np.eye(len(self.share)), -self.share])
        return np.asarray(taken @ walk @ taken.T)


def tared(sheet: PullSheet, rows: NDArray[np.int64], gauges: list[int]) -> tuple[Floats, Taring]:
    """Indications (step, gauge) [unit] of one pull less its tares interpolated in time, and those.

    `rows` are the pull's in the sheet, `gauges` the columns of its indications.

    Raises DataError: there is no tare before the first load; the message names pull and line.
    """
    is_tare = sheet.phase[rows] == "tare"
    tare, loaded = rows[is_tare], rows[~is_tare]
    if len(tare) == 0 or tare[0] > loaded[0]:
        raise DataError(
            where=f"{sheet.path}, line {sheet.line[loaded[0]]}, corner {sheet.corner[loaded[0]]}, "
            f"pull {sheet.pull[loaded[0]]}",
            found="no tare row before the first load",
            needed="one row with phase tare (strap slack, wheel off the pad) before and after the "
            "loads",
            do="Add the tare row or leave the pull out.",
        )
    clock, seen = sheet.clock, sheet.indication
    each = np.eye(len(tare))
    share = np.column_stack([np.interp(clock[loaded], clock[tare], one) for one in each])
    time = clock[rows]
    if np.any(np.diff(time) <= 0):
        time = np.linspace(time[0], time[-1], len(time))
    taring = Taring(seen[np.ix_(tare, gauges)], time[is_tare], time[~is_tare], share)
    return seen[np.ix_(loaded, gauges)] - share @ taring.indication, taring
