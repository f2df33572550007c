"""Launches against the best launch of the day, whether it is in this drive or in another one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.evaluation.common.answer_labels import Labelled, limits, limits_of, plain
from recon.evaluation.common.estimate import Estimate, independent, stacked
from recon.evaluation.common.other_runs import Trait, refuse_different, refuse_doubted, same_log
from recon.evaluation.common.shared_errors import Measured, common_errors, measured_of, sources_of
from recon.evaluation.launch.driven_tyres import driven_tyres
from recon.evaluation.launch.one_launch import QUANTITIES, U_SPEED, Driven, Launch

LEAD_IN, TRACE_STEP = 0.4, 0.01  # s before the start, and between the values of a trace
OTHER = "Leave it out, or reconstruct it with a vehicle file of that name and the same gauges."
DRIVEN = Trait("driven corners with known forces", lambda one: ", ".join(driven_tyres(one).names))
IMPULSE = QUANTITIES.index("drive_impulse")


@dataclass(frozen=True, slots=True)
class Timed:
    """A launch with its drive; `file` names that drive where it is another one."""

    launch: Launch
    car: Driven
    file: str = ""

    @property
    def name(self) -> str:
        """Name of the launch, with its file where it is of another drive."""
        return self.launch.section.name + (f" of {self.file}" if self.file else "")

    @property
    def took(self) -> float:
        """Time from the start over the distance, NaN where that is not known [s]."""
        return self.launch.window.passed - self.launch.window.start

    @property
    def u_start(self) -> float:
        """Standard uncertainty of the start [s]."""
        place = len(self.car.tyres.groups) * len(QUANTITIES)
        return float(self.launch.quantities.at(place).u[0])

    def impulse(self) -> Measured:
        """Impulse (axle,) over the distance with its errors by cause [N s]."""
        tyres = len(self.car.tyres.names)
        axles = range(tyres, len(self.car.tyres.groups))
        places = [place * len(QUANTITIES) + IMPULSE for place in axles]
        return measured_of(self.launch.quantities.at(places), self.car.forces)


@dataclass(frozen=True, slots=True)
class Lost:
    """Losses against the best launch, by launch; `impulse` by launch and axle [N s].

    `distance` [m] when the best one has driven the distance, `time` [s] over the distance.
    """

    best: Timed
    distance: Estimate
    time: Estimate
    impulse: Estimate


def lost(found: Sequence[Timed], others: Sequence[Timed]) -> Lost | None:
    """Losses of the launches `found` against the best of all; None where no time is known."""
    every = [one for one in (*found, *others) if np.isfinite(one.took)]
    if not every:
        return None
    best = min(every, key=lambda one: one.took)
    # How far each is behind when the best one has driven the distance.
    metres = np.array([_behind(one, best, np.array([best.took])) for one in found])[..., 0]
    late = np.array([one.took - best.took for one in found])
    together = np.array([
        0.0 if one is best else np.hypot(one.u_start, best.u_start) for one in found
    ])  # fmt: skip
    # A speed that reads too much does so in both; what it changes is the difference.
    later = [one.launch.window.u_passed - best.launch.window.u_passed for one in found]
    u_late = np.hypot(together, later)
    return Lost(
        best,
        independent(metres[:, 0], metres[:, 1]),
        independent(late, u_late),
        stacked(*(_impulse(one, best) for one in found)),
    )


def _behind(one: Timed, best: Timed, since: Floats) -> tuple[Floats, Floats]:
    """Metres behind the best launch and their u [m] at times `since` the start (time,) [s]."""
    if one is best:
        return np.zeros(len(since)), np.zeros(len(since))
    if not len(one.launch.when):
        return np.full(len(since), np.nan), np.full(len(since), np.nan)
    gone = [
        np.interp(x.launch.window.start + since, x.launch.when, x.launch.gone, left=0, right=np.nan)
        for x in (best, one)
    ]
    behind = gone[0] - gone[1]
    pace = np.interp(one.launch.window.start + since, one.car.time, one.car.speed)
    # A speed that reads too much does so in both; what it changes is the difference.
    return behind, np.hypot(pace * np.hypot(one.u_start, best.u_start), U_SPEED * np.abs(behind))


def traces(against: Lost | None, found: Sequence[Timed]) -> Labelled:
    """Force of the best launch over time, and metres of the others behind it, as variables."""
    if against is None or all(one.launch is against.best.launch for one in found):
        return {}
    best = against.best
    since = np.arange(-LEAD_IN, best.took, TRACE_STEP)
    at = best.launch.window.start + since
    pull = np.array([np.interp(at, best.launch.time, x) for x in best.launch.pull.T])
    stated = best.car.forces["u_tyre_force_intermediate"].to_numpy()[:, best.car.tyres.corners, 0]
    u_pull = np.array([np.interp(at, best.car.time, x) for x in stated.T])
    behind, u = (
        np.array(x)
        for x in zip(*(_behind(one, best, np.maximum(since, 0)) for one in found), strict=True)
    )
    of_time = "time since the start of a launch"
    words = "longitudinal force in the best launch"
    return (
        plain("since_start", since, ("since_start",), "s", of_time)
        | limits_of("best_drive_force", pull, u_pull, ("corner", "since_start"), "N", words)
        | limits_of(
            "metres_behind", behind, u, ("launch", "since_start"), "m",
            "metres behind the best launch at the same time since the start",
        )
    )  # fmt: skip


def _impulse(one: Timed, best: Timed) -> Estimate:
    """Impulse (axle,) of the best launch less that of another; what both share cancels [N s]."""
    pair = [best.impulse(), one.impulse()]
    values = [m.estimate.value for m in pair]
    u = np.zeros_like(values[0])
    if one is not best:
        weights, second = np.array([1.0, -1.0]), np.array([0.0, 1.0])
        common = common_errors(pair, weights, second, apart=False, every_session=True)
        u = np.sqrt(common.u**2 + sum(m.estimate.noise**2 for m in pair))
    return independent(values[0] - values[1], u)


def refuse_unlike(forces: xr.Dataset, other: xr.Dataset) -> None:
    """Refuse another drive that is this one, or whose driven corners differ.

    Raises DataError: it was made from the same log, or of another car, other corners are driven
    or known, or its forces are doubted.
    """
    logs = [sources_of(one).log for one in (forces, other)]
    if logs[0] and logs[0] == logs[1]:
        do = "Leave it out: the launches of a drive are compared with each other anyway."
        raise same_log(place_of(other), place_of(forces), "another drive of the day", do)
    refuse_different(forces, other, OTHER, DRIVEN)
    refuse_doubted(other, place_of(other), "other drive", "leave it out")


def losses(against: Lost | None, count: int, car: Driven) -> Labelled:
    """Metres, time and impulse that `count` launches lost against the best one, as variables."""
    unknown = independent(np.full(count, np.nan), np.zeros(count))
    over = f"over {car.distance:g} m"
    metres = f"metres behind the best launch, when that one has driven {car.distance:g} m"
    distance, time = (against.distance, against.time) if against else (unknown, unknown)
    out = limits("distance_lost", distance, ("launch",), "m", metres)
    out |= limits("time_lost", time, ("launch",), "s", f"time lost to the best launch {over}")
    if against and car.tyres.axles:
        words = f"impulse of the best launch {over} less that of this one"
        shape = (count, len(car.tyres.axles))
        out |= limits("impulse_lost", against.impulse, ("launch", "axle"), "N s", words, shape)
    return out


def elsewhere(others: Sequence[Timed]) -> Labelled:
    """Launches of other drives with their times over the distance, as variables."""
    if not others:
        return {}
    took = np.array([one.took for one in others])
    u = np.hypot([one.u_start for one in others], [one.launch.window.u_passed for one in others])
    names, other = [one.name for one in others], "launch of another drive"
    words = f"time from the start over the distance, of a {other}"
    return plain("other_launch", names, ("other",), "", other) | limits(
        "other_time_to_distance", independent(took, u), ("other",), "s", words
    )
