"""Height of the centre of mass above the road, from the moments that tyre forces have about it.

Level axes, about the centre of mass, with contacts at x, y and the height h, sums over tyres:

    - sum y Fz = h sum Fy + W s_y + c sum Fy Fz - Ixx roll'' + yaw rate * spin      (roll)
    - sum x Fz = h sum Fx - W s_x + Iyy pitch'' + spin'                             (pitch)

W is the weight, s_y = shift h roll and s_x = shift h pitch how far the centre of mass moves
against the contacts as the body leans, c the sideways shift of a contact per force, `spin` the
angular momentum of the wheels.  A constant takes up zeros of gauges and the place of the centre
of mass along x and y; a term in speed squared takes up the air.  h follows by least squares.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.evaluation.load_transfer.body_motion import Body, X, Y, Z, turning
from recon.reconstruction.inputs.attitude import U_LEAN_SHARE
from recon.reconstruction.whole_car.car_stance import ROLL_RADIUS, U_INERTIA

VARIED = 60.0  # m2/s2: with less spread of speed squared the air cannot be told from a constant
LIFT = 0.2  # kg/m at each axle, where speed does not vary: no wings; common practice, no source


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Numbers that heights need beside forces and channels; common practice, no source.

    `shift` of the centre of mass against the contacts, over height times lean: 0 if the body
    leans about its centre of mass, 1 if about the road; `patch` shift of a contact per force
    [m/N]; `roll_inertia` and `pitch_inertia` over their usual values; `spin` inertia of a wheel
    [kg m2]; `lean` over the usual one, where roll or pitch is not logged; `track` and `base` over
    those stated; `lift` [kg/m] of each axle where speed does not vary.
    """

    shift: float = 0.5
    patch: float = 5e-6
    roll_inertia: float = 1.0
    pitch_inertia: float = 1.0
    spin: float = 0.5
    lean: float = 1.0
    track: float = 1.0
    base: float = 1.0
    lift: float = 0.0

    def effects(self, quantity: Callable[[Assumptions], Floats]) -> Floats:
        """Effect (assumption, quantity) of each on a function, per standard uncertainty."""
        rows = []
        for name in (field.name for field in fields(self)):
            value, u = getattr(self, name), getattr(UNCERTAIN, name)
            up, down = (quantity(replace(self, **{name: value + s * u})) for s in (1.0, -1.0))
            rows.append(np.nan_to_num((up - down) / 2))
        return np.array(rows)


# Standard uncertainties; those of shift and spin are evenly spread between 0 and twice the value.
UNCERTAIN = Assumptions(
    shift=0.29,
    patch=2e-6,
    roll_inertia=U_INERTIA,
    pitch_inertia=U_INERTIA,
    spin=0.29,
    lean=U_LEAN_SHARE,
    track=0.003,
    base=0.002,
    lift=LIFT,
)


