"""One launch measured: forces of the driven tyres and axles, slip, catch, distance, wheel hop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.alternatives import MANY_DRAWS, Drive
from recon.evaluation.common.estimate import Estimate, independent
from recon.evaluation.common.noise_draws import noise_draws
from recon.evaluation.launch import hop, hop_errors
from recon.evaluation.launch.drive_force import (
    CAUGHT,
    U_TIME,
    caught,
    integral,
    push_of,
    u_crossing,
    u_start,
)
from recon.evaluation.launch.driven_tyres import DrivenTyres
from recon.evaluation.launch.oscillation import phase_between
from recon.evaluation.launch.wheel_slip import Slip, last_true, time_above
from recon.evaluation.sections.find_sections import Section

BEFORE, AFTER = 0.6, 0.3  # s around a launch
FIRST_PULL = 4.0  # s after which a plateau is no longer that of a launch
FEWEST_BEFORE = 0.1  # s before the start, from which the load at rest is read
U_SPEED = 0.005  # of the speed; loggers seldom state it
LARGEST, MEAN = map(hop.QUANTITIES.index, ("largest", "mean"))
CYCLES = hop.QUANTITIES.index("cycles")
TRENDS = [hop.QUANTITIES.index(name) for name in ("growth", "decay")]
OF_SIZE = [hop.QUANTITIES.index(name) for name in ("start", "end", "cycles", "mean")]
# Quantities of every driven tyre and axle, in the order in which `_of_group` returns them.
QUANTITIES = (
    *("peak_drive_force", "plateau_drive_force", "rise_time"),
    *("drive_impulse", "load_gained", "catch_time"),
)


@dataclass(frozen=True, slots=True)
class Driven:
    """A drive, its driven tyres, and how its launches are read.

    `speed` (sample,) [m/s] is NaN where it is not logged.  `least_hop` (driven corner, component)
    [N] is the amplitude that hop must reach, None where the bandwidth would hide it; `in_gap`
    (sample,) is true in and near the gap of a shift.
    """

    forces: xr.Dataset
    drive: Drive
    tyres: DrivenTyres
    speed: Floats
    slip: Slip | None
    bandwidth: float
    threshold: float
    distance: float
    least_hop: Floats | None
    in_gap: NDArray[np.bool_]

    @property
    def time(self) -> Floats:
        """Elapsed time (sample,) [s]."""
        return np.asarray(self.forces["elapsed_time"].to_numpy())


@dataclass(frozen=True, slots=True)
class Window:
    """Times between which a launch is read [s].

    From `begin` to `start` the car has not yet pushed; the first pull lasts until `shift`, the
    launch until `end`; at `passed` the car has driven the distance, and `u_passed` is what a wrong
    speed leaves of that.  `let_go` (group,) are the last times at which slip fell below its
    threshold.
    """

    begin: float
    start: float
    shift: float
    end: float
    passed: float
    u_passed: float
    let_go: Floats


@dataclass(frozen=True, slots=True)
class Launch:
    """A launch: quantities by group (see `QUANTITIES`), then its start [s] and left shares.

    `in_slip` [s] by group.  `hopping` holds what `hop.measured` returns of every event, driven
    corner and component, then the phase [rad] between the sides of every event, axle, component.
    `gone` (sample,) [m] is the distance since the start at `when` [s]; `pull` (sample, tyre) [N] is
    the longitudinal force of the driven tyres at `time` [s], from before the start on.
    """

    section: Section
    window: Window
    quantities: Estimate
    in_slip: Estimate
    events: list[hop.Hop]
    hopping: Estimate | None
    samples: int
    when: Floats
    gone: Floats
    time: Floats
    pull: Floats


def measure(car: Driven, section: Section, shift: float) -> Launch:
    """Measure the launch of a section whose first pull ends at `shift` [s]."""
    time = car.time
    alternatives, step = car.tyres.between(
        car.drive, section.start - BEFORE, section.end + AFTER, car.bandwidth, "xz"
    )
    t, best = alternatives.time, alternatives.best[:, car.tyres.corners]
    total = np.sum(best[..., 0], axis=1)
    shift = min(shift, section.start + FIRST_PULL)
    start = push_of(t, total, section.start - BEFORE, shift).start
    when, gone = _gone(car, start, section.end)
    passed = float(np.interp(car.distance, gone, when, right=np.nan)) if len(when) else np.nan
    u_passed = U_SPEED * car.distance / float(np.interp(passed, car.time, car.speed))
    let_go = _let_go(car, start, shift)
    window = Window(float(t[0]), start, shift, section.end, passed, u_passed, let_go)
    least = car.least_hop
    happened = []
    if least is not None:
        busy = (t < start) | car.in_gap[np.searchsorted(time, t)]
        happened = hop.happened(t, hop.signals_of(t, best), least, busy)

    def all_of(force: Floats) -> Floats:
        driven = force[:, car.tyres.corners]
        return np.concatenate(
            [_quantities(car, window, t, driven), _hopping(car, happened, t, driven)]
        )

    every = alternatives.estimate(all_of)
    count = len(_quantities(car, window, t, best))
    quantities = every.at(slice(0, count)).plus_noise(_reading(car, window, t, best, count))
    hopping = every.at(slice(count, None)) if happened else None
    return Launch(
        section,
        window,
        quantities,
        _in_slip(car, start, shift),
        happened,
        hopping.plus_noise(_hop_reading(car, happened, hopping, t, best)) if hopping else None,
        int(np.isfinite(total).sum()) * step,
        when,
        gone,
        t,
        best[..., 0],
    )


def _quantities(car: Driven, window: Window, time: Floats, force: Floats) -> Floats:
    """`QUANTITIES` of every group, start of the launch, left share of every axle."""
    start = push_of(time, force[..., 0].sum(axis=1), window.begin, window.shift).start
    out = [
        _of_group(window, start, time, force[:, group].sum(axis=1), let_go)
        for group, let_go in zip(car.tyres.groups, window.let_go, strict=True)
    ]
    impulse = integral(time, force[..., 0], window.start, window.shift)
    shares = [impulse[g[0]] / impulse[g].sum() for g in car.tyres.groups if len(g) == 2]
    return np.array([*np.ravel(out), start, *shares])


def _of_group(window: Window, start: float, time: Floats, force: Floats, let_go: float) -> Floats:
    """`QUANTITIES` of the force (sample, component) [N] of a tyre or an axle.

    `start` [s] is that of the launch by the same forces, which the catch is counted from.
    """
    push = push_of(time, force[:, 0], window.begin, window.shift)
    impulse = gained = np.nan
    if np.isfinite(window.passed):
        impulse = float(integral(time, force[:, 0], window.start, window.passed))
    before = window.start - 0.05  # clear of the filter's reach
    if before - window.begin >= FEWEST_BEFORE and np.isfinite(push.up):
        rest = float(np.mean(force[(time >= window.begin) & (time < before), 2]))
        gained = float(np.mean(force[(time >= push.up) & (time <= window.shift), 2])) - rest
    catch = caught(time, force[:, 0], CAUGHT * push.plateau, let_go)
    catch = catch - start if catch <= window.shift else np.nan
    return np.array([push.peak, push.plateau, push.up - push.start, impulse, gained, catch])


def _reading(car: Driven, window: Window, time: Floats, force: Floats, count: int) -> Floats:
    """Standard uncertainty of `_quantities` from sampling, slip and speed; no forces' errors."""
    step = u_crossing(time, car.bandwidth)
    push = push_of(time, force[..., 0].sum(axis=1), window.begin, window.shift)
    early = u_start(push, min(car.bandwidth, float(car.forces.attrs["bandwidth_Hz"])))
    out = np.zeros(count)
    for i, group in enumerate(car.tyres.groups):
        own = force[:, group].sum(axis=1)[:, 0]
        ways = (-COVERAGE_FACTOR, COVERAGE_FACTOR)
        ends = [_let_go(car, window.start, window.shift, way)[i] for way in ways]
        level = CAUGHT * push_of(time, own, window.begin, window.shift).plateau
        best, *others = (caught(time, own, level, end) for end in (window.let_go[i], *ends))
        # Slip may touch its threshold once more a cycle later: the interval reaches to there.
        away = np.nanmax(np.abs(np.subtract(others, best)), initial=0.0)
        place = i * len(QUANTITIES)
        out[place + 2] = step
        if np.isfinite(window.passed):
            at_end = abs(float(np.interp(window.passed, time, own)))
            out[place + 3] = at_end * np.hypot(window.u_passed, U_TIME)
        # Speeds say when slip ended, and gauges when the launch began.
        apart = U_TIME if best == window.let_go[i] else 0.0
        out[place + 5] = np.linalg.norm([away / COVERAGE_FACTOR, step, apart, early])
    out[len(car.tyres.groups) * len(QUANTITIES)] = np.hypot(step, early)
    return out


