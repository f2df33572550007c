"""The day of `tests.days` with its raw indications or a channel spoiled, and what is found then."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
import xarray as xr

import recon.examination.examine as examining
from recon.calibration.calibrated import Calibration
from recon.conditioning.condition import condition
from recon.examination.examine import Examination, examine
from recon.examination.view import View, view_of
from recon.reconstruction.prepare import prepare
from tests.days import day, unwarned
from tests.kept_solvers import remembered

Spoil = Callable[[np.ndarray], None]  # raw indications (sample, gauge), changed in place
GAUGES = tuple(map(str, day().log["gauge"].to_numpy()))


@cache
def sound() -> View:
    """The day as it is."""
    with unwarned():
        return view_of(prepare(day().calibration, day().car, day().conditioned), day().conditioned)


def spoiled_log(spoil: Spoil) -> xr.Dataset:
    """The day's conditioned log with its raw indications changed by `spoil`."""
    log = day().log.copy(deep=True)
    spoil(log["indication"].to_numpy())
    return condition(log, day().car, day().tares)


def examined(spoil: Spoil) -> Examination:
    """What the examination finds in the spoiled log."""
    return examination_of(spoiled_log(spoil), day().calibration)


def examination_of(log: xr.Dataset, calibration: Calibration) -> Examination:
    """Doubts and comparisons of a conditioned log; what may stay unseen is left out."""
    with unwarned(), remembered(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(examining, "unseen", lambda *_: ())
        prepared = prepare(calibration, day().car, log)
        return examine(prepared, log, prepared.solve(log))


def exchange(i: int, j: int) -> Spoil:
    """Two gauges exchanged."""

    def spoil(raw: np.ndarray) -> None:
        raw[:, [i, j]] = raw[:, [j, i]]

    return spoil


def scale(i: int, factor: float) -> Spoil:
    """One gauge times a factor."""

    def spoil(raw: np.ndarray) -> None:
        raw[:, i] *= factor

    return spoil
