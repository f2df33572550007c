"""The cut at the hub: what of a load on the wheel reaches the upright.

The bearing passes everything but the moment about the spin axis; that part reaches the
upright only as bearing drag, as an outboard caliper's torque, or whole where the wheel is held
by an outboard brake or locked by it.  Axes of the vehicle; moments about the hub.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.virtual.elastic import WheelAt


def passed(moment: Floats, spin: Floats, held: NDArray[np.bool_], torque: Floats) -> Floats:
    """Return the moment (n, xyz) [N m] that reaches the upright.

    `torque` (n,) about the spin axis counts where the wheel is free to turn.
    """
    along = np.sum(moment * spin, axis=1)
    excess = np.where(held, 0.0, along - torque)
    return moment - excess[:, None] * spin


@dataclass(frozen=True, slots=True)
class AtRest:
    """A wheel that hangs, or stands on level ground: `weight` and `upward` force [N]."""

    weight: float
    upward: float = 0.0

    def __call__(self, at: WheelAt) -> tuple[Floats, Floats]:
        """Return force and moment about the hub on the upright."""
        up = np.zeros_like(at.hub)
        up[:, 2] = self.upward
        return up - [0.0, 0.0, self.weight], np.cross(at.contact - at.hub, up)


@dataclass(frozen=True, slots=True)
class PullLoad:
    """Strap and pad on a wheel, and its hanging weight; one row per load step.

    `attach` (n, xyz) rides on the wheel and is given where the unloaded wheel has it, `pad`
    (n, xyz) stands still; `strap_force`, `pad_force` (n, xyz) [N]; `weight` [N].
    """

    attach: Floats
    strap_force: Floats
    pad: Floats
    pad_force: Floats
    hub: Floats
    weight: float
    held: NDArray[np.bool_]

    def __call__(self, at: WheelAt) -> tuple[Floats, Floats]:
        """Return force and moment about the hub on the upright."""
        arm = np.einsum("nij,nj->ni", at.turn, self.attach - self.hub)
        moment = np.cross(arm, self.strap_force) + np.cross(self.pad - at.hub, self.pad_force)
        force = self.strap_force + self.pad_force + [0.0, 0.0, -self.weight]
        return force, passed(moment, at.spin, self.held, np.zeros(len(force)))


@dataclass(frozen=True, slots=True)
class RoadLoad:
    """Road, brake and inertia on one wheel; one row per sample.

    `force` (n, xyz) of the road on the tyre [N]; `road_normal` (n, xyz); `trail` (n,) and
    `shift_per_force` [m], [m/N]; `torque` (n,) on the upright from caliper and bearing [N m];
    `specific_force` (n, xyz) of the hub, gravity included [m/s2].
    """

    force: Floats
    road_normal: Floats
    trail: Floats
    shift_per_force: float
    torque: Floats
    locked: NDArray[np.bool_]
    specific_force: Floats
    unsprung_mass: float

    def contact_moment(self, at: WheelAt) -> Floats:
        """Return the moment of the road about the contact centre (n, xyz) [N m].

        The pressure's centre moves sideways with the sideways force, and that force acts behind
        it by the trail.
        """
        ahead = np.cross(at.spin, self.road_normal)
        ahead = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
        aside = np.cross(self.road_normal, ahead)
        sideways = np.sum(self.force * aside, axis=1, keepdims=True)
        moved = np.cross(self.shift_per_force * sideways * aside, self.force)
        return moved - self.trail[:, None] * sideways * self.road_normal

    def __call__(self, at: WheelAt) -> tuple[Floats, Floats]:
        """Return force and moment about the hub on the upright."""
        moment = np.cross(at.contact - at.hub, self.force) + self.contact_moment(at)
        inertia = -self.unsprung_mass * self.specific_force
        return self.force + inertia, passed(moment, at.spin, self.locked, self.torque)
