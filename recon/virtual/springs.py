"""Springs of tied axles, and the solid links that replace springs while a wheel is pulled."""

from __future__ import annotations

import numpy as np

from recon.base.quantities import STANDARD_GRAVITY
from recon.car.linkage import Linkage
from recon.car.vehicle import Vehicle
from recon.virtual.elastic import Load, Sprung, no_load, settle
from recon.virtual.elements import ElasticAssembly
from recon.virtual.hub_loads import AtRest


def springs_holding(elastic: ElasticAssembly, loads: tuple[Load, ...], height: float) -> Sprung:
    """Springs adjusted so that wheels under `loads` stand `height` [m] above design height."""
    at = settle(elastic, loads, np.zeros(1), travel=height)
    element = elastic.members.element.tolist()
    force = at.load[0, [element.index(e) for e in elastic.springs]]
    return Sprung(elastic.rate, at.spring_length[0] - force / elastic.rate)


def solid_links(elastic: ElasticAssembly, height: float) -> Sprung:
    """Solid links in place of the springs, holding unloaded wheels `height` [m] above design."""
    nothing = (no_load,) * len(elastic.wheels)
    at_rest = settle(elastic, nothing, np.zeros(1), travel=height)
    return Sprung(elastic.axial[elastic.springs], at_rest.spring_length[0])


def springs_at_design(truth: Vehicle, linkage: Linkage, elastic: ElasticAssembly) -> Sprung:
    """Springs that hold the car at design height, where the axle's own parts carry no load."""
    standing = tuple(
        AtRest(STANDARD_GRAVITY * c.unsprung_mass, _static_load(truth, c.name))
        for c in linkage.corners
    )
    return springs_holding(elastic, standing, 0.0)


def _static_load(truth: Vehicle, corner: str) -> float:
    """Upward force [N] on a wheel of the standing car; a quarter of the weight without an axle."""
    ahead = {name: c.wheel.centre[0] for name, c in truth.corners.items()}
    front, rear = (
        np.mean([x for n, x in ahead.items() if n[0] == end] or [np.nan]) for end in "FR"
    )
    share = float((truth.centre_of_mass[0] - rear) / (front - rear))
    share = share if corner[0] == "F" else 1.0 - share
    return 0.5 * truth.mass * STANDARD_GRAVITY * (share if np.isfinite(share) else 0.5)
