"""The clock of one logger on that of another, from channels that both have or that must agree.

The offset is found first: it is the lag at which the channels correlate best.  Offset and drift
are then fitted together by robust least squares to what the second logger recorded, each
channel with a gain and a bias of its own, because two sensors never agree exactly.  The
uncertainty is that of the fit with residuals that are correlated over some seconds (blocks of
time taken as independent), plus the delay by which channels of one logger may differ.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.carrying import Channel
from recon.conditioning.lag import COMPARED, FEWEST, LIKE, Pair, first_lag, pair_of
from recon.conditioning.shared_signals import shared_signals

U_DRIFT = 50e-6  # prior: quartz clocks of loggers; common practice, no source
FASTEST_DRIFT = 500e-6  # beyond which a clock is not looked for, and one that is found is doubtful
U_DELAY = 1e-3  # s, between channels of one logger; common practice, no source
DELAY_SHARE = 0.1  # of the second log's step: single samples or means? common practice, no source
STEP = 1e-3  # s to either side, for slopes: shorter ones drown in the kinks of the interpolation
BLOCK = 2.0  # s; residuals further apart than this are independent
WINDOWS = 12  # in which the lag is shown


@dataclass(frozen=True, slots=True)
class Agreement:
    """One pair of channels after alignment, on the first log's clock.

    `time` (point,) [s], the channel of the second log `seen` and what the first log makes of it,
    `expected`, both (point,) in the unit of the second log's channel; `before` (point,) is what
    the first log makes of it without any alignment, NaN where it has nothing.  `gain` is the
    ratio of the first log's channel to the second's, `like` the share of the variance explained.
    """

    names: tuple[str, str]
    unit: str
    time: Floats
    seen: Floats
    expected: Floats
    before: Floats
    gain: float
    like: float


@dataclass(frozen=True, slots=True)
class Clock:
    """The clock of a log on that of the first.

    A time `own` of this log is `middle + offset + (1 + drift) (own - middle)` on the first's clock.

    `offset` [s] is that in the middle of the overlap, at the own time `middle` [s]; `drift` is
    relative (1e-6 is 1 ppm, positive if the own clock is slow).  `u_offset` [s] and `u_drift`
    are standard uncertainties of the fit; `delay` [s] is that of lags between the channels
    themselves.
    `windows` (window, 3) hold the middle [s], the lag left after alignment [s] and its standard
    uncertainty [s] of parts of the overlap.
    """

    path: str = ""
    middle: float = 0.0
    offset: float = 0.0
    drift: float = 0.0
    u_offset: float = 0.0
    u_drift: float = 0.0
    delay: float = U_DELAY
    agreements: tuple[Agreement, ...] = ()
    windows: Floats = field(default_factory=lambda: np.empty((0, 3)))

    def on_first(self, own: Floats) -> Floats:
        """Times of the own clock (sample,) [s] on the first log's clock [s]."""
        return self.middle + self.offset + (1.0 + self.drift) * (own - self.middle)

    @property
    def start(self) -> float:
        """Time on the first log's clock at which the own clock shows zero [s]."""
        return float(self.on_first(np.zeros(1))[0])

    def u(self, own: Floats) -> float:
        """Standard uncertainty of the alignment, root mean square over own times (sample,) [s]."""
        away = self.u_drift * (own - self.middle)
        return float(np.sqrt(self.u_offset**2 + np.mean(away**2) + self.delay**2))

    @property
    def started(self) -> str:
        """When the log started by the first one's clock, in words."""
        way = "late" if self.start > 0 else "early"
        return f"{Path(self.path).name} started {abs(self.start):.3f} s {way}"

    @property
    def within(self) -> float:
        """Half-width [s] of the 95 % interval of the alignment, in the middle of both logs."""
        return COVERAGE_FACTOR * float(np.hypot(self.u_offset, self.delay))

    @property
    def pace(self) -> str:
        """How fast or slow the own clock is, in words."""
        half = 1e6 * COVERAGE_FACTOR * self.u_drift
        return (
            f"{1e6 * abs(self.drift):.0f} +-{half:.0f} ppm {'slow' if self.drift > 0 else 'fast'}"
        )


def in_words(clock: Clock, first: str) -> str:
    """Offset, drift and uncertainty of a clock; `first` is the log that it is set to."""
    best = max(clock.agreements, key=lambda a: a.like)
    by = best.names[0] if best.names[0] == best.names[1] else f"{best.names[0]} and {best.names[1]}"
    return (
        f"{clock.started} by the clock of {Path(first).name}, and its clock is {clock.pace}; "
        "aligned within "
        f"+-{1e3 * clock.within:.1f} ms (95 %) by {by}"
    )


