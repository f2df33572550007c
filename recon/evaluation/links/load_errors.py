"""Errors of link loads at some samples, cause by cause, with their signs.

Errors of the forces act through the map of loads.  Hardpoints, tyre moments, unsprung mass, loaded
radius and dampers act on the loads themselves as well, and the same draw of such a cause does both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.car.vehicle import Tyre
from recon.evaluation.links.loads_per_force import Inputs, LinkMap
from recon.mechanics.live_axle import T_COLUMN
from recon.mechanics.motion import pose
from recon.mechanics.moved_points import moved_points
from recon.reconstruction.estimator.linear_estimator import FORCE_ROWS, rows_of_wheels
from recon.reconstruction.estimator.sample_features import joint_mode
from recon.reconstruction.result.signed_errors import signed_errors
from recon.reconstruction.solving.solve import EXCESS_SHARE, beyond_pulls

MX, MZ = 3, 5  # places among the six unknowns of a wheel
STEP = 1e-4  # m, of the loaded radius
MOVED_DEGREE = 2  # of what a hardpoint changes, over travels and rack
OWN = 4  # rows per corner beside the causes: the hub's moment, and three beyond the pulls


@dataclass(frozen=True, slots=True)
class ForceErrors:
    """Errors of the forces of all corners at some samples, and what describes them.

    `effect` (cause, sample, corner, 3) [N] and `beyond` (sample, corner, 3) [N] in vehicle axes;
    `hub_moment` (mode, corner) [N m] standard uncertainties and `alike` (mode, corner) [1] their
    correlation with those of the other wheel of a tied axle; `names` of the causes.
    """

    effect: Floats
    beyond: Floats
    hub_moment: Floats
    alike: Floats
    names: NDArray[np.str_]
    corners: list[str]
    where: str

    @classmethod
    def of(cls, piece: xr.Dataset) -> ForceErrors:
        """Of all samples of a piece of the forces."""
        samples = np.arange(piece.sizes["elapsed_time"])
        force = piece["tyre_force_vehicle"].to_numpy().astype(float)
        return cls(
            effect=signed_errors(piece, samples, "vehicle"),
            beyond=EXCESS_SHARE * beyond_pulls(force, piece["largest_pull"].to_numpy()),
            hub_moment=piece["u_hub_moment"].to_numpy(),
            alike=piece["hub_moment_correlation"].to_numpy(),
            names=piece["cause_name"].to_numpy().astype(str),
            corners=corner_names(piece),
            where=place_of(piece),
        )

    def places(self, name: str) -> NDArray[np.int64]:
        """Rows (cause,) of the causes of that name [1]."""
        return np.flatnonzero(self.names == name)


def link_errors(
    link_map: LinkMap, at: Inputs, errors: ForceErrors, tyre: Tyre, by_dampers: Floats
) -> Floats:
    """Effect of every cause on the loads of an assembly's links, (cause, sample, link) [N].

    Per standard uncertainty; causes in the order of `errors`, then `OWN` rows per corner.  Inputs
    `at` are those of the samples of `errors`; `tyre` holds the priors of the tyre's moments, and
    `by_dampers` (link, damper) [N] are the loads that dampers give by themselves.

    Raises DataError: the forces were reconstructed with other hardpoints than the vehicle file has.
    """
    assembly = link_map.assembly
    wheels = [errors.corners.index(corner.name) for corner in assembly.corners]
    unknown, hub = _at(link_map, at)
    loads = _loads(at, unknown, hub)
    forces = rows_of_wheels(FORCE_ROWS, unknown.shape[-1])
    effect = errors.effect[:, :, wheels].reshape(*errors.effect.shape[:2], -1)
    causes = np.einsum("csk,slk->csl", np.nan_to_num(effect), unknown[..., forces])
    for k, corner in enumerate(assembly.corners):
        _add_moments(causes, errors, at, (corner.name, k), unknown, tyre)
        force_of_mass = np.einsum("slj,js->sl", hub[..., 3 * k : 3 * k + 3], at.hub[k])
        share = corner.u_unsprung_mass / corner.unsprung_mass
        causes[errors.places(f"{corner.name} unsprung mass")] += share * force_of_mass
        lowered = (_loads(at, *_at(link_map.lowered(k, STEP), at)) - loads) / STEP
        lowered *= corner.wheel.u_loaded_radius
        causes[errors.places(f"{corner.name} loaded radius")] += lowered
    # What a damper adds to a link is missing in the load that the forces tell.
    first = errors.places(f"{assembly.name} dampers")[: by_dampers.shape[1]]
    causes[first] -= by_dampers.T[:, None]
    moved = _moved(link_map, at)
    places = errors.places(f"{assembly.name} hardpoints")
    if len(places) != len(moved):
        raise DataError(
            errors.where,
            f"{len(places)} uncertain coordinates of hardpoints in {assembly.title}, and "
            f"{len(moved)} in the vehicle file",
            "the vehicle file with which the forces were reconstructed",
            "Name that file, or reconstruct again with this one.",
        )
    causes[places] += moved
    return np.concatenate([causes, _own_rows(errors, at, wheels, unknown)])


def _add_moments(
    causes: Floats,
    errors: ForceErrors,
    at: Inputs,
    wheel: tuple[str, int],
    unknown: Floats,
    tyre: Tyre,
) -> None:
    """Add what errors of the tyre's moments do to the loads, beside what they do to the forces."""
    name, k = wheel
    for what, column, size in (
        ("aligning moment", MZ, tyre.u_trail * at.force[k, 1]),
        ("overturning moment", MX, tyre.u_shift * at.force[k, 2]),
    ):
        per_moment = unknown[..., 6 * k + column]
        by_force, floor = errors.places(f"{name} {what}")
        causes[by_force] += per_moment * size[:, None]
        causes[floor] += per_moment * tyre.floor_moment


