"""Roll and pitch of the body and travel of its wheels, each from what is logged instead.

The body leans on its springs and, with them, on its tyres:

    roll = roll on springs + roll on tyres,   pitch likewise.

Travels show the first part; accelerations give the second by mass, height of the centre of mass
and a usual rate of tyres, and the first by a usual roll and pitch per acceleration.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.car.vehicle import Vehicle
from recon.conditioning.hub_motion import arm_of
from recon.reconstruction.estimator.session import Attitude
from recon.reconstruction.inputs.logged_channels import (
    logged,
    specific_force,
    warn_missing,
    warn_of_prior,
)

# All common practice without a source; the shares are relative standard uncertainties.
TYRE_RATE, U_TYRE_RATE_SHARE = 200e3, 0.2  # N/m
ROLL_RATE, PITCH_RATE = 0.0045, 0.0021  # rad on the springs per m/s2
U_LEAN_SHARE = 0.4  # of roll and pitch by these rates: soft cars and stiff ones
U_ATTITUDE = 0.0015  # rad: travel sensors, dampers, a road that is not quite level
U_TRAVEL = 0.004  # m: heave, warp of the road, load and ride height of the day
U_TRAVEL_AND_TYRES = 0.008  # m: the same with the lean on the tyres, which no acceleration shows

# Where no acceleration is known either.
U_ATTITUDE_FROM_TRAVEL = 0.009  # rad, 0.5 degrees: tyres deflect by an unknown acceleration
U_ATTITUDE_UNKNOWN = 0.035  # rad, 2 degrees
U_TRAVEL_UNKNOWN = 0.015  # m


@dataclass(frozen=True, slots=True)
class Lean:
    """Roll and pitch (sample,) [rad] of the body against something."""

    roll: Floats
    pitch: Floats

    def __add__(self, other: Lean) -> Lean:
        """Both together."""
        return Lean(self.roll + other.roll, self.pitch + other.pitch)

    def __sub__(self, other: Lean) -> Lean:
        """The rest beside another lean."""
        return Lean(self.roll - other.roll, self.pitch - other.pitch)

    def share(self, share: float) -> tuple[float, float]:
        """A share of the root mean squares of roll and pitch [rad]."""
        size = [float(np.sqrt(np.nanmean(np.square(angle)))) for angle in (self.roll, self.pitch)]
        return share * size[0], share * size[1]


def has_four_wheels(car: Vehicle) -> bool:
    """True where all corners are described, so that tracks and wheelbase are known."""
    return set(CORNERS) <= set(car.corners)


def on_tyres(car: Vehicle, force: Floats) -> Lean:
    """Lean on the tyres under the body's specific force (3, sample) [m/s2]."""
    squares, base = 0.5 * np.sum(np.square(_tracks(car))), car.wheelbase
    moment = car.mass * car.centre_of_mass[2] / TYRE_RATE
    return Lean(moment * force[1] / squares, -moment * force[0] / base**2)


def on_springs(force: Floats) -> Lean:
    """Lean on the springs of a usual car under its specific force (3, sample) [m/s2]."""
    return Lean(ROLL_RATE * force[1], -PITCH_RATE * force[0])


def of_travels(car: Vehicle, travel: Mapping[str, Floats]) -> Lean:
    """Lean on the springs that the travels of the four wheels (sample,) [m] show."""
    front, rear = (travel[f"{end}R"] - travel[f"{end}L"] for end in "FR")
    ahead = travel["FL"] + travel["FR"] - travel["RL"] - travel["RR"]
    return Lean(0.5 * (front + rear) / np.mean(_tracks(car)), 0.5 * ahead / car.wheelbase)


def warp_of_travels(car: Vehicle, travel: Mapping[str, Floats]) -> Lean:
    """Half of what axles differ by in roll and sides in pitch, by travels (sample,) [m]."""
    half = 0.5 * (travel["FR"] - travel["FL"] - travel["RR"] + travel["RL"])
    return Lean(half / np.mean(_tracks(car)), half / car.wheelbase)


def travel_of(car: Vehicle, corner: str, lean: Lean) -> Floats:
    """Travel (sample,) [m] of a wheel by the body's lean on its springs."""
    x, y, _ = arm_of(car, corner)
    return -lean.roll * y + lean.pitch * x


def _tracks(car: Vehicle) -> list[float]:
    y = {name: car.corners[name].wheel.centre[1] for name in CORNERS}
    return [y["FL"] - y["FR"], y["RL"] - y["RR"]]


