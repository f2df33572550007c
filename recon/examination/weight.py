"""Mean forces of each wheel against the car's weight and the acceleration of its body.

Rough, and independent of gauges and tares: a wheel carries its static share, more of it on the
outside of a turn and at the front while braking, and pushes sideways in proportion.  Straights
and stops count most, because little is open there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.examination.view import Part, View
from recon.planning.unknowns import reference_of

# Standard uncertainties; common practice, no source.
CORNER_WEIGHT = 0.10  # of a wheel's static share: set-up, driver, fuel
CORNER_ALONE = 0.25  # the same where no axle pair tells the share
ROLL_SHARE, PITCH_SHARE = 0.4, 0.2  # of the load transfer: bars, springs and roll centres
DOWNFORCE = 0.15  # N per wheel and (m/s)^2
TOE, TOE_SHARE = 200.0, 0.3  # N held against the partner, and share of the side force
DRIVE, DRIVE_SHARE = 150.0, 0.8  # N, and share of the driving or braking force
NO_ACCELERATION = 4.0  # m/s2 where none is logged
FEWEST = 20  # short means that a comparison needs


@dataclass(frozen=True, slots=True)
class MeanForces:
    """Mean forces of the wheels of an assembly less what they should be, and what is open of them.

    `mean`, `error` and `u` (w, 3) [N], intermediate axes; NaN where not known.
    """

    mean: Floats
    error: Floats
    u: Floats


def mean_forces(view: View, part: Part) -> MeanForces:
    """Mean forces of an assembly against weight and acceleration."""
    rows = []
    for k, corner in enumerate(part.corners):
        expected, u = _expected(view, part, corner)
        force = part.force[k]
        good = np.isfinite(force)
        weight = np.where(good, u**-2.0, 0.0)
        total, n = weight.sum(axis=1), good.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.nansum(weight * force, axis=1) / total
            error = np.nansum(weight * (force - expected), axis=1) / total
            # What is open is open for the whole drive: it does not average out.
            rows.append((mean, error, np.sqrt(n / total)))
    mean, error, u = map(np.array, zip(*rows, strict=True))
    enough = np.sum(part.known) >= FEWEST
    return MeanForces(mean, error if enough else np.full_like(error, np.nan), u)


def _expected(view: View, part: Part, name: str) -> tuple[Floats, Floats]:
    """Forces (3, n) [N] of a wheel that follow from weight and acceleration, and their u."""
    car, corner = view.prepared.car, view.prepared.car.corners[name]
    static = reference_of(car, corner).vertical
    paired = {n[0] for n in car.corners} == {"F", "R"}
    ahead, aside, u_acceleration = _acceleration(view, part)
    x, y, z = corner.wheel.centre
    height = car.centre_of_mass[2] - (z - corner.wheel.loaded_radius)
    base = 2.0 * max(abs(x - car.centre_of_mass[0]), 0.5)
    by_roll = -np.sign(y) * car.mass * height / (4.0 * abs(y))  # N per m/s2
    by_pitch = -np.sign(x - car.centre_of_mass[0]) * car.mass * height / (2.0 * base)
    load = np.maximum(static + by_roll * aside + by_pitch * ahead, 0.0)
    speed = view.channel("speed")
    drag = DOWNFORCE * (np.zeros(len(ahead)) if speed is None else np.nan_to_num(speed) ** 2)
    quarter = car.mass / 4.0
    expected = np.array([quarter * ahead, load / STANDARD_GRAVITY * aside, load])
    open_share = np.array(
        [
            np.hypot(DRIVE, DRIVE_SHARE * expected[0]),
            np.hypot(TOE, TOE_SHARE * expected[1]),
            np.sqrt(
                ((CORNER_WEIGHT if paired else CORNER_ALONE) * static) ** 2
                + (ROLL_SHARE * by_roll * aside) ** 2
                + (PITCH_SHARE * by_pitch * ahead) ** 2
                + drag**2
            ),
        ]
    )
    sizes = [[quarter], [quarter], [np.hypot(by_roll, by_pitch)]]
    return expected, np.hypot(open_share, u_acceleration * np.array(sizes))


def _acceleration(view: View, part: Part) -> tuple[Floats, Floats, float]:
    """Acceleration ahead and aside (n,) [m/s2] in intermediate axes, and how unsure it is."""
    body = view.channel("acceleration")
    if body is None:
        hubs = [view.channel("hub_acceleration", corner) for corner in part.corners]
        found = [hub for hub in hubs if hub is not None]
        body = np.mean(found, axis=0) if found else None
    if body is None or not np.isfinite(body[:, :2]).any():
        still = np.zeros(len(view.elapsed))
        return still, still, NO_ACCELERATION
    level = np.einsum("ijn,nj->in", part.samples.turn, np.nan_to_num(body))
    return level[0], level[1], 0.0