def align(first: xr.Dataset, second: xr.Dataset) -> Clock:
    """Find the clock of the second log on that of the first.

    Logs (elapsed_time, gauge) are as `read_log` returns them: SI units, time in [s] on the own
    clock.

    Raises DataError: the logs have no channel in common, the channels do not agree at any offset,
    or they agree at several.
    """
    where = f"{second.attrs.get('path', 'log')} beside {first.attrs.get('path', 'log')}"
    tried: list[Pair] = []
    # A channel in both logs that hardly moves does not count: lateral acceleration of a launch.
    for same in (True, False):
        found = [pair_of(shared) for shared in shared_signals(first, second, same=same)]
        tried += found
        if pairs := _least_lagging([pair for pair in found if pair.moves]):
            break
    else:
        raise _not_comparable(where, tried)
    lag = first_lag(pairs, where)
    own = np.concatenate([pair.time for pair in pairs])
    base = pairs[0].smooth[0].time
    seen = own[(own + lag >= base[0]) & (own + lag <= base[-1])]
    middle = float(0.5 * (seen.min() + seen.max())) if len(seen) else float(own.mean())
    pairs = [p for p in pairs if p.unexplained(p.time + lag) < LIKE] or pairs
    path = str(second.attrs.get("path", "log"))
    start = Clock(path, middle, lag, delay=_delay(pairs))
    start = _best_drift(pairs, start, float(np.ptp(own)))
    return _refined(pairs, start, where)


def _least_lagging(pairs: list[Pair]) -> list[Pair]:
    least = min((pair.shared.u_lag for pair in pairs), default=0.0)
    return [pair for pair in pairs if pair.shared.u_lag == least]


def _not_comparable(where: str, pairs: list[Pair]) -> DataError:
    """The refusal of logs none of whose pairs of signals can be compared in time."""
    needed = (
        "one channel in both, or two that must agree (gauges or hub_acceleration and "
        "acceleration, acceleration_y and yaw_rate with speed, speed and wheel_speed)"
    )
    if short := [pair for pair in pairs if pair.lacks]:
        pair = min(short, key=lambda one: len(one.smooth))
        return DataError(
            where,
            f"too few samples to compare: {pair.lacks}",
            f"more than {FEWEST * len(pair.smooth)}, of which those closer together than "
            f"{0.5 / COMPARED:.2g} s count as one; or {needed}",
            "Record for longer, let the slow logger record faster, or log one signal with both.",
        )
    return DataError(
        where,
        "no channel that moves and that both logs have",
        needed,
        "Log one signal with both loggers, or name the column in the column map.",
    )


# --- offset and drift -----------------------------------------------------------------------


def _best_drift(pairs: list[Pair], clock: Clock, span: float) -> Clock:
    """The drift at which the channels agree best, where a drive is so long that it matters."""
    tenth = 0.1 / max(0.5 * span, 1e-9)  # moves the ends by a tenth of a second
    if tenth >= FASTEST_DRIFT:
        return clock
    steps = np.arange(-np.ceil(FASTEST_DRIFT / tenth), np.ceil(FASTEST_DRIFT / tenth) + 1) * tenth
    clocks = [replace(clock, drift=float(d)) for d in steps]
    return min(clocks, key=lambda c: sum(pair.unexplained(c.on_first(pair.time)) for pair in pairs))


def _refined(pairs: list[Pair], start: Clock, where: str) -> Clock:
    """Offset and drift by robust least squares, with their uncertainty."""
    from scipy.optimize import least_squares

    half = 0.5 * max(float(np.ptp(np.concatenate([pair.time for pair in pairs]))), 1.0)

    def clock_of(x: Floats) -> Clock:
        moved = start.offset + x[0], start.drift + x[1] / half
        return replace(start, offset=float(moved[0]), drift=float(moved[1]))

    def misfits(x: Floats) -> Floats:
        clock = clock_of(x)
        prior = clock.drift / U_DRIFT
        parts = [
            pair.fitted(clock.on_first(pair.time), s).misfit
            for pair, s in zip(pairs, sigma, strict=True)
        ]
        return np.append(np.concatenate(parts), prior)

    def slopes_at(x: Floats) -> Floats:
        steps = STEP * np.eye(2)
        return np.stack([(misfits(x + d) - misfits(x - d)) / (2 * STEP) for d in steps], axis=1)

    x = np.zeros(2)
    for _ in range(2):
        sigma = [_misfit_size(pair, clock_of(x)) for pair in pairs]
        found = least_squares(misfits, x, loss="soft_l1", x_scale=[1e-2, 1e-2], jac=slopes_at)
        x = found.x
    sigma = [_misfit_size(pair, clock_of(x)) for pair in pairs]
    clock = clock_of(x)
    slopes = slopes_at(x)
    own = np.concatenate([pair.time for pair in pairs])
    covariance = _covariance(slopes, misfits(x), own)
    u_offset, u_drift = np.sqrt(np.diag(covariance)) / (1.0, half)
    agreements = tuple(_agreement(pair, clock) for pair in pairs)
    _require_likeness(agreements, where)
    return replace(
        clock,
        u_offset=float(u_offset),
        u_drift=float(u_drift),
        agreements=agreements,
        windows=_windows(slopes[:-1, 0], misfits(x)[:-1], clock.on_first(own)),
    )


