"""Mode of a hub and torque of its brake, by line pressure and wheel speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.vehicle import Corner

BRAKE_ON = 1.0e5  # Pa; residual pressure stays below
STANDS_STILL = 0.5  # rad/s; wheel-speed sensors do not resolve less
# s by which the speed of a wheel may be late that turns again; common practice, no source.
LATE = 0.05


@dataclass(frozen=True, slots=True)
class HubMoment:
    """Mode of a hub and torque of its caliper, all (sample,).

    `mode` is a position in `MODES`, `torque` [N m], and `timing` [N m] what the torque is unsure by
    where pressure and gauges have clocks of their own.
    """

    mode: NDArray[np.int64]
    torque: Floats
    timing: Floats

    @classmethod
    def of_rolling(cls, n: int) -> HubMoment:
        """Of a wheel that no brake holds."""
        return cls(np.zeros(n, dtype=np.int64), np.zeros(n), np.zeros(n))

    @classmethod
    def of_brake(
        cls, log: xr.Dataset, corner: Corner, pressure: Floats, u_clock: float
    ) -> HubMoment:
        """By line pressure (sample,) [Pa]; `u_clock` [s] is that of the gauges on the log's."""
        out, k = cls.of_rolling(len(pressure)), corner.brake.torque_per_pressure
        timing = max(u_clock, u_clock_of(log, "brake_pressure"))
        braked = np.flatnonzero(_near(log, pressure > BRAKE_ON, timing))  # not where it is NaN
        out.mode[braked] = 1
        if np.isfinite(k):
            out.torque[braked] = k * np.nan_to_num(pressure[braked])
            out.timing[:] = _by_timing(log, k * np.nan_to_num(pressure), timing)
        if "wheel_speed" in log and corner.name in log.get_index("corner"):
            at = log.get_index("corner").get_loc(corner.name)
            stands = np.abs(log["wheel_speed"].to_numpy()[:, at]) < STANDS_STILL
            unsure = COVERAGE_FACTOR * max(u_clock, u_clock_of(log, "wheel_speed"), timing)
            rests = still_locked(stands, log["elapsed_time"].to_numpy(), unsure)
            locked = braked[rests[braked]]
            out.mode[locked], out.torque[locked], out.timing[locked] = 2, 0.0, 0.0
        return out


def u_clock_of(log: xr.Dataset, channel: str) -> float:
    """Standard uncertainty [s] of the clock of a channel on that of the log."""
    return float(log[channel].attrs.get("u_clock", 0.0))


def _near(log: xr.Dataset, flag: NDArray[np.bool_], u_clock: float) -> NDArray[np.bool_]:
    """Samples (sample,) [1] at which a `flag` may be set, by a clock known to `u_clock` [s]."""
    if u_clock == 0.0:
        return flag
    from scipy.ndimage import maximum_filter1d

    reach = int(np.ceil(COVERAGE_FACTOR * u_clock * float(log.attrs["rate"])))
    return np.asarray(maximum_filter1d(flag, 2 * reach + 1))


def _by_timing(log: xr.Dataset, torque: Floats, u_clock: float) -> Floats:
    """Root mean square (sample,) of what a `torque` differs by from the time that was meant."""
    if u_clock == 0.0:
        return np.zeros(len(torque))
    from scipy.ndimage import gaussian_filter1d

    width = u_clock * float(log.attrs["rate"])
    mean, square = (gaussian_filter1d(x, width, mode="nearest") for x in (torque, torque**2))
    return np.asarray(np.sqrt(np.maximum(square - 2.0 * torque * mean + torque**2, 0.0)))


def maybe_braked(log: xr.Dataset, n: int) -> NDArray[np.bool_]:
    """Samples (n,) [1] in which a brake without a pressure sensor may be on.

    The pedal works both lines: where that of the other axle is logged, while it has pressure;
    otherwise nobody knows, and the hub's moment is open throughout.
    """
    if "brake_pressure" not in log:
        return np.ones(n, dtype=bool)
    pressure = log["brake_pressure"].to_numpy()
    pressure = pressure[:, np.isfinite(pressure).any(axis=0)]
    if not pressure.size:
        return np.ones(n, dtype=bool)
    on = np.asarray(~(pressure <= BRAKE_ON).all(axis=1))
    return _near(log, on, u_clock_of(log, "brake_pressure"))


def still_locked(stands: NDArray[np.bool_], time: Floats, unsure: float = 0.0) -> NDArray[np.bool_]:
    """Samples (sample,) at which a wheel that `stands` (sample,) by its sensor surely does [1].

    `time` (sample,) [s].  The sensors of a brake control are late and see no slow wheel: one that
    is about to turn again by its log turns already, and its spin takes more than the road asks of a
    locked one.  Then the moment that the hub passes is that of the brake.  A clock that is
    `unsure` [s] may have the wheel turn earlier or later by that.
    """
    turns = np.concatenate([[-np.inf], time[~stands], [np.inf]])
    after = np.searchsorted(turns, time)
    rests = (turns[after] - time > LATE + unsure) & (time - turns[after - 1] > unsure)
    return np.asarray(stands & rests)
