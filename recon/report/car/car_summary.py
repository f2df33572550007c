"""A vehicle in words: ranges, the load in every member, and assumed values."""

from __future__ import annotations

from functools import partial

import numpy as np

from recon.calibration.evidence_against import factor_unseen
from recon.car.vehicle import TWO_FORCE, Axle, Vehicle
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.mechanics.motion import pose, posed
from recon.mechanics.statics import load_matrix, member_matrix, road_columns, section_matrix
from recon.mechanics.structure import FREE
from recon.planning.questions import gaugeable, load_units
from recon.reconstruction.defaults import effects_of_defaults
from recon.report.car.corner import plot_corner
from recon.report.car.travel import plot_travel
from recon.report.common.sheet import Pictures
from recon.report.common.text import wrapped

MOST_SHOWN = 3  # defaults that matter most
LEAST = 0.5  # N; less is not worth a line
SOME_TRAVEL, NOTHING = 0.5, 1e-6  # of the travel of a wheel; of the load by the own wheel

UNTIED = (
    "No gauge of axle {0} carries load of the other wheel: what ties the wheels acts behind the "
    "gauges, as a third spring on the rockers does behind push rods. Leave out [axle.{0}]; each "
    "wheel is then pulled, calibrated and solved alone."
)
UNWEIGHED = (
    "One axle and no wheelbase: forces of {} cannot be compared with the weight on them. State "
    "wheelbase_mm in the table [mass]."
)


def car_summary(car: Vehicle, *, every: bool = False) -> list[str]:
    """Contents of a vehicle file, and the load in each link and section per kN at the contact.

    The values that the file does not state are counted, and listed if `every` is set.
    """
    lines = [f"{car.name} ({car.source})", f"vehicle file {car.path}, checksum {car.checksum[:12]}"]
    shown: set[tuple] = set()
    for assembly in assemblies_of(car).values():
        lines += ["", *_load_lines(car, assembly)]
        if assembly.tied and _tied_unseen(car.axles[assembly.name], assembly):
            lines += wrapped(UNTIED.format(assembly.name))
        limits = tuple(_without_limit(car, assembly))
        if limits and limits not in shown:
            lines += wrapped(
                f"no load limit is stated for {', '.join(limits)}; "
                "pulls are not checked against one"
            )
            shown.add(limits)
    if unseen_of_pulls(car):
        lines += ["", *unseen_of_pulls(car)]
    if not np.isfinite(car.wheelbase):
        lines += ["", *wrapped(UNWEIGHED.format(", ".join(car.corners)))]
    if car.assumed:
        lines += ["", *_assumed_lines(car, every=every)]
    return lines


def unseen_of_pulls(car: Vehicle) -> list[str]:
    """Lines on faults that all loads of this car's pulls could share unseen; none with bridges."""
    return wrapped(factor_unseen(car)) if factor_unseen(car) else []


def _assumed_lines(car: Vehicle, *, every: bool) -> list[str]:
    """Number of values that the file does not state, and those that matter most, or all."""
    lines = [f"{len(car.assumed)} values are not stated in the file; defaults are used."]
    effects = [effect for effect in effects_of_defaults(car) if effect.u >= LEAST][:MOST_SHOWN]
    if effects:
        lines.append(
            "  Stating these helps most (standard uncertainty that the default causes in a corner "
            "or stop at 0.7 g):"
        )
    for effect in effects:
        a = effect.assumed
        lines += wrapped(
            f"{effect.u:.0f} N of F{effect.component} at {effect.corner}: "
            f"{a.key}{a.of} ({a.owner}), taken as {a.taken}"
        )
    rest = [f"  {a}" for a in car.assumed] if every else ["  `recon check --all` lists them."]
    return lines + rest


def _tied_unseen(axle: Axle, assembly: Assembly) -> bool:
    """Whether springs alone tie an axle, and no gauge carries load of the other wheel."""
    if axle.bodies or not all(support.kind in FREE for support in axle.supports):
        return False
    ranges = np.array([corner.travel_range for corner in assembly.corners])
    apart = SOME_TRAVEL * np.array([[0.0, 0.0], ranges[:, 0], [ranges[0, 0], ranges[1, 1]]])
    gauged = [assembly.members.index(m) for m in assembly.gauged if m in assembly.members]
    loads = np.abs(member_matrix(pose(assembly.mechanism, apart))[:, gauged])
    by_wheel = loads.reshape(*loads.shape[:2], -1, 6).max(axis=(0, 3))  # (gauge, wheel)
    return bool(gauged) and bool(np.all(by_wheel.min(axis=1) < NOTHING * by_wheel.max(axis=1)))


