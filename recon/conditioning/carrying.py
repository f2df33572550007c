"""Carry a channel from its own times to others, over no more than a bounded interval."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.car.vehicle import Sensors

HELD = ("gear", "lap", "marker")  # channels of steps, which keep their last value in between
FILLED_STEPS = 2.5  # own steps between two samples that are filled: one sample may be lost
ENOUGH_LEFT_OUT = 4  # samples of which every second can be left out to see the error
BANDS = 2.0 ** np.arange(-6, 1)  # of half the channel's own rate, up to which its error is known
BELOW = "u_filled_below"  # attribute: errors of each axis of a channel up to each of `BANDS`
EACH = "u_filled_each"  # attribute: the same of each axis, at the bandwidth of the forces
TIMING = ("from_log", "own_step", "u_clock", "u_filled", "carried")  # attributes, see `timing_of`


@dataclass(frozen=True, slots=True)
class Channel:
    """Samples of a channel that hold a number: `time` [s] and `values`, both (own sample,).

    `held` channels keep their last value between two samples, others follow a curve that never
    overshoots them.
    """

    time: Floats
    values: Floats
    held: bool = False

    @classmethod
    def of(cls, time: Floats, values: Floats, name: str) -> Channel:
        """The samples (sample,) of the channel `name` that hold a number."""
        good = np.isfinite(values)
        return cls(time[good], values[good], name in HELD)

    @property
    def step(self) -> float:
        """Usual time between two samples [s]; NaN with fewer than two."""
        return float(np.median(np.diff(self.time))) if len(self.time) > 1 else float("nan")

    def at(self, times: Floats, reach: float, *, ends: bool = True) -> Floats:
        """Values at the given times (sample,) [s].

        They are NaN unless two own samples no further apart than `reach` [s] enclose them.  With
        `ends`, the first and the last sample stand for one own step before and after them.
        """
        out = np.full(len(times), np.nan)
        if len(self.time) < 2:
            return out
        wanted = between(self.time, times, reach)
        if ends:
            outside = np.maximum(self.time[0] - times, times - self.time[-1])
            wanted |= (outside > 0) & (outside <= self.step)
        out[wanted] = self._between_samples(times[wanted])
        return out

    def errors(self) -> Floats:
        """Standard uncertainties (band,) of values between samples [unit of the channel].

        They are those of leaving out every second sample, so that they hold where one is lost and
        are upper limits elsewhere.
        """
        if self.held or len(self.time) <= ENOUGH_LEFT_OUT:
            return np.zeros(len(BANDS))
        from scipy.fft import next_fast_len, rfft

        rest = Channel(self.time[::2], self.values[::2])
        wrong = rest._between_samples(self.time[1:-1:2]) - self.values[1:-1:2]
        series = np.zeros(2 * len(wrong))
        series[1::2] = wrong  # the samples that were kept are right
        passed = np.cumsum(np.abs(rfft(series, next_fast_len(len(series), real=True))) ** 2)
        upto = np.rint(BANDS * (len(passed) - 1)).astype(np.int64)
        share = passed[upto] / max(float(passed[-1]), np.finfo(float).tiny)
        return np.asarray(np.sqrt(np.mean(wrong**2) * share))

    def pace(self) -> float:
        """Root mean square of the rate of change, in the channel's unit per second.

        Noise is kept out of it by taking the rate between means of a tenth of a second.
        """
        if self.held or len(self.time) < 2:
            return 0.0
        size = max(int(0.1 / self.step), 1)
        count = len(self.time) // size
        if count < 2:
            return 0.0
        time, values = (
            x[: count * size].reshape(count, size).mean(axis=1) for x in (self.time, self.values)
        )
        return float(np.sqrt(np.mean((np.diff(values) / np.diff(time)) ** 2)))

    def _between_samples(self, times: Floats) -> Floats:
        from scipy.interpolate import PchipInterpolator

        if self.held:
            last = np.searchsorted(self.time, times, side="right") - 1
            return np.asarray(self.values[np.clip(last, 0, None)])
        if len(self.time) < 3:
            return np.interp(times, self.time, self.values)
        inside = np.clip(times, self.time[0], self.time[-1])
        return np.asarray(PchipInterpolator(self.time, self.values)(inside))


def u_clock_of_gauges(channel: xr.DataArray, gauges: Iterable[str]) -> float:
    """Standard uncertainty [s] of the clock of some gauges on that of the log.

    `channel` has the attributes of `timing_of`; zero where none of them came from another logger.
    """
    carried = set(channel.attrs.get("carried", [])) & set(gauges)
    return float(channel.attrs["u_clock"]) if carried else 0.0


def timing_of(channel: xr.DataArray) -> dict[str, object]:
    """Attributes of a channel that was filled between its samples or comes from another log."""
    return {key: channel.attrs[key] for key in TIMING if key in channel.attrs}


def filled_attributes(channel: xr.DataArray, own_step: float, errors: Floats) -> dict[str, object]:
    """Attributes of a `channel` with these `errors` (column, band) [unit of the channel].

    Axes are kept apart; of several corners, which may be left out later, the worst one counts.
    """
    axes = channel.sizes.get("component", 1)
    worst = errors.reshape(-1, axes, len(BANDS)).max(axis=0)
    slow = {"own_step": own_step} if own_step else {}
    return {**slow, "u_filled": float(worst[:, -1].max()), BELOW: worst.ravel().tolist()}


def at_bandwidth(attributes: dict[str, object], bandwidth: float) -> dict[str, object]:
    """Attributes of a channel that was filled or carried, its errors below `bandwidth` [Hz]."""
    out = dict(attributes)
    errors = np.reshape(np.asarray(out.pop(BELOW), dtype=float), (-1, len(BANDS)))
    upto = 2.0 * bandwidth * float(np.asarray(out.get("own_step", np.inf)))
    each = [float(np.interp(upto, BANDS, error)) for error in errors]
    return out | {"u_filled": max(each), EACH: each}


def widened(sensors: Sensors, log: xr.Dataset) -> Sensors:
    """Stated errors of the sensors, wider by the error of values that were filled or carried.

    The attribute `u_filled` of a channel holds this error in the channel's unit.  Each axis of a
    hub has its own, see `u_of_hub`.
    """

    def more(stated: float, *channels: str) -> float:
        found = [float(log[c].attrs.get("u_filled", 0.0)) for c in channels if c in log]
        return float(np.hypot(stated, max(found, default=0.0)))

    body = () if "hub_acceleration" in log else ("acceleration",)
    return replace(
        sensors,
        u_travel=more(sensors.u_travel, "travel"),
        u_steer=more(sensors.u_steer, "steer"),
        u_attitude=more(sensors.u_attitude, "roll", "pitch"),
        u_hub_acceleration=more(sensors.u_hub_acceleration, *body),
    )


def u_of_hub(sensors: Sensors, log: xr.Dataset) -> Floats:
    """Fixed errors (xyz,) [m/s2] of the acceleration of a hub, with what filling adds to each."""
    added = log["hub_acceleration"].attrs.get(EACH, 0.0) if "hub_acceleration" in log else 0.0
    return np.asarray(np.hypot(np.full(3, sensors.u_hub_acceleration), added))


def reach_of(step: float) -> float:
    """Longest interval [s] between samples a `step` [s] apart that is filled."""
    return FILLED_STEPS * step


def between(own: Floats, times: Floats, reach: float) -> NDArray[np.bool_]:
    """Times (sample,) [s] enclosed by two of the `own` times no further apart than `reach` [s]."""
    if len(own) < 2:
        return np.zeros(len(times), dtype=bool)
    after = np.searchsorted(own, times)
    inside = (after < len(own)) & (times >= own[0])
    after = np.clip(after, 1, len(own) - 1)
    exact = own[after] == times
    return np.asarray(inside & (exact | (own[after] - own[after - 1] <= reach)))
