"""The zero of every gauge along the log, from the tares, and its standard uncertainty.

Each tare states how the wheel stood: hanging (the unsprung weight loads the links) or on pads.
Between a tare before the drive and one after it, the zero is interpolated over the gauges'
temperature if that was logged and changed by more than a kelvin, otherwise over time.
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
ENOUGH_READ = 8  # temperature readings needed to fit a cubic in time
ENOUGH_SAMPLES = 20_000  # spread over a log, enough to fit a slow signal or estimate noise
# Standard uncertainty of the interpolated zero, as a share of the zero's change between the two
# tares: a rectangular distribution as wide as the change if interpolated over time, half as wide
# if interpolated over temperature.  Common practice, no source.
BY_TIME, BY_TEMPERATURE = 1 / np.sqrt(12.0), 0.5 / np.sqrt(12.0)
# Standard uncertainty of the zero with a single tare, as a share of the largest indication.
# Common practice, no source.
LONE_TARE = 0.003


@dataclass(frozen=True, slots=True)
class Zero:
    """Zeros of the gauges of one assembly, in each gauge's unit.

    `value` (sample, gauge) and its standard uncertainty `u` (gauge,); `noise` (gauge,), the
    standard deviation of single samples, NaN if not recorded; `state` of the tare, `hanging` or
    `pads`; `pad_load` [N], NaN if hanging; `temperature` at the tare [degC].
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
    """Zero of each gauge of one assembly at every sample of the log.

    Parameters
    ----------
    tares : Tares
    gauges : tuple of str
        Names of the gauges of one assembly.
    elapsed : (sample,)
        Time of the log.  [s]
    temperature : (sample,) or None
        Temperature at the gauges.  [degC]
    raw : (sample, gauge)
        Indications in the log.  With a single tare their range determines the uncertainty of the
        zero.

    Returns
    -------
    Zero

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
            "a tare of every gauge before or after the drive, preferably both",
            "Add the row to the tare table, or remove the gauge from the vehicle file.",
        )
    state = str(tares.state[first[0]])
    noise = tares.sd[first]
    value = np.broadcast_to(tares.indication[first], (len(elapsed), len(gauges)))
    if before is None or after is None:
        warnings.warn(
            f"{tares.path}: one tare only for {gauges[0]} and the other gauges of its corner "
            f"(state '{state}'), so the drift of their zeros is unknown; {100 * LONE_TARE:.1f} % "
            "of the largest indication is used as its standard uncertainty. Tare before and "
            "after the drive, both times in the same state.",
            DataWarning,
            stacklevel=3,
        )
        u = LONE_TARE * np.nanmax(np.abs(raw - np.nanmedian(raw, axis=0)), axis=0)
    else:
        change = tares.indication[after] - tares.indication[first]
        share, spread = _share(tares, first, after, elapsed, temperature)
        value = (tares.indication[first][:, None] + change[:, None] * share).T
        # The changes of all gauges are pooled: one that returned to its zero by chance is no
        # better known than the others.
        span = np.nanmax(raw, axis=0) - np.nanmin(raw, axis=0)
        u = spread * np.abs(change)
        moves = span > 0  # a gauge that died has no span to compare its change with
        if moves.any():
            size = common_scale(span[moves])
            u[moves] = size * spread * float(np.sqrt(np.mean((change[moves] / size) ** 2)))
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
    """Rows before and after the drive, with all gauges of the assembly in one state.

    Two tares in different states carry different loads, so their difference is no drift.  If both
    states were recorded, hanging is preferred.
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
    """Share (sample,) of the zero's change that has happened, and its standard uncertainty."""
    start, end = float(tares.temperature[first[0]]), float(tares.temperature[after[0]])
    read = temperature is not None and np.count_nonzero(np.isfinite(temperature)) >= ENOUGH_READ
    if temperature is not None and read and abs(end - start) > ENOUGH_WARMING:
        return (_smooth(temperature, elapsed) - start) / (end - start), BY_TEMPERATURE
    span = max(elapsed[-1] - elapsed[0], 1e-9)
    return (elapsed - elapsed[0]) / span, BY_TIME


def _smooth(temperature: Floats, elapsed: Floats) -> Floats:
    """Temperature (sample,) [degC] as a cubic in time, which removes the sensor's noise."""
    from numpy.polynomial import Polynomial

    good = np.flatnonzero(np.isfinite(temperature))
    good = good[:: max(len(good) // ENOUGH_SAMPLES, 1)]
    return np.asarray(Polynomial.fit(elapsed[good], temperature[good], 3)(elapsed))
