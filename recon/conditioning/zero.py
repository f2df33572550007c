"""Tares: the zero of every gauge along the log, and how well it is known.

A tare says in which state it was taken: hanging (unsprung weight on the links) or on pads.
Between a tare before and one after, the zero follows the gauge's temperature where it was
logged and moved by more than a kelvin, else time.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning
from recon.base.uncertainty import common_scale

if TYPE_CHECKING:
    from recon.records.sheets import Tares

ENOUGH_WARMING = 1.0  # K
ENOUGH_READ = 8  # temperatures, for a cubic in time
ENOUGH_SAMPLES = 20_000  # spread over a log, for what hardly changes from one to the next
# Between two tares the zero may leave the straight line by this much of the change that was
# seen, as a standard uncertainty: a rectangular distribution as wide as the change where time
# alone is known, half as wide where the gauges' temperature tells the course.  Common practice,
# no source.
BY_TIME, BY_TEMPERATURE = 1 / np.sqrt(12.0), 0.5 / np.sqrt(12.0)
# One tare only: the zero may wander by this much of the largest reading seen, common
# practice, no source.
LONE_TARE = 0.003


@dataclass(frozen=True, slots=True)
class Zero:
    """Zeros of the gauges of one corner.

    `value` (sample, gauge), `u` (gauge,), `noise` (gauge,) scatter of single samples, `state`
    of the tare, `pad_load` [N], `temperature` [degC].
    """

    value: Floats
    u: Floats
    noise: Floats
    state: str
    pad_load: float
    temperature: float


def zero_of(
    tares: Tares,
    gauges: tuple[str, ...],
    elapsed: Floats,
    temperature: Floats | None,
    raw: Floats,
) -> Zero:
    """Zero of each gauge at every sample of the log.

    Parameters
    ----------
    tares : Tares
    gauges : of one corner
    elapsed : (sample,)
        Time of the log. [s]
    temperature : (sample,) or None
        Temperature at the gauges. [degC]
    raw : (sample, gauge)
        Indications of the log, whose excursion sizes the drift that a lone tare cannot show.

    Raises
    ------
    DataError
        A gauge has no tare; the message names it.
    """
    before, after = _rows_in_one_state(tares, gauges)
    first = before if before is not None else after
    if first is None:
        raise DataError(
            tares.path,
            f"no tare of gauge {_first_missing(tares, gauges)}",
            "a tare of every gauge, before or after the drive, better both",
            "Add the row, or take the gauge out of the vehicle file.",
        )
    state = str(tares.state[first[0]])
    noise = tares.sd[first]
    value = np.broadcast_to(tares.indication[first], (len(elapsed), len(gauges)))
    if before is None or after is None:
        warnings.warn(
            f"{tares.path}: one tare only for {gauges[0]} and its corner ({state}; both times "
            f"must be in one state); drift of the zero is not known and {100 * LONE_TARE:.1f} % of "
            "the largest reading is taken for it. Tare again after the drive.",
            DataWarning,
            stacklevel=3,
        )
        u = LONE_TARE * np.nanmax(np.abs(raw - np.nanmedian(raw, axis=0)), axis=0)
    else:
        change = tares.indication[after] - tares.indication[first]
        share, spread = _share(tares, first, after, elapsed, temperature)
        value = (tares.indication[first][:, None] + change[:, None] * share).T
        # A few gauges' changes are pooled: one that happened to return is no better known.
        size = common_scale(np.nanmax(raw, axis=0) - np.nanmin(raw, axis=0))
        u = size * spread * float(np.sqrt(np.mean((change / size) ** 2)))
    return Zero(
        value=np.asarray(value),
        u=u,
        noise=noise,
        state=state,
        pad_load=float(tares.pad_load[first[0]]),
        temperature=float(np.mean(tares.temperature[first])),
    )


Rows = NDArray[np.int64] | None


def _rows_in_one_state(tares: Tares, gauges: tuple[str, ...]) -> tuple[Rows, Rows]:
    """Rows before and after, all gauges of the corner in one state.

    Tares in different states carry different loads and are no drift.  Hanging is the better
    zero where both states were recorded.
    """
    found = [
        (_rows(tares, gauges, "before", state), _rows(tares, gauges, "after", state))
        for state in ("hanging", "pads")
    ]
    whole = [f for f in found if f[0] is not None and f[1] is not None]
    part = [f for f in found if f[0] is not None or f[1] is not None]
    return (whole or part or [(None, None)])[0]


def _rows(tares: Tares, gauges: tuple[str, ...], when: str, state: str) -> Rows:
    rows = []
    for gauge in gauges:
        chosen = (tares.gauge == gauge) & (tares.when == when) & (tares.state == state)
        if not np.any(chosen):
            return None
        rows.append(int(np.argmax(chosen)))
    return np.array(rows)


def _first_missing(tares: Tares, gauges: tuple[str, ...]) -> str:
    missing = [g for g in gauges if not np.any(tares.gauge == g)]
    return missing[0] if missing else gauges[0]


def _share(
    tares: Tares,
    first: NDArray[np.int64],
    after: NDArray[np.int64],
    elapsed: Floats,
    temperature: Floats | None,
) -> tuple[Floats, float]:
    """How far the zero has gone from the first tare to the second, (sample,), and its spread."""
    start, end = float(tares.temperature[first[0]]), float(tares.temperature[after[0]])
    read = temperature is not None and np.count_nonzero(np.isfinite(temperature)) >= ENOUGH_READ
    if temperature is not None and read and abs(end - start) > ENOUGH_WARMING:
        return (_smooth(temperature, elapsed) - start) / (end - start), BY_TEMPERATURE
    span = max(elapsed[-1] - elapsed[0], 1e-9)
    return (elapsed - elapsed[0]) / span, BY_TIME


def _smooth(temperature: Floats, elapsed: Floats) -> Floats:
    """Links warm within seconds, not milliseconds: a cubic in time takes the sensor's noise out."""
    from numpy.polynomial import Polynomial

    good = np.flatnonzero(np.isfinite(temperature))
    good = good[:: max(len(good) // ENOUGH_SAMPLES, 1)]
    return np.asarray(Polynomial.fit(elapsed[good], temperature[good], 3)(elapsed))