def _let_go(car: Driven, start: float, shift: float, way: float = 0.0) -> Floats:
    """Last times [s] at which slip fell below its threshold, by group; the later of an axle.

    `way` moves slip by so many standard uncertainties.
    """
    if car.slip is None:
        return np.full(len(car.tyres.groups), np.nan)
    time, value, *parts = _slip_between(car, car.slip, start, shift)
    u = np.hypot(*parts)
    each = np.array([last_true(time, x, car.threshold) for x in (value + way * u).T])
    return np.array([
        np.nanmax(each[g]) if np.isfinite(each[g]).any() else np.nan for g in car.tyres.groups
    ])  # fmt: skip


def _in_slip(car: Driven, start: float, shift: float) -> Estimate:
    """Time in slip by group [s]; of an axle the time in which either of its wheels slips.

    An error of the radius moves both ends of a slide apart, noise moves each by itself.
    """
    if car.slip is None:
        count = len(car.tyres.groups)
        return Estimate(*(np.full(size, np.nan) for size in (count, (1, count), count)))
    time, slip, by_radius, by_noise = _slip_between(car, car.slip, start, shift)

    def lasting(slip: Floats) -> Floats:
        return np.array([
            time_above(time, slip[:, g].max(axis=1), car.threshold) for g in car.tyres.groups
        ])  # fmt: skip

    value, low, high = (lasting(slip + way * by_radius) for way in (0.0, -1.0, 1.0))
    rate, samples = float(car.forces.attrs["rate_Hz"]), np.arange(len(time))
    drawn = noise_draws(samples, slip.shape[1], MANY_DRAWS, car.bandwidth, rate)
    away = [lasting(slip + one * by_noise) - value for some in drawn for one in some]
    noise = np.sqrt(np.mean(np.square(away), axis=0))
    step = 1.0 / rate / np.sqrt(12.0)
    return independent(value, np.hypot(np.hypot((high - low) / 2, noise), step), causes=1)


