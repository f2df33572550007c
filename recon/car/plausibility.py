"""Masses and sizes of the whole car: what cannot be is refused, what is unusual is noted."""

from __future__ import annotations

from collections.abc import Iterator
from operator import itemgetter

import numpy as np

from recon.base.errors import VehicleError, VehicleWarning, warn
from recon.base.quantities import POUND_FORCE, STANDARD_GRAVITY
from recon.car.bridges import BenchPull, TubeBridge
from recon.car.source import Loc, Source
from recon.car.vehicle import DAMPER, Axle, Corner, Vehicle

Size = tuple[str, float, tuple[float, float], Loc]

# Ranges outside which a number is noted; common practice, no source.
# Of the total mass, four wheels: shipped and common cars have 0.09 to 0.15, in lb twice as much.
UNSPRUNG = (0.07, 0.19)
UNEVEN = 1.5  # times the mass of the other wheel of an axle
HEIGHT = (0.15, 1.2)  # m, centre of mass above the ground
WHEELBASE = (1.0, 5.0)  # m
MEASURED = 0.03  # m, beyond any measuring error of a wheelbase
SINK = (0.002, 1.0)  # m, of a spring under a quarter of the car's weight
DROOP = 0.04  # m, of a hanging wheel above the lower end of its range of travel
HALFWAY = 0.5  # of that range; without a damper, as for pulls, a wheel goes lower than it hangs
# Strain gauges of metal foil, and of semiconductor; from memory.
FACTORS = ((1.5, 5.0), (50.0, 200.0))
BUSHES = (0.0, 50.0)  # N/mm at the wheel: softer than any spring that carries a car
TOE, CAMBER = (-4.0, 4.0), (-10.0, 10.0)  # deg
PER_TURN = (15.0, 150.0)  # mm of the rack
PER_KILONEWTON = (0.002, 5.0)  # mV/V of a bridge on anything that holds a wheel
LOWEST = 0.05  # m, height of a centre of mass; common practice, no source
OUT = (0.35, 1.3)  # m, wheel centre from the middle of the car: half a track


def require_plausible(car: Vehicle, source: Source) -> Vehicle:
    """Return the car; refuse masses that leave a wheel without load, or lie below the floor.

    Raises VehicleError: the centre of mass is not between the axles or too low, a stated wheelbase
    is not that of the wheels, or these outweigh the car.
    Warns VehicleWarning: unsprung masses, height of the centre of mass, wheelbase, track, droop, a
    spring rate, bush rate, gauge factor, bench slope, toe, camber or rack per turn are unusual.
    """
    front, rear = (
        [c.wheel.centre[0] for n, c in car.corners.items() if n.startswith(end)] for end in "FR"
    )
    _require_between(car, source, front, rear)
    _require_height(car, source)
    _require_one_wheelbase(car, source)
    _require_sprung(car, source)
    _warn_of_uneven_wheels(car, source)
    _warn_of_droop(car, source)
    _warn_of_rates(car, source)
    _warn_of_factors(car, source)
    _warn_of_units(car, source)
    for what, value, (low, high), loc in _sizes(car, front, rear):
        if not low <= value <= high:
            warn(
                f"{source.at(loc, what)} {1e3 * value:.0f} mm, usually {1e3 * low:.0f} to "
                f"{1e3 * high:.0f} mm. Check the axes (origin on the ground, z up) and the unit.",
                VehicleWarning,
            )
    return car


def _require_between(car: Vehicle, source: Source, front: list[float], rear: list[float]) -> None:
    """Refuse a centre of mass ahead of the front axle, or behind the rear one if it is described.

    `front` and `rear` are x of the wheel centres [m]; the origin lies below the front axle.
    """
    x, first = car.centre_of_mass[0], float(np.mean(front)) if front else 0.0
    last = first - car.wheelbase if np.isfinite(car.wheelbase) else -np.inf
    last = float(np.mean(rear)) if rear else last
    if not last < x < first:
        behind = f"behind the front axle at {1e3 * first:.0f} mm"
        if np.isfinite(last):
            behind = f"between the rear wheels at {1e3 * last:.0f} mm and the front axle at "
            behind += f"{1e3 * first:.0f} mm"
        raise VehicleError(
            source.at(("mass", "centre_of_mass_mm"), "mass"),
            f"centre of mass at x = {1e3 * x:.0f} mm",
            f"x {behind}; elsewhere an axle would carry less than nothing",
            "x is forward and has one origin for all points: correct its sign, or measure it from "
            "where the points are measured.",
        )