def attitude_of(log: xr.Dataset, car: Vehicle) -> Attitude:
    """Best source of roll and pitch in the log."""
    path = log.attrs.get("path", "log")
    if "roll" in log and "pitch" in log:
        own = (car.sensors.u_attitude,) * 2
        return Attitude("logged", *own, on_springs=own)
    force = specific_force(log) if has_four_wheels(car) else None
    if has_four_wheels(car) and all(logged(log, "travel", c) for c in CORNERS):
        u = (U_ATTITUDE_FROM_TRAVEL,) * 2
        if force is not None:
            travel = {name: log["travel"].sel(corner=name).to_numpy() for name in CORNERS}
            u = _joint(
                (U_ATTITUDE,) * 2,
                _of_springs(log, car),
                warp_of_travels(car, travel).share(1.0),
                on_tyres(car, force).share(U_TYRE_RATE_SHARE),
                _by_acceleration(log, lambda u: on_tyres(car, u)),
            )
        _warn_of_attitude(path, "taken from the four travels", u)
        return Attitude("travel", *u)
    if force is not None:
        springs = _joint(on_springs(force).share(U_LEAN_SHARE), _by_acceleration(log, on_springs))
        parts = (
            on_tyres(car, force).share(U_TYRE_RATE_SHARE),
            _by_acceleration(log, lambda u: on_tyres(car, u)),
        )
        u = _joint((U_ATTITUDE,) * 2, springs, *parts)
        _warn_of_attitude(path, "estimated from the acceleration of the body", u)
        return Attitude("acceleration", *u, on_springs=springs)
    warn_of_prior(
        f"{path}: roll and pitch are not logged; the body is taken as level within "
        f"{np.degrees(U_ATTITUDE_UNKNOWN):.1f} degrees. Forces in vehicle axes are not affected."
    )
    return Attitude("none", U_ATTITUDE_UNKNOWN, U_ATTITUDE_UNKNOWN)


def _of_springs(log: xr.Dataset, car: Vehicle) -> tuple[float, float]:
    """Uncertainty of roll and pitch [rad] from travels that were themselves calculated."""
    if "u_travel" not in log:
        return 0.0, 0.0
    u = float(np.sqrt(np.mean(np.square(log["u_travel"].to_numpy()))))
    return u / float(np.mean(_tracks(car))), u / car.wheelbase


def _by_acceleration(log: xr.Dataset, lean: Callable[[Floats], Lean]) -> tuple[float, float]:
    """Uncertainty of roll and pitch [rad] from accelerations that were themselves inferred."""
    if "u_acceleration" not in log:
        return 0.0, 0.0
    return lean(log["u_acceleration"].to_numpy()[:, None]).share(1.0)


def _joint(*parts: tuple[float, float]) -> tuple[float, float]:
    """Roots of the sums of squares of roll and of pitch."""
    roll, pitch = np.sqrt(np.sum(np.square(parts), axis=0))
    return float(roll), float(pitch)


def _warn_of_attitude(path: str, how: str, u: tuple[float, float]) -> None:
    roll, pitch = np.degrees(u)
    warn_of_prior(
        f"{path}: roll and pitch are not logged; they are {how}, with standard uncertainties of "
        f"{roll:.2g} and {pitch:.2g} degrees."
    )


class TravelSource(NamedTuple):
    """Source of a wheel's travel and its standard uncertainty [m].

    `of_lean` [m] are the errors that go with those of roll and pitch on the springs.
    """

    source: str
    u: float
    of_lean: tuple[float, float] = (0.0, 0.0)


def travel_source(log: xr.Dataset, car: Vehicle, name: str, attitude: Attitude) -> TravelSource:
    """Best source of a wheel's travel, with a warning where it is not logged."""
    if logged(log, "travel", name) and "u_travel" in log:
        u_travel = float(log["u_travel"].sel(corner=name))
        how = (
            "it is calculated from the load and the stated rate of the spring, with a standard "
            f"uncertainty of {1e3 * u_travel:.0f} mm"
        )
        warn_missing(log, name, "travel", how)
        return TravelSource("spring", u_travel)
    if logged(log, "travel", name):
        return TravelSource("logged", car.sensors.u_travel)
    if attitude.source not in ("logged", "acceleration") or not has_four_wheels(car):
        u = f"a standard uncertainty of {1e3 * U_TRAVEL_UNKNOWN:.0f} mm"
        warn_missing(log, name, "travel", f"intervals allow for {u}")
        return TravelSource("none", U_TRAVEL_UNKNOWN)
    own = U_TRAVEL if specific_force(log) is not None else U_TRAVEL_AND_TYRES
    x, y, _ = arm_of(car, name)
    roll, pitch = attitude.on_springs
    of_lean = (-y * roll, x * pitch)
    how = "logged" if attitude.source == "logged" else "estimated"
    warn_missing(
        log,
        name,
        "travel",
        f"it is calculated from the {how} roll and pitch, with a standard uncertainty of "
        f"{1e3 * float(np.hypot(own, np.hypot(*of_lean))):.0f} mm",
    )
    return TravelSource("attitude", own, of_lean)
