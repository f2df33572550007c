"""Loads that pass from the wheel through the hub to the upright.

The wheel bearing passes every force and moment except the moment about the spin axis.  Of that
moment the upright receives only bearing drag and the torque of an outboard caliper, or all of it
when an outboard brake holds or locks the wheel.  Vehicle axes; moments about the hub.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.virtual.elastic import WheelAt


def passed(moment: Floats, spin: Floats, held: NDArray[np.bool_], torque: Floats) -> Floats:
    """Moment about the hub that reaches the upright, (n, xyz) [N m].

    `moment` (n, xyz) [N m] acts on the wheel about the hub; `spin` (n, xyz) is the spin axis, unit
    length, pointing left.  Where `held` (n,), the upright receives the whole moment, otherwise
    `torque` (n,) [N m] about the spin axis.
    """
    along = np.sum(moment * spin, axis=1)
    excess = np.where(held, 0.0, along - torque)
    return moment - excess[:, None] * spin


@dataclass(frozen=True, slots=True)
class AtRest:
    """Load on a wheel that hangs or stands on level ground.

    `weight` [N] of the unsprung mass and `upward` force of the ground [N].
    """

    weight: float
    upward: float = 0.0

    def __call__(self, at: WheelAt) -> tuple[Floats, Floats]:
        """Force [N] on the upright and moment about the hub [N m], (n, xyz) each."""
        up = np.zeros_like(at.hub)
        up[:, 2] = self.upward
        return up - [0.0, 0.0, self.weight], np.cross(at.contact - at.hub, up)


@dataclass(frozen=True, slots=True)
class PullLoad:
    """Strap and pad loads on a wheel, and its weight; one row per load step.

    `attach` (n, xyz) [m] moves with the wheel and is its position on the unloaded wheel; `pad`
    (n, xyz) [m] does not move, nor does the far end of the strap, `anchor` (n, xyz) [m], without
    which the strap keeps its direction; `strap_force` (n, xyz) [N] is that before the wheel moves,
    `pad_force` (n, xyz) [N]; `hub` (xyz) [m] is the wheel centre at design height; `weight` [N];
    `held` (n,) is True if an outboard brake holds the wheel.
    """

    attach: Floats
    strap_force: Floats
    pad: Floats
    pad_force: Floats
    hub: Floats
    weight: float
    held: NDArray[np.bool_]
    anchor: Floats | None = None

    def __call__(self, at: WheelAt) -> tuple[Floats, Floats]:
        """Force [N] on the upright and moment about the hub [N m], (n, xyz) each."""
        arm = np.einsum("nij,nj->ni", at.turn, self.attach - self.hub)
        strap = self.strap_force
        if self.anchor is not None:
            along = self.anchor - (at.hub + arm)
            along /= np.linalg.norm(along, axis=1, keepdims=True)
            strap = np.linalg.norm(strap, axis=1, keepdims=True) * along
        moment = np.cross(arm, strap) + np.cross(self.pad - at.hub, self.pad_force)
        force = strap + self.pad_force + [0.0, 0.0, -self.weight]
        return force, passed(moment, at.spin, self.held, np.zeros(len(force)))


@dataclass(frozen=True, slots=True)
class RoadLoad:
    """Road, brake and inertia loads on one wheel; one row per sample.

    `force` (n, xyz) [N] of the road on the tyre; `road_normal` (n, xyz), unit length, up;
    `trail` (n,) [m], the pneumatic trail; `shift_per_force` [m/N], sideways shift of the contact
    patch per lateral force; `torque` (n,) [N m] on the upright from caliper and bearing;
    `locked` (n,); `specific_force` (n, xyz) [m/s2] of the hub, gravity included;
    `unsprung_mass` [kg].  Where a differential in the axle turns the wheel, `driving` (n,), the
    axle holds the whole moment, and the propeller shaft, which turns `final_drive` times as fast,
    puts its own torque on it: an engine that turns clockwise seen from the front presses the left
    side down as it drives.
    """

    force: Floats
    road_normal: Floats
    trail: Floats
    shift_per_force: float
    torque: Floats
    locked: NDArray[np.bool_]
    specific_force: Floats
    unsprung_mass: float
    driving: NDArray[np.bool_] | bool = False
    final_drive: float = 0.0

    def contact_moment(self, at: WheelAt) -> Floats:
        """Moment of the road about the contact centre, (n, xyz) [N m].

        The centre of pressure shifts sideways in proportion to the lateral force, which acts
        behind it by the pneumatic trail.
        """
        ahead = np.cross(at.spin, self.road_normal)
        ahead = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
        aside = np.cross(self.road_normal, ahead)
        sideways = np.sum(self.force * aside, axis=1, keepdims=True)
        moved = np.cross(self.shift_per_force * sideways * aside, self.force)
        return moved - self.trail[:, None] * sideways * self.road_normal

    def __call__(self, at: WheelAt) -> tuple[Floats, Floats]:
        """Force [N] on the upright and moment about the hub [N m], (n, xyz) each."""
        moment = np.cross(at.contact - at.hub, self.force) + self.contact_moment(at)
        inertia = -self.unsprung_mass * self.specific_force
        on_axle = passed(moment, at.spin, self.locked | self.driving, self.torque)
        if np.any(self.driving):
            turning = -np.sum(moment * at.spin, axis=1)  # torque of its half-shaft
            level = np.cross(at.spin, [0.0, 0.0, 1.0])
            level /= np.linalg.norm(level, axis=1, keepdims=True)
            rolling = np.where(self.driving, turning / self.final_drive, 0.0)
            on_axle = on_axle - rolling[:, None] * level
        return self.force + inertia, on_axle
