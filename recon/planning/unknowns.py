"""The six unknowns of a corner, and what is stated about them before any gauge is read.

Six unknowns act on the links of a corner: Fx, Fy, Fz of the road at the contact centre, the
moments Mx and Mz there as deviations from their means, and T, the moment that the hub passes to
the upright about the spin axis.  All of them have a prior, so that no moment has to be either
solved for or ignored.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Corner, Tyre, Vehicle

UNKNOWNS = ("Fx", "Fy", "Fz", "Mx", "T", "Mz")

# What the hub passes about the spin axis: nothing but drag; the caliper's torque; what the
# road asks for (wheel at rest or locked).
MODES = ("rolling", "braked", "locked")
BEARING_DRAG = 5.0  # N m, common practice, no source
LOCKED_FLOOR = 10.0  # N m, wheel about to turn, common practice, no source
HARD_STOP = 0.8  # g; axles brake in proportion to their loads there, common practice, no source
LEAST_SHARE = 0.1  # of the braking, of an axle that bears next to nothing there
OPEN_FORCE = 1e5  # N, no prior on forces: shifts an answer known to 10 N by one in 1e8


@dataclass(frozen=True, slots=True)
class Reference:
    """Typical load [N] and torque [N m] of a corner, from which the widths of priors follow.

    `braking` and `driving` [N] are its longitudinal force per g of the car's acceleration; that of
    a wheel that is not driven stays near 0, and `driving` is its load.
    """

    vertical: float
    torque: float
    braking: float
    driving: float


def front_share(car: Vehicle) -> float:
    """Share of the front axle in the weight [1], of a car whose wheelbase is known."""
    rear = [c.wheel.centre[0] for name, c in car.corners.items() if name.startswith("R")]
    front = [c.wheel.centre[0] for name, c in car.corners.items() if name.startswith("F")]
    last = float(np.mean(rear)) if rear else float(np.mean(front)) - car.wheelbase
    return (car.centre_of_mass[0] - last) / car.wheelbase


def reference_of(car: Vehicle, corner: Corner) -> Reference:
    """Static load of the corner from mass and centre of mass; a quarter without a wheelbase.

    Axles brake by their loads in a stop of `HARD_STOP`, and driven ones drive by static loads.
    """
    share, braking, half = 0.5, 0.5, 0.5 * car.mass * STANDARD_GRAVITY
    base = car.wheelbase
    if np.isfinite(base):
        share = front_share(car)
        ground = np.mean([c.wheel.centre[2] - c.wheel.loaded_radius for c in car.corners.values()])
        braking = share + HARD_STOP * float((car.centre_of_mass[2] - ground) / base)
        if not corner.name.startswith("F"):
            share, braking = 1 - share, 1 - braking
    rear = any(name.startswith("R") for name in car.corners)
    driven = {name[0] for name, c in car.corners.items() if c.driven}  # axles, F and R
    return Reference(
        vertical=half * share,
        torque=half * share * corner.wheel.loaded_radius,
        braking=half * max(braking, LEAST_SHARE),
        driving=half * (1.0 if rear and driven == {corner.name[0]} else share),
    )


def tyre_columns(tyre: Tyre, vertical: float) -> Floats:
    """Unknowns with Mz and Mx as deviations from means that follow Fy, (6, 6).

    Means at the vertical force `vertical` [N]: Mz = -trail Fy, Mx = shift_per_force Fy Fz.
    """
    out = np.eye(6)
    out[5, 1] = -tyre.trail
    out[3, 1] = tyre.shift_per_force * vertical
    return out


def free_torque(corner: Corner, reference: Reference) -> float:
    """Standard uncertainty [N m] of what a hub passes about the spin axis while no brake is on.

    A differential in the axle puts the torque that drives the wheel on it, which may be any.
    """
    return reference.torque if corner.final_drive else BEARING_DRAG


def prior_u(corner: Corner, tyre: Tyre, reference: Reference, mode: str) -> Floats:
    """Standard uncertainty (6,) of the priors of Fx, Fy, Fz [N], Mx, T, Mz [N m] in that mode."""
    factor = corner.brake.torque_per_pressure
    relative = corner.brake.u_torque_per_pressure / factor if factor > 0 else np.nan
    torque = {
        "rolling": free_torque(corner, reference),
        "locked": LOCKED_FLOOR,
        "braked": reference.torque * (relative if np.isfinite(relative) else 1.0),
    }[mode]
    return np.array(
        [
            OPEN_FORCE,
            OPEN_FORCE,
            OPEN_FORCE,
            np.hypot(tyre.u_shift * reference.vertical, tyre.floor_moment),
            torque,
            np.hypot(tyre.u_trail * reference.vertical, tyre.floor_moment),
        ]
    )
