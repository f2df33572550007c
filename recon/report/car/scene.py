"""A posed and loaded corner or axle for the pictures: places in mm, loads, gauges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.car.vehicle import TWO_FORCE, TWO_POINTS, Vehicle
from recon.mechanics.assembly import Assembly, assembly_of
from recon.mechanics.motion import Pose, WheelAt, posed
from recon.mechanics.statics import load_matrix, road_columns, section_matrix
from recon.mechanics.structure import Mechanism, moved_point
from recon.planning.questions import load_units
from recon.report.common.looks import LOOKS

ARROW = 170.0  # mm, length of the largest force
WHEEL_WIDTH = 0.65  # of the radius; drawn only, no file states it
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
SAME_PLACE = 1.0  # mm; sections nearer to each other are drawn as one cut


@dataclass(frozen=True, slots=True)
class Load:
    """One load: name in words, gauges on it, value [N or N m], NaN if it is not known."""

    name: str
    gauges: tuple[str, ...]
    value: float
    unit: str

    @property
    def words(self) -> str:
        """The value with its unit."""
        if not np.isfinite(self.value):
            return "split not known"
        return f"{signed(self.value)} {self.unit}"


@dataclass(frozen=True, slots=True)
class Cut:
    """A place with section gauges: its letter, body, station (xyz) [mm], unit vectors, loads."""

    letter: str
    body: int
    station: Floats
    along: Floats
    across: Floats
    loads: tuple[Load, ...]


@dataclass(frozen=True, slots=True)
class DrawnWheel:
    """One wheel [mm]: centre, contact, points of its outline, the body that carries it."""

    corner: str
    body: int
    hub: Floats
    contact: Floats
    outline: Floats


@dataclass(frozen=True, slots=True)
class Scene:
    """One posed and loaded corner or axle.

    `places` (support, 3, xyz) outer, inner and second axis point [mm]; `loads` of each support,
    None where it is not a single number (ball, pivot, slider); `force` (3,) [N] at the contact
    of `corner` and `arrows` (3, xyz) its drawn parts [mm].
    """

    title: str
    corner: str
    mechanism: Mechanism
    places: Floats
    loads: tuple[Load | None, ...]
    cuts: tuple[Cut, ...]
    wheels: tuple[DrawnWheel, ...]
    force: Floats
    arrows: Floats

    @property
    def names(self) -> tuple[str, ...]:
        """Supports in words."""
        return tuple(spaced(name) for name in self.mechanism.supports)

    @property
    def contact(self) -> Floats:
        """Contact (3,) [mm] of the wheel that is loaded."""
        return next(w.contact for w in self.wheels if w.corner == self.corner)

    @property
    def every_load(self) -> tuple[Load, ...]:
        """Loads of supports, then of sections."""
        own = tuple(load for load in self.loads if load is not None)
        return own + tuple(load for cut in self.cuts for load in cut.loads)

    @property
    def most(self) -> float:
        """Largest load of a link or spring [N], at least 1."""
        sizes = [abs(x.value) for x in self.loads if x is not None and x.unit == "N"]
        return max([1.0, *(s for s in sizes if np.isfinite(s))])

    def points_on(self, body: int) -> Floats:
        """Points (point, xyz) [mm] fixed to a body, with the centre of its wheel."""
        points = [w.hub for w in self.wheels if w.body == body]
        m = self.mechanism
        for k, (outer, inner, axis) in enumerate(self.places):
            if m.outer_body[k] == body:
                points += [outer, axis] if m.kinds[k] in TWO_POINTS else [outer]
            if m.inner_body[k] == body:
                points.append(inner)
        points += [cut.station for cut in self.cuts if cut.body == body]
        return np.array(points)


def scene_of(
    car: Vehicle, corner: str, wrench: tuple[float, float, float], travel: float, rack: float
) -> Scene:
    """Pose the corner, with its partner where an axle ties the two, and load its contact."""
    assembly = assembly_of(car, corner)
    first = 6 * assembly.wheel(corner)
    at = posed(assembly, travel, rack)
    m = assembly.mechanism
    force = np.asarray(wrench, dtype=float)
    road = road_columns(at, hub_passes_spin=False)[:, first : first + 3] @ force
    values = np.concatenate([load_matrix(at) @ road, section_matrix(at) @ road])
    gauges = list(zip(assembly.gauges, assembly.gauged, strict=True))
    loads = [
        Load(spaced(name), tuple(g.name for g, on in gauges if on == name), float(value), unit)
        for name, value, unit in zip(m.row_names, values, load_units(m), strict=True)
    ]
    rows = np.searchsorted(m.owner, np.arange(len(m.kinds)))
    return Scene(
        title=title_of(assembly),
        corner=corner,
        mechanism=m,
        places=1000 * _places(at),
        loads=tuple(
            loads[row] if kind in (*TWO_FORCE, "torsion") else None
            for row, kind in zip(rows, m.kinds, strict=True)
        ),
        cuts=_cuts(at, loads[len(m.owner) :]),
        wheels=tuple(
            DrawnWheel(w.corner, w.body, 1000 * on.hub, 1000 * on.contact,
                       1000 * _outline(on, w.radius))
            for w, on in zip(m.wheels, at.wheels, strict=True)
        ),
        force=force,
        arrows=np.diag(force) * ARROW / max(float(np.max(np.abs(force))), 1.0),
    )  # fmt: skip


def title_of(assembly: Assembly) -> str:
    """'FL front left', or 'axle rear'."""
    return assembly.title if assembly.tied else f"{assembly.name} {LOOKS[assembly.name].name}"


def _places(at: Pose) -> Floats:
    """Places of outer, inner and second axis point of each support, (support, 3, xyz) [m]."""
    m = at.mechanism
    place = at.points.copy()
    place[..., 1] += m.rack * at.rack
    # The second axis point rides on the outer body.
    for slot, bodies in enumerate((m.outer_body, m.inner_body, m.outer_body)):
        for support, body in enumerate(bodies):
            if body >= 0:
                state = at.rotation[body], at.shift[body]
                place[support, slot] = moved_point(m, *state, place[support, slot])
    return place


def _cuts(at: Pose, loads: list[Load]) -> tuple[Cut, ...]:
    """Sections grouped by place, lettered in the order of the file."""
    cuts: list[Cut] = []
    for section, load in zip(at.mechanism.sections, loads, strict=True):
        turn, shift = at.rotation[section.body], at.shift[section.body]
        station = 1000 * moved_point(at.mechanism, turn, shift, section.station)
        gauge = section.name.rpartition(":")[2]
        for k, cut in enumerate(cuts):
            if np.linalg.norm(cut.station - station) < SAME_PLACE:
                named = Load(f"{cut.letter} {section.measures}", (gauge,), load.value, load.unit)
                cuts[k] = Cut(cut.letter, cut.body, cut.station, cut.along, cut.across,
                              (*cut.loads, named))  # fmt: skip
                break
        else:
            letter = LETTERS[len(cuts) % len(LETTERS)]
            named = Load(f"{letter} {section.measures}", (gauge,), load.value, load.unit)
            cuts.append(Cut(letter, section.body, station, turn @ section.along,
                            turn @ section.across, (named,)))  # fmt: skip
    return tuple(cuts)


def _outline(on: WheelAt, radius: float) -> Floats:
    """Rims of a cylinder about the spin axis, (point, xyz) [m]."""
    down = (on.contact - on.hub) / radius
    ahead = np.cross(on.spin, down)
    turn = np.linspace(0, 2 * np.pi, 121)[:, None]
    rim = radius * (np.cos(turn) * down + np.sin(turn) * ahead)
    half = 0.5 * WHEEL_WIDTH * radius * on.spin
    return np.concatenate([on.hub + rim + half, on.hub + rim - half])


def spaced(name: str) -> str:
    """A name of the vehicle file with spaces for its underscores and dots."""
    return name.replace("_", " ").replace(".", " ")


def signed(value: float) -> str:
    """Whole number with its sign, a real minus, and no sign on zero."""
    rounded = round(value)
    return f"{rounded:+d}".replace("-", "\N{MINUS SIGN}") if rounded else "0"
