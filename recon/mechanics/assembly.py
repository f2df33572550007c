"""Assemblies: what is calibrated and solved as one, with its arrays; the ways to ask for one."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.car.linkage import Linkage, assembly_names, linkage_of
from recon.mechanics.mechanism import load_arms, mechanism_of
from recon.mechanics.structure import Mechanism

if TYPE_CHECKING:
    from recon.car.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class Assembly(Linkage):
    """A corner that stands alone, or the two corners that an axle ties, with its arrays."""

    mechanism: Mechanism

    @property
    def members(self) -> tuple[str, ...]:
        """Names of the loads that K is about."""
        return self.mechanism.member_names

    @property
    def steered(self) -> bool:
        """True where a support moves with the rack."""
        return bool(np.any(self.mechanism.rack))

    @property
    def arms(self) -> Floats:
        """Arm (member,) that makes each member's load a force, 1 or `MOMENT_ARM` [m] of moments."""
        return load_arms(self.mechanism)[list(self.mechanism.members)]


def assembly_of(car: Vehicle, name: str) -> Assembly:
    """The assembly of that name, or the one that the corner of that name belongs to.

    Parameters
    ----------
    name : str
        A corner's, 'FL', or that of an axle that ties two, 'rear'.

    Raises
    ------
    VehicleError
        The car has no such corner or tied axle (the nearest is offered), or one of the axle's
        corners is not described; a body can move at given travel and steer, or a wheel cannot
        travel.
    """
    return assembled(linkage_of(car, name))


def assemblies_of(car: Vehicle) -> dict[str, Assembly]:
    """Every assembly of the car by name, in the order of the corners.

    Raises
    ------
    VehicleError
        As `assembly_of`.
    """
    return {name: assembly_of(car, name) for name in assembly_names(car)}


def assembled(linkage: Linkage) -> Assembly:
    """The linkage with its arrays.

    Raises
    ------
    VehicleError
        A body can move at given travel and steer, or a wheel cannot travel.
    """
    own = {f.name: getattr(linkage, f.name) for f in fields(Linkage)}
    return Assembly(**own, mechanism=mechanism_of(linkage))