def _require_height(car: Vehicle, source: Source) -> None:
    """Refuse a centre of mass below any floor of a car."""
    height = car.centre_of_mass[2]
    if height < LOWEST:
        raise VehicleError(
            source.at(("mass", "centre_of_mass_mm"), "mass"),
            f"centre of mass at z = {1e3 * height:g} mm",
            f"a height above the ground of more than {1e3 * LOWEST:g} mm",
            "Write all three coordinates in mm, z upwards from the ground.",
        )


def _require_one_wheelbase(car: Vehicle, source: Source) -> None:
    """Refuse a stated wheelbase that is not that of the described wheels."""
    if abs(car.stated_wheelbase - car.wheelbase) > MEASURED:  # NaN: not stated
        raise VehicleError(
            source.at(("mass", "wheelbase_mm"), "mass"),
            f"wheelbase_mm = {1e3 * car.stated_wheelbase:g}, but the wheel centres are "
            f"{1e3 * car.wheelbase:g} mm apart",
            f"the two within {1e3 * MEASURED:g} mm",
            "Leave wheelbase_mm out, or correct it or the wheel centres; it is needed only where "
            "one axle is described alone.",
        )


def _require_sprung(car: Vehicle, source: Source) -> None:
    wheels = sum(c.unsprung_mass for c in car.corners.values())
    where = source.at(("mass", "total_kg"), "mass")
    if wheels >= car.mass:
        raise VehicleError(
            where,
            f"unsprung masses of {wheels:g} kg at {', '.join(car.corners)} in a car of "
            f"{car.mass:g} kg",
            "a total mass above that of the wheels",
            "total_kg is the whole car with driver, unsprung_mass_kg one wheel with its upright.",
        )
    share = 4.0 * wheels / len(car.corners) / car.mass
    low, high = UNSPRUNG
    if low <= share <= high:
        return
    name, heavy = max(((n, c.unsprung_mass) for n, c in car.corners.items()), key=itemgetter(1))
    of_wheel = f"unsprung_mass_kg of {name}", heavy
    key, given = of_wheel if share > high else ("total_kg", car.mass)
    warn(
        f"{where}: four wheels as stated are {100 * share:.2g} % of {car.mass:g} kg, usually "
        f"{100 * low:.0f} to {100 * high:.0f} %. Is {key} in kg ({given:g} lb would be "
        f"{given * POUND_FORCE / STANDARD_GRAVITY:.3g} kg), and are both of the right parts? "
        "total_kg is the whole car with driver, unsprung_mass_kg one wheel with its upright.",
        VehicleWarning,
    )


def _warn_of_uneven_wheels(car: Vehicle, source: Source) -> None:
    """Warn of axles of which one wheel is much heavier than the other."""
    for axle in ("F", "R"):
        wheels = sorted((c.unsprung_mass, n) for n, c in car.corners.items() if n[0] == axle)
        if wheels and wheels[-1][0] > UNEVEN * wheels[0][0]:
            (light, other), (heavy, name) = wheels
            where = source.at(("corner", name, "unsprung_mass_kg"), f"corner {name}")
            warn(
                f"{where}: unsprung_mass_kg is {heavy:g}, {heavy / light:.2g} times that "
                f"of {other}, {light:g}. Are both in kg ({heavy:g} lb would be "
                f"{heavy * POUND_FORCE / STANDARD_GRAVITY:.3g} kg), and both with upright?",
                VehicleWarning,
            )


def _warn_of_droop(car: Vehicle, source: Source) -> None:
    """Note hanging wheels far above the lower end of their travel: another unit, or a sign."""
    for name, corner in car.corners.items():
        loc: Loc = ("corner", name, "droop_travel_mm")
        droop, low = corner.droop_travel, corner.travel_range[0]
        if loc in source.lines and droop - low > DROOP and droop > HALFWAY * low:
            warn(
                f"{source.at(loc, f'corner {name}')}: the hanging wheel is at {1e3 * droop:g} mm, "
                f"but travel_mm goes down to {1e3 * low:g} mm. Is droop_travel_mm in mm, and "
                "negative?",
                VehicleWarning,
            )