@dataclass(frozen=True, slots=True)
class Wheels:
    """Facts of the car: mass [kg], stated height of its centre of mass [m], places of wheels.

    `ahead` and `aside` of the centre of mass, and loaded `radius`, (corner,) [m].
    """

    mass: float
    height: float
    ahead: Floats
    aside: Floats
    radius: Floats

    @classmethod
    def of(cls, forces: xr.Dataset) -> Wheels:
        """Facts as the forces carry them."""
        away = forces["contact_point"].to_numpy() - forces["centre_of_mass"].to_numpy()
        radius = forces["loaded_radius"].to_numpy().astype(float)
        mass, height = float(forces["vehicle_mass"]), float(-away[:, Z].mean())
        return cls(mass, height, away[:, X], away[:, Y], radius)

    @property
    def roll_inertia(self) -> float:
        """Usual moment of inertia in roll [kg m2]."""
        return self.mass * (ROLL_RADIUS * float(np.ptp(self.aside))) ** 2

    @property
    def pitch_inertia(self) -> float:
        """Usual moment of inertia in pitch [kg m2]: of two masses over the axles."""
        return self.mass * float(self.ahead.max()) * float(-self.ahead.min())


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights of the centre of mass by roll and by pitch moment, from forces of some samples."""

    wheels: Wheels
    body: Body
    turning: Floats

    @classmethod
    def of(cls, means: xr.Dataset, body: Body) -> Heights:
        """Of short means of forces and the body's motion in them."""
        return cls(Wheels.of(means), body, turning(body, means))

    @property
    def air(self) -> Floats | None:
        """Speed squared (sample,) [m2/s2], where it is known and varies enough."""
        square = self.body.speed**2
        return square if np.isfinite(square).all() and np.std(square) > VARIED else None

    def by_roll(self, force: Floats, given: Assumptions) -> Floats:
        """Heights (...,) [m] from forces (..., sample, corner, component) [N]: roll moment."""
        wheels, body = self.wheels, self.body
        roll = body.roll * (given.lean if body.leaning else 1.0)
        moment = -given.track * force[..., Z] @ wheels.aside
        moment -= given.patch * np.sum(force[..., Y] * force[..., Z], axis=-1)
        inertia = given.roll_inertia * wheels.roll_inertia
        moment += inertia * body.roll_change * (given.lean if body.leaning else 1.0)
        rotation = np.nan_to_num(body.speed) * float(np.sum(1.0 / wheels.radius))  # of all wheels
        moment -= given.spin * rotation * self.turning
        weight = wheels.mass * STANDARD_GRAVITY
        lever = force[..., Y].sum(axis=-1) + given.shift * weight * roll
        return _slope(lever, moment)

    def by_pitch(self, force: Floats, given: Assumptions) -> Floats:
        """Heights (...,) [m] from forces (..., sample, corner, component) [N]: pitch moment."""
        wheels, body = self.wheels, self.body
        pitch = body.pitch * (given.lean if body.leaning else 1.0)
        moment = -given.base * force[..., Z] @ wheels.ahead
        inertia = given.pitch_inertia * wheels.pitch_inertia
        moment -= inertia * body.pitch_change * (given.lean if body.leaning else 1.0)
        spun = given.spin * float(np.sum(1.0 / wheels.radius))
        moment -= spun * body.acceleration[:, X]
        lever = force[..., X].sum(axis=-1) - given.shift * wheels.mass * STANDARD_GRAVITY * pitch
        if self.air is not None:
            return _slope(lever, moment, self.air)
        fast = np.nan_to_num(body.speed) ** 2
        return _slope(lever, moment - given.lift * float(np.ptp(wheels.ahead)) * fast)

    def by_both(self, force: Floats, given: Assumptions) -> Floats:
        """Heights (..., 2) [m] by roll and by pitch, see both."""
        return np.stack([self.by_roll(force, given), self.by_pitch(force, given)], axis=-1)

    def turned(self, given: Assumptions) -> Floats:
        """Accelerations (sample, 2) [m/s2] that move as much load as what turns the body."""
        lever = self.wheels.mass * self.wheels.height
        pitch = given.pitch_inertia * self.wheels.pitch_inertia * self.body.pitch_change
        roll = -given.roll_inertia * self.wheels.roll_inertia * self.body.roll_change
        return np.column_stack([pitch, roll]) / lever


def _slope(lever: Floats, moment: Floats, *others: Floats) -> Floats:
    """Slopes (...,) [m] of moments (..., sample) [N m] over forces [N].

    Beside a constant and `others` (sample,) [any unit].
    """
    columns = np.column_stack([np.ones(lever.shape[-1]), *others])
    # The other columns are taken out of both sides first (Frisch and Waugh, from memory).
    basis = np.linalg.qr(columns)[0]
    lever = lever - lever @ basis @ basis.T
    return np.asarray(np.sum(lever * moment, axis=-1) / np.sum(lever**2, axis=-1))
