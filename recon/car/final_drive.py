"""Differentials that are part of an axle: what turns the wheels of a live axle.

Half-shafts from a differential on the chassis pass no moment to the parts that carry the wheels.
With the differential in the axle, its housing holds the torque that drives the wheels, as it holds
that of an outboard brake, and the torque of the propeller shaft, which rolls it.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from recon.base.errors import VehicleError, VehicleWarning, warn
from recon.base.words import enumerated
from recon.car.source import Source
from recon.car.vehicle import AXLE, Axle, Corner, Vehicle

RATIOS = (2.0, 7.0)  # turns of the shaft per turn of the wheels; common practice, no source


def geared(corner: Corner, axle: Axle) -> Corner:
    """The corner with the ratio and the mass of its axle, as far as that turns and carries it."""
    ratio = axle.final_drive if isfinite(axle.final_drive) and _turned(corner) else 0.0
    mass = 0.5 * axle.mass if _carried(corner) else 0.0
    return replace(corner, final_drive=ratio, axle_mass=mass)


def _carried(corner: Corner) -> bool:
    return corner.wheel.on.startswith(f"{AXLE}.")


def _turned(corner: Corner) -> bool:
    return corner.driven and _carried(corner)


def require_geared(car: Vehicle, source: Source) -> None:
    """Refuse a ratio of no use, note an unusual one, and a live axle of which none is stated.

    Raises VehicleError: a ratio is stated for an axle that carries no driven wheels.
    Warns VehicleWarning: see above.
    """
    for name, axle in car.axles.items():
        _require_mass(car, axle, source)
        turned = [c for c in axle.corners if c in car.corners and _turned(car.corners[c])]
        where = source.at(("axle", name, "final_drive_ratio"), f"axle {name}")
        size = abs(axle.final_drive)
        if turned and not isfinite(axle.final_drive):
            warn(
                f"{where}: final_drive_ratio is not stated; {enumerated(turned)} are taken to be "
                "driven by half-shafts from the chassis. If the differential is in the axle, state "
                "its ratio, such as 4.1: otherwise forces while it drives are wrong by much more "
                "than their intervals. If it is not, state 0.",
                VehicleWarning,
            )
        elif size > 0 and not turned:
            raise VehicleError(
                where,
                f"final_drive_ratio = {axle.final_drive:g}, but no driven wheel on a body of this "
                "axle",
                "driven = true, and the wheel's `on` a body of the axle",
                "Leave final_drive_ratio out, or correct the corners.",
            )
        elif size > 0 and not RATIOS[0] <= size <= RATIOS[1]:
            warn(
                f"{where}: final_drive_ratio = {axle.final_drive:g}, usually {RATIOS[0]:g} to "
                f"{RATIOS[1]:g} turns of the propeller shaft per turn of the wheels.",
                VehicleWarning,
            )


def _require_mass(car: Vehicle, axle: Axle, source: Source) -> None:
    """Refuse a mass between the wheels that is none of theirs, or more than they are said to be.

    Warns VehicleWarning: a live axle of which no mass is stated.
    """
    where = source.at(("axle", axle.name, "mass_kg"), f"axle {axle.name}")
    carried = [c for n, c in car.corners.items() if n in axle.corners and _carried(c)]
    whole = sum(c.unsprung_mass for c in carried)
    if axle.mass and not axle.mass < whole:
        names = enumerated(c.name for c in carried)
        of_wheels = f"unsprung_mass_kg of {names} is {whole:g} in all"
        of_wheels = of_wheels if carried else "this axle carries no wheel"
        raise VehicleError(
            where,
            f"mass_kg = {axle.mass:g}, but {of_wheels}",
            "the part of the unsprung masses that is between the wheels, without these and brakes",
            "Correct mass_kg or unsprung_mass_kg, or leave mass_kg out.",
        )
    if any(c.final_drive for c in carried) and not axle.mass:
        warn(
            f"{where}: mass_kg of this live axle is not stated; all its mass is taken to be at the "
            "wheels. Forces while it hops, and those by gauges on its tubes, can be wrong by more "
            "than their intervals. Weigh it without wheels and brakes.",
            VehicleWarning,
        )