def _warn_of_rates(car: Vehicle, source: Source) -> None:
    """Note springs that a car would hardly press together, or right through: another unit."""
    low, high = SINK
    load = car.mass * STANDARD_GRAVITY / 4
    for kind, part in _parts(car):
        for i, support in enumerate(part.supports):
            sink = load * support.compliance
            is_damper = support.compliance == DAMPER
            if support.kind == "spring" and not is_damper and (sink < low or sink > high):
                loc = (kind, part.name, "support", i, "rate_N_per_mm")
                warn(
                    f"{source.at(loc, f'{kind} {part.name}')}: {support.name} of "
                    f"{1e-3 / support.compliance:g} N/mm gives way by {1e3 * sink:.2g} mm under a "
                    f"quarter of the car, usually by {1e3 * low:g} to {1e3 * high:g} mm. Is "
                    "rate_N_per_mm in N/mm?",
                    VehicleWarning,
                )


def _parts(car: Vehicle) -> list[tuple[str, Corner | Axle]]:
    """Corners and axles, each with the name of its table in the file."""
    corners = [("corner", corner) for corner in car.corners.values()]
    return [*corners, *(("axle", axle) for axle in car.axles.values())]


def _warn_of_factors(car: Vehicle, source: Source) -> None:
    """Note gauge factors of no kind of strain gauge: a decimal point that slipped."""
    found = [
        (
            source.at((kind, part.name, "gauge", i, "gauge_factor"), f"{kind} {part.name}"),
            gauge.name,
            gauge.expected.gauge_factor,
        )
        for kind, part in _parts(car)
        for i, gauge in enumerate(part.gauges)
        if isinstance(gauge.expected, TubeBridge) and _slipped(gauge.expected.gauge_factor)
    ]
    if found:
        where, name, factor = found[0]
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        warn(
            f"{where}: {name}{more} has a gauge factor of {factor:g}, "
            "usually about 2 for metal foil and 50 to 200 for semiconductor gauges. Is its decimal "
            "point where it is on the packet?",
            VehicleWarning,
        )


def _warn_of_units(car: Vehicle, source: Source) -> None:
    """Note numbers that are usual in another unit, once for each key."""
    said = set()
    for loc, value, (low, high) in _measured(car):
        key = str(loc[-1])
        if key in said or loc not in source.lines or not np.isfinite(value):
            continue
        if not low <= value <= high:
            said.add(key)
            what = " ".join(str(part) for part in loc[:-1][:2])
            warn(
                f"{source.at(loc, what)}: {key} = {value:g}, usually {low:g} to {high:g}. Is it in "
                "the unit that its name says, and is the decimal point right?",
                VehicleWarning,
            )


def _measured(car: Vehicle) -> Iterator[tuple[Loc, float, tuple[float, float]]]:
    """Numbers by their keys, in the units of these, with the range that is usual."""
    yield ("steering", "rack_mm_per_turn"), 2e3 * np.pi * car.steering.rack_per_angle, PER_TURN
    for name, corner in car.corners.items():
        yield ("corner", name, "bush_rate_N_per_mm"), 1e-3 * corner.bush_rate, BUSHES
        wheel, of = corner.wheel, ("corner", name, "wheel")
        yield (*of, "toe_in_deg"), float(np.degrees(wheel.toe_in)), TOE
        yield (*of, "camber_deg"), float(np.degrees(wheel.camber)), CAMBER
    for kind, part in _parts(car):
        for i, gauge in enumerate(part.gauges):
            if isinstance(gauge.expected, BenchPull) and gauge.unit == "mV/V":
                loc = (kind, part.name, "gauge", i, "bench_slope_per_kN")
                yield loc, 1e3 * abs(gauge.expected.value), PER_KILONEWTON


def _slipped(factor: float) -> bool:
    """True for a gauge factor of no kind of gauge; NaN stands for one that is not needed."""
    return np.isfinite(factor) and not any(low <= factor <= high for low, high in FACTORS)


def _sizes(car: Vehicle, front: list[float], rear: list[float]) -> list[Size]:
    """Each size with its name, value [m], usual range and key in the file."""
    centre: Loc = ("mass", "centre_of_mass_mm")
    sizes: list[Size] = [("height of the centre of mass", car.centre_of_mass[2], HEIGHT, centre)]
    if np.isfinite(car.wheelbase):
        where: Loc = ("corner",) if front and rear else ("mass", "wheelbase_mm")
        sizes.append(("wheelbase", car.wheelbase, WHEELBASE, where))
    for name, corner in car.corners.items():
        out = abs(corner.wheel.centre[1])
        key = ("corner", name, "wheel", "centre_mm")
        sizes.append((f"{name}: wheel centre beside the middle of the car", out, OUT, key))
    return sizes
