"""Assemblies, each with its mechanism, and the functions that return one.

An assembly is calibrated and solved as one: a corner that stands alone, or the two corners that
an axle ties.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np

from recon.base.arrays import Floats
from recon.car.linkage import Linkage, assembly_names, linkage_of
from recon.car.vehicle import Vehicle
from recon.mechanics.build_mechanism import load_arms, mechanism_of
from recon.mechanics.structure import Mechanism

ASSEMBLIES = 32  # that are kept: those of a few cars


@dataclass(frozen=True, slots=True)
class Assembly(Linkage):
    """A linkage with its mechanism."""

    mechanism: Mechanism

    @property
    def members(self) -> tuple[str, ...]:
        """Names of the member loads that K describes."""
        return self.mechanism.member_names

    @property
    def steered(self) -> bool:
        """True if a support moves with the rack."""
        return bool(np.any(self.mechanism.rack))

    @property
    def arms(self) -> Floats:
        """Lever arm (member,) that turns each member's load into a force.

        1 for forces, `MOMENT_ARM` [m] for moments.
        """
        return load_arms(self.mechanism)[list(self.mechanism.members)]


@lru_cache(maxsize=ASSEMBLIES)
def assembly_of(car: Vehicle, name: str) -> Assembly:
    """The assembly of that name, or the assembly of the corner of that name.

    `name` is a corner, 'FL', or an axle that ties two corners, 'rear'.

    Raises VehicleError: the car has no such corner or tied axle (the message offers the nearest
    name), the vehicle file lacks a corner of the axle, a body is loose at given travel and steer,
    or a wheel cannot travel.
    """
    return assembled(linkage_of(car, name))


def assemblies_of(car: Vehicle) -> dict[str, Assembly]:
    """All assemblies of the car by name, in the order of its corners.

    Raises VehicleError: see `assembly_of`.
    """
    return {name: assembly_of(car, name) for name in assembly_names(car)}


def assembled(linkage: Linkage) -> Assembly:
    """A linkage together with its mechanism.

    Raises VehicleError: a body is loose at given travel and steer, or a wheel cannot travel.
    """
    own = {f.name: getattr(linkage, f.name) for f in fields(Linkage)}
    return Assembly(**own, mechanism=mechanism_of(linkage))


def axle_roll(assembly: Assembly, travel: Floats) -> Floats:
    """Roll (...,) [rad] of the body against a tied axle by the travels (2, ...) [m] of its wheels.

    Left side up is positive, as of the body.
    """
    left, right = (corner.wheel.centre[1] for corner in assembly.corners)
    return np.asarray((travel[1] - travel[0]) / (left - right))