def _slip_between(
    car: Driven, slip: Slip, start: float, end: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Times (sample,) [s] from `start` to `end`, then slip of the driven tyres as `Slip.at`."""
    inside = slice(*np.searchsorted(car.time, [start, np.nextafter(end, np.inf)]))
    value, by_radius, by_noise = (of[:, car.tyres.corners] for of in slip.at(inside))
    return car.time[inside], value, by_radius, by_noise


def _gone(car: Driven, start: float, end: float) -> tuple[Floats, Floats]:
    """Times [s] from the start on, until well after the launch, and distance since then [m]."""
    inside = (car.time >= start) & np.isfinite(car.speed)
    time, speed = car.time[inside], car.speed[inside]
    if len(time) < 2 or time[0] > end:
        return np.empty(0), np.empty(0)
    steps = np.diff(time) * (speed[1:] + speed[:-1]) / 2
    return time, np.concatenate([[0.0], np.cumsum(steps)]) + speed[0] * (time[0] - start)


def _hopping(car: Driven, happened: list[hop.Hop], time: Floats, force: Floats) -> Floats:
    """Quantities of every event, driven corner and component, then phases between sides.

    A component that does not hop on both sides has no phase between them.
    """
    if not happened or car.least_hop is None:
        return np.empty(0)
    alternating = hop.signals_of(time, force)
    found = hop.found_in(time, alternating, np.full_like(car.least_hop, hop.LEAST))
    signals = [(k, j) for k in range(len(car.tyres.corners)) for j in range(2)]
    each = [hop.measured(found, event, signals) for event in happened]
    values: list[Floats] = [own.ravel() for own in each]
    for event, own in zip(happened, each, strict=True):
        # Hop begins and ends a little differently in the forces that may have been.
        inside = (time >= np.nanmin(own[:, 0], initial=event.end)) & (
            time <= np.nanmax(own[:, 1], initial=event.start)
        )
        if not inside.any():
            inside = (time >= event.start) & (time <= event.end)
        for group in (g for g in car.tyres.groups if len(g) == 2):
            for j in range(2):
                left, right = (alternating[inside, k, j] for k in group)
                phase, _ = phase_between(time[inside], left, right, event.frequency)
                swings = np.isfinite(own[[2 * k + j for k in group], MEAN]).all()
                values.append(np.array([phase if swings else np.nan]))
    return np.concatenate(values)


def _hop_reading(
    car: Driven, happened: list[hop.Hop], hopping: Estimate, time: Floats, force: Floats
) -> Floats:
    """Standard uncertainty of `_hopping` from reversals, inertia, friction; no forces' errors."""
    signals, busy = hop.signals_of(time, force), car.in_gap[np.searchsorted(car.time, time)]
    out = np.zeros(len(hopping.value))
    each, place = len(hop.QUANTITIES) + len(hop.SHAPE), 0
    for event in happened:
        busy |= (time > event.start - hop.SAME) & (time < event.end + hop.SAME)
    for event in happened:
        road = hop.road_beside(time, signals, event, busy)
        for k, corner in enumerate(car.tyres.corners):
            for j in range(2):
                own = slice(place, place + each)
                out[own] = hop.u_reading(hopping.value[own], hop.LEAST, road[:, k, j])
                place += each
            largest = hopping.value[own][LARGEST]
            if np.isfinite(largest):  # of Fz, the last one
                inertia = hop_errors.u_inertia(car.forces, corner, event)
                out[own][LARGEST] = inertia
                share = inertia / largest
                more = hop_errors.u_of_size(time, signals[:, k, 1], event, share)[OF_SIZE]
                out[own][OF_SIZE] = np.hypot(out[own][OF_SIZE], more)
    read = hopping.value[:place].reshape(len(happened), -1, 2, each)
    u = out[:place].reshape(read.shape)
    for e, event in enumerate(happened):
        size, cycles = read[e, ..., MEAN], read[e, ..., CYCLES]
        late = 4 / np.pi * hop_errors.loops_of(car.forces, event)[:, car.tyres.corners] / size
        unseen = hop_errors.unseen_in(car.forces, event)[car.tyres.corners]
        for of in (LARGEST, MEAN):
            u[e, ..., of] = np.hypot(u[e, ..., of], unseen)
        u[e][..., TRENDS] = hop_errors.u_of_trends(unseen / size, cycles)[..., None]
        turned = unseen / size / np.sqrt(cycles)
        for left, right in (g for g in car.tyres.groups if len(g) == 2):
            apart = [*(late[:, left] - late[:, right]), turned[left], turned[right]]
            out[place : place + 2] = np.linalg.norm(np.nan_to_num(apart), axis=0)
            place += 2
    return out
