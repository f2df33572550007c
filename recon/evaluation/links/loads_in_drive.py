"""Loads of the links of an assembly through a drive, low-passed and thinned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, side_by_side
from recon.base.errors import DataError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import DAMPER, Vehicle
from recon.conditioning.filters import Band, low_pass, stretches_near
from recon.conditioning.lower_rate import SAMPLES, stretches_of
from recon.evaluation.links.loads_per_force import Inputs, LinkMap
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.statics import loads_by_dampers
from recon.reconstruction.inputs.damper_force import damper_force_by

PER_PERIOD = 10  # samples per period of the bandwidth: a peak between them is 5 % higher at most


@dataclass(frozen=True, slots=True)
class DrivenLinks:
    """Links of one assembly through a drive: `load` (link, sample) [N], low-passed to a `band`.

    `positions` (sample,) are those along the elapsed time of the forces.  Loads are calculated
    before they are low-passed: where a wheel locks, what the hub passes changes at one sample.
    `every` are the inputs of all samples of the drive as they are.  `by_dampers` (link, damper) [N]
    are loads by the usual force of each damper beside a bar, which no force of the road tells.
    """

    link_map: LinkMap
    every: Inputs
    load: Floats
    positions: NDArray[np.int64]
    band: Band
    by_dampers: Floats

    def inputs(self, places: NDArray[np.int64]) -> Inputs:
        """Low-passed inputs of the samples at `places` (place,) [1]: only there they are needed."""
        at, wheels = self.positions[places], len(self.every.travel)
        passed = np.empty((8 * wheels + 1, len(at)))
        for near in stretches_near(at, self.band):
            own = self.every.part(near)
            columns = np.concatenate([own.rows(float), own.travel, own.rack[None]]).T
            inside = (at >= near.start) & (at < near.stop)
            smooth = low_pass(columns, self.band.bandwidth, self.band.rate)
            passed[:, inside] = smooth[at[inside] - near.start].T
        force, hub, travel, rack = np.split(passed, np.cumsum([4 * wheels, 3 * wheels, wheels]))
        return Inputs(
            force=force.reshape(wheels, 4, -1),
            hub=hub.reshape(wheels, 3, -1),
            travel=travel,
            rack=rack[0],
            mode=self.every.mode[:, at],
        )

    def peaks(self) -> NDArray[np.int64]:
        """Places (link, direction) of the largest tension and compression, -1 if not known."""
        known = np.isfinite(self.load)
        most = np.argmax(np.where(known, self.load, -np.inf), axis=1)
        least = np.argmin(np.where(known, self.load, np.inf), axis=1)
        some = np.any(known, axis=1, keepdims=True)
        return np.where(some, np.stack([most, least], axis=1), -1)


def car_of(forces: xr.Dataset, vehicle: Vehicle | None) -> Vehicle:
    """The vehicle of the forces.

    Raises DataError: none was given, or that of another car or of fewer corners.
    """
    named = str(forces.attrs.get("vehicle", ""))
    if vehicle is None:
        raise DataError(
            place_of(forces),
            "no vehicle file",
            f"the vehicle file of '{named}', for its hardpoints",
            "Name it with --vehicle (vehicle=recon.read_vehicle(...) in Python).",
        )
    if vehicle.name != named:
        raise DataError(
            place_of(forces),
            f"forces of '{named}' with the vehicle file of '{vehicle.name}'",
            "one car",
            "Name the vehicle file with which the forces were reconstructed.",
        )
    lacking = [name for name in corner_names(forces) if name not in vehicle.corners]
    if lacking:
        raise DataError(
            place_of(forces),
            f"forces of {', '.join(lacking)}, which the vehicle file of '{vehicle.name}' lacks",
            f"a vehicle file with {', '.join(corner_names(forces))}",
            "Name the vehicle file with which the forces were reconstructed.",
        )
    return vehicle


def links_of(
    forces: xr.Dataset, car: Vehicle, name: str, band: float, chosen: NDArray[np.bool_]
) -> DrivenLinks:
    """Loads of the links of the assembly `name` through a drive, from the result of `reconstruct`.

    Loads are low-passed to `band` [Hz]; samples where `chosen` (sample,) may enter.
    """
    assembly = assembly_of(car, name)
    corners = corner_names(forces)
    places = [corners.index(corner.name) for corner in assembly.corners]
    rate = float(forces.attrs["rate_Hz"])
    step = max(int(rate / (PER_PERIOD * band)), 1)
    inside = chosen[::step]
    kept = np.flatnonzero(inside) * step
    filtered = Band(band, rate, stretches_of(forces[SAMPLES].to_numpy(), rate))
    force, moment, travel, rack, mode = (
        forces[name].to_numpy()
        for name in ("tyre_force_vehicle", "hub_moment", "travel", "rack", "hub_mode")
    )
    # Samples of one force lie beside each other, here as in a result.
    own = (side_by_side(force, places), side_by_side(moment, places)[..., None])
    inputs = Inputs(
        force=np.concatenate([np.moveaxis(values, 0, -1) for values in own], axis=1),
        hub=np.moveaxis(_hub_force(forces, places), 0, -1),
        travel=travel[:, places].T,
        rack=rack if assembly.steered else np.zeros(len(rack)),
        mode=mode[:, places].T.astype(np.int64),
    )
    link_map = LinkMap.of(car, assembly)
    load, column = np.empty((len(link_map.rows), len(kept))), np.empty((len(rack), 1))
    for row, own in zip(load, link_map.loads(inputs), strict=True):
        passed = low_pass(own[:, None], band, rate, filtered.parts, out=column)[::step, 0]
        row[:] = passed if len(kept) == len(inside) else passed[inside]
    # A damper carries what the speed of its wheel makes of it; no force of the road tells that.
    load[assembly.mechanism.compliance[np.array(link_map.rows, dtype=int)] == DAMPER] = np.nan
    usual = damper_force_by(inputs.travel, rate, car, assembly)
    by_dampers = usual * loads_by_dampers(pose(assembly.mechanism, 0.0))[list(link_map.rows)]
    return DrivenLinks(link_map, inputs, load, kept, filtered, by_dampers)


def _hub_force(forces: xr.Dataset, places: list[int]) -> Floats:
    """Specific force (sample, w, 3) [m/s2] of the hubs, axis by axis as the reconstruction has it.

    That of the hub where it is logged; else that of the body and the motion against it; else
    gravity.
    """
    found = np.zeros((forces.sizes[SAMPLES], len(places), 3))
    own = (
        side_by_side(forces["hub_acceleration"].to_numpy(), places)
        if "hub_acceleration" in forces
        else found
    )
    logged = np.isfinite(own).any(axis=0) & ("hub_acceleration" in forces)
    if logged.all():
        return np.asarray(own, dtype=float)
    found[..., 2] = STANDARD_GRAVITY
    if "acceleration" in forces:
        body = forces["acceleration"].to_numpy()[:, None]
        found = np.where(np.isfinite(body), body, found)
    if "relative_acceleration" in forces:
        found = found + np.nan_to_num(forces["relative_acceleration"].to_numpy()[:, places])
    return np.where(logged, own, found)