def _own_rows(errors: ForceErrors, at: Inputs, wheels: list[int], unknown: Floats) -> Floats:
    """Rows of the hubs' moments and of forces beyond the pulls, `OWN` for each corner of the car.

    They have no sign in common with the other causes.  Gauges of a tied axle may know the sum of
    both moments and not their difference: the first row has what the errors have in common.
    """
    samples, links = unknown.shape[:2]
    out = np.zeros((len(errors.corners), OWN, samples, links))
    mode = joint_mode(at.mode)
    alike = errors.alike[mode, wheels[-1]][:, None]
    for k, corner in enumerate(wheels):
        by_moment = unknown[..., 6 * k + T_COLUMN] * errors.hub_moment[mode, corner][:, None]
        out[corner, 0] = by_moment * (np.sqrt(1 - alike**2) if k else 1.0)
        out[wheels[0], 0] += by_moment * (alike if k else 0.0)
        beyond = np.nan_to_num(errors.beyond[:, corner])  # (sample, 3)
        per_force = unknown[..., 6 * k : 6 * k + 3]
        out[corner, 1:] = np.moveaxis(per_force * beyond[:, None], -1, 0)
    return out.reshape(-1, samples, links)


def _loads(at: Inputs, unknown: Floats, hub: Floats) -> Floats:
    """Loads (..., sample, link) [N] by maps (..., sample, link, 6 w) and (..., 3 w)."""
    wheels, _, samples = at.force.shape
    x = np.zeros((wheels, 6, samples))
    x[:, [*FORCE_ROWS, T_COLUMN]] = at.force
    f = at.hub.reshape(3 * wheels, samples)
    by_unknown = np.einsum("...slk,ks->...sl", unknown, x.reshape(6 * wheels, samples))
    return np.asarray(by_unknown + np.einsum("...slk,ks->...sl", hub, f))


def _at(link_map: LinkMap, at: Inputs) -> tuple[Floats, Floats]:
    """Loads per unknown (sample, link, 6 w) and per specific force of the hubs (..., 3 w)."""
    posed = pose(link_map.assembly.mechanism, at.travel.T, at.rack)
    return link_map.direct(posed, at.mode)


def _moved(link_map: LinkMap, at: Inputs) -> Floats:
    """Change of the loads (coordinate, sample, link) [N] per standard uncertainty of a hardpoint.

    The loads by a geometry with that coordinate moved, less those by the geometry as it is.
    """
    points, u, centres = moved_points(link_map.assembly)
    tables = link_map.tables(MOVED_DEGREE, points[:, None], centres[:, None])
    changes = [(table[1:] - table[0]) * u[1:, None, None, None] for table in tables]
    return np.swapaxes(link_map.applied(changes, MOVED_DEGREE, at).astype(float), 1, 2)