def _load_lines(car: Vehicle, assembly: Assembly) -> list[str]:
    """Loads of a corner, or of an axle by both wheels, per kN at each contact."""
    mechanism = assembly.mechanism
    still = posed(assembly, 0.0)
    loads = np.concatenate([load_matrix(still), section_matrix(still)])
    braked, rolling = (
        1000 * loads @ road_columns(still, hub_passes_spin=passes) for passes in (True, False)
    )
    heads, columns = [], []
    for k, corner in enumerate(assembly.corners):
        of = f" {corner.name}" if assembly.tied else ""
        outboard = corner.brake.place == "outboard"
        heads += [f"Fx{of} braked"] * outboard + [f"Fx{of} rolling", f"Fy{of}", f"Fz{of}"]
        usual = braked if outboard else rolling  # elsewhere no torque of a brake passes the hub
        columns += [braked[:, 6 * k]] * outboard
        columns += [rolling[:, 6 * k], usual[:, 6 * k + 1], usual[:, 6 * k + 2]]
    gauges = list(zip(assembly.gauges, assembly.gauged, strict=True))
    names = gaugeable(mechanism)
    wide = 2 + max(map(len, names))
    units = dict(zip(mechanism.row_names, load_units(mechanism), strict=True))
    mixed = 4 if "N m" in units.values() else 0
    per = "each contact" if assembly.tied else "the contact"
    lines = [
        _reach(car, assembly),
        f"  load in N per 1000 N at {per}, tension positive"
        + ("; of bending and torsion in N m" if mixed else ""),
        f"  {'':{wide + mixed}}" + "".join(f"{h:>{_wide(h)}}" for h in heads) + "  gauge",
    ]
    for name in names:
        row = mechanism.row_names.index(name)
        cells = (f"{_cell(c[row]):>{_wide(h)}}" for h, c in zip(heads, columns, strict=True))
        on = ", ".join(g.name for g, load in gauges if load == name) or "none"
        unit = units[name] if mixed else ""
        lines.append(f"  {name:{wide}}{unit:{mixed}}" + "".join(cells) + f"  {on}")
    for group in mechanism.redundant:
        lines += wrapped(group.reason)
    return lines


def _wide(head: str) -> int:
    return max(len(head) + 2, 8)


def _cell(value: float) -> str:
    return str(round(value)) if np.isfinite(value) else "open"


def _reach(car: Vehicle, assembly: Assembly) -> str:
    """Counts and ranges; refuses what the mechanism does not reach, and dead centres."""
    ranges = [np.linspace(*c.travel_range, 9) for c in assembly.corners]
    travels = np.stack(np.meshgrid(*ranges), axis=-1)
    racks = car.steering.rack_range if assembly.steered else (0.0, 0.0)
    for rack in racks:
        load_matrix(posed(assembly, travels, rack))
    low, high = assembly.corners[0].travel_range
    count = len(assembly.gauges)
    name = assembly.label
    pair = " tied to ".join(c.name for c in assembly.corners)
    of = f", {pair}" if assembly.tied else ""
    return (
        f"{name}{of}: {count} gauge{'s' * (count != 1)}, {len(assembly.members)} members, "
        f"travel {1e3 * low:.0f} to {1e3 * high:.0f} mm"
        + (f", rack {1e3 * racks[0]:.0f} to {1e3 * racks[1]:.0f} mm" if any(racks) else "")
    )


def _without_limit(car: Vehicle, assembly: Assembly) -> list[str]:
    """Two-force members of a corner or axle for which no load limit is stated."""
    parts = (*assembly.corners, car.axles.get(assembly.name))
    bare = [
        s.name
        for part in parts
        if part is not None
        for s in part.supports
        if s.kind in TWO_FORCE and not np.isfinite(s.limit)
    ]
    return list(dict.fromkeys(bare))


def car_pictures(car: Vehicle) -> Pictures:
    """File names of the pictures of every corner or tied axle, with the calls that draw them."""
    pictures: Pictures = {}
    for name, assembly in assemblies_of(car).items():
        corner = assembly.corners[0].name
        kind, of = ("axle", f"axle_{name}") if assembly.tied else ("corner", name)
        pictures[f"{kind}_{name}.png"] = partial(plot_corner, car, corner)
        pictures[f"travel_{of}.png"] = partial(plot_travel, car, corner)
    return pictures