def _delay(pairs: list[Pair]) -> float:
    """Standard uncertainty of lags that are none of the clocks' [s]."""
    lag = max(pair.shared.u_lag for pair in pairs)
    step = max(Channel.of(*pair.shared.second, "").step for pair in pairs)
    return float(np.linalg.norm([U_DELAY, DELAY_SHARE * step, lag]))


def _misfit_size(pair: Pair, clock: Clock) -> float:
    """Robust standard deviation of the misfit in the unit of the second log's channel.

    Signals that lag by themselves do so otherwise in every corner, which looks like a clock that
    drifts: they are taken to tell the lag no better than `u_lag` in each block of time.
    """
    times = clock.on_first(pair.time)
    fit = pair.fitted(times)
    there = fit.misfit[np.isfinite(fit.expected)]
    spread = 1.4826 * float(np.median(np.abs(there))) if there.size else 0.0
    later, earlier = (pair.fitted(times + step).misfit for step in (STEP, -STEP))
    slope = float(np.linalg.norm(later - earlier)) / (2 * STEP)
    blocks = max(float(np.ptp(pair.time)) / BLOCK, 1.0)
    lagging = pair.shared.u_lag * slope / blocks**0.5
    return max(spread, lagging, 1e-6 * float(np.std(pair.values)), 1e-300)


def _covariance(slopes: Floats, misfit: Floats, time: Floats) -> Floats:
    """Covariance (2, 2) of least squares whose residuals are independent from block to block.

    The last row of `slopes` and `misfit` is the prior of the drift.  It is the sandwich of
    Huber (1967) with sums over blocks of time.
    """
    bread = np.linalg.inv(slopes.T @ slopes)
    block = np.floor((time - time.min()) / BLOCK).astype(np.int64)
    pulls = slopes[:-1] * misfit[:-1, None]
    sums = np.stack([np.bincount(block, pulls[:, k]) for k in range(2)], axis=1)
    used = int(np.count_nonzero(np.any(sums != 0, axis=1)))
    correction = used / max(used - 2, 1)
    inside = correction * sums.T @ sums + slopes[-1][:, None] * slopes[-1]
    # With few blocks the sandwich may be too small by chance; plain least squares is a floor.
    return np.asarray(np.maximum(bread @ inside @ bread, bread * np.eye(2)))


def _agreement(pair: Pair, clock: Clock) -> Agreement:
    times = clock.on_first(pair.time)
    fit = pair.fitted(times)
    before = fit.weights @ pair.at(pair.time) + fit.bias
    return Agreement(
        pair.shared.names, pair.shared.unit, times, pair.values, fit.expected, before, fit.gain,
        1.0 - pair.unexplained(times),
    )  # fmt: skip


def _require_likeness(agreements: tuple[Agreement, ...], where: str) -> None:
    best = max(agreements, key=lambda a: a.like)
    if best.like < LIKE:
        raise DataError(
            where,
            f"channels that do not agree ({best.names[0]} and {best.names[1]}: "
            f"{100 * best.like:.0f} % of the variance at best)",
            f"at least {100 * LIKE:.0f} %",
            "Check that both files are of one drive, and the columns of these channels.",
        )


def _windows(slope: Floats, misfit: Floats, time: Floats) -> Floats:
    """Lag left in each window of time: middle, lag and its standard uncertainty [s]."""
    edges = np.linspace(time.min(), time.max() + 1e-9, WINDOWS + 1)
    rows = []
    for low, high in pairwise(edges):
        here = (time >= low) & (time < high) & (misfit != 0)
        weight = float((slope[here] ** 2).sum())
        if weight > 0:
            lag = -float((slope[here] * misfit[here]).sum()) / weight
            scatter = float(np.mean(misfit[here] ** 2)) ** 0.5
            rows.append((0.5 * (low + high), lag, max(scatter, 1.0) * 2.0 / np.sqrt(weight)))
    return np.array(rows).reshape(-1, 3)
