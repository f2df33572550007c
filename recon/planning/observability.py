"""The forces that gauges on a car determine, before anything is bonded, and the best gauges.

Poses `questions` for the assemblies of the car and answers them with `knowledge`.  Gauges are
assumed to have unit slope and no cross-talk; a calibration changes the figures by a few percent.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.public import public
from recon.car.linkage import Linkage, assembly_names, linkage_of
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.planning.knowledge import Knowledge, Question, joined, judge
from recon.planning.questions import FORCES, channel_names, gaugeable, question_of
from recon.planning.selection import Selection, select
from recon.planning.unknowns import MODES, UNKNOWNS

__all__ = [
    "FORCES",
    "Observability",
    "best_gauges",
    "by_assembly",
    "observe",
    "observe_car",
    "question_of",
]


@dataclass(frozen=True, slots=True)
class Observability(Knowledge):
    """The forces of one assembly that a set of gauges determines, and how well.

    Inherits from `Knowledge`, which applies to rolling wheels; with two wheels, forces are called
    'Fy RL'.  `bias` contains moments only.

    Attributes
    ----------
    label : str
        'FL' or 'axle rear'.
    noise : float
        Standard uncertainty of each gauge's load. [N]
    u_held : dict of mode to (force,)
        Standard uncertainty while the hub passes torque, 'braked' or 'locked'; empty without an
        outboard brake, because no other torque reaches the upright. [N]
    redundant : tuple of str
        Why the loads of some supports are not determined.
    """

    label: str
    corners: tuple[str, ...]
    noise: float
    u_held: dict[str, Floats]
    redundant: tuple[str, ...]


@public
def observe(
    car: Vehicle,
    corner: str,
    *,
    gauged: tuple[str, ...] | None = None,
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
) -> Observability:
    """Judge a set of gauged members of one assembly.

    Parameters
    ----------
    car : Vehicle
    corner : str
        Name of a corner, or of an axle that ties two corners, 'rear'.
    gauged : tuple of str, optional
        Loads that carry a gauge, for an axle those of both wheels and of the axle itself
        ('RL.spring', 'cross_link'); by default the gauges of the vehicle file. A section is called
        'arm:FL_arm_axial', a second bridge on one member of the file '<member> (2)'.
    noise : float
        Standard uncertainty of each gauge's load; for moments, on an arm of `MOMENT_ARM`. [N]
    travel, rack : float
        Pose, bump and left positive; both wheels of an axle have the same travel. [m]

    Returns
    -------
    Observability
        For a corner that an axle ties, the answer for the whole axle.

    Raises
    ------
    VehicleError
        The car has no such corner or tied axle, a named load does not exist or cannot carry a
        gauge (the message offers the nearest name), is named twice, or none is named.
    DataError
        The noise is not above zero, or the travel is outside the stated range.
    """
    assembly = assembly_of(car, corner)
    if gauged is not None and not [name for name in gauged if name]:
        raise VehicleError(
            where=f"{car.path or 'car'}, {assembly.title}",
            found="an empty list of gauges",
            needed=f"members from {', '.join(gaugeable(assembly.mechanism))}",
            do="Name the members to judge, or leave the option out to use the gauges of the file.",
        )
    chosen = channel_names(assembly.gauged) if gauged is None else tuple(gauged)

    def question(mode: str) -> Question:
        return question_of(
            car, assembly, mode=mode, noise=noise, travel=travel, rack=rack, named=chosen
        )

    known = judge(question("rolling"), chosen)
    outboard = any(c.brake.place == "outboard" for c in assembly.corners)
    held = {mode: question(mode) for mode in MODES[1:] if outboard}
    moments = {n: b for n, b in known.bias.items() if n.split(" ")[0] in UNKNOWNS}
    core = {f.name: getattr(known, f.name) for f in fields(Knowledge)}
    return Observability(
        **core | {"bias": moments},
        label=assembly.label,
        corners=tuple(c.name for c in assembly.corners),
        noise=noise,
        u_held={mode: asked.u(asked.positions(chosen)) for mode, asked in held.items()},
        redundant=tuple(group.reason for group in assembly.mechanism.redundant),
    )


@public
def observe_car(
    car: Vehicle,
    *,
    gauged: dict[str, tuple[str, ...]] | None = None,
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
) -> dict[str, Observability]:
    """Judge every assembly of the car, by name: 'FL', or 'rear' if an axle ties two corners.

    Parameters
    ----------
    car : Vehicle
    gauged : dict of name to members, optional
        Names are those of corners or tied axles; all others keep the gauges of the vehicle file.
    noise, travel, rack
        See `observe`.

    Raises
    ------
    VehicleError, DataError
        See `observe`; also if `gauged` names an unknown corner, or different gauges for parts of
        one axle.
    """
    gauged = gauged or {}
    for name in gauged:
        linkage_of(car, name)
    sets = {name: _of_either(linkage_of(car, name), car, gauged) for name in assembly_names(car)}
    return {
        name: observe(car, name, gauged=chosen, noise=noise, travel=travel, rack=rack)
        for name, chosen in sets.items()
    }


def _of_either(
    linkage: Linkage, car: Vehicle, gauged: dict[str, tuple[str, ...]]
) -> tuple[str, ...] | None:
    """Gauges that `gauged` states for a corner of the linkage or for its axle, or None."""
    names = dict.fromkeys((*(c.name for c in linkage.corners), linkage.name))
    asked = {name: gauged[name] for name in names if name in gauged}
    if len({tuple(sorted(members)) for members in asked.values()}) > 1:
        raise VehicleError(
            where=f"{car.path or 'car'}, {linkage.title}",
            found=" but ".join(f"{n} with {', '.join(m)}" for n, m in asked.items()),
            needed="one list of gauges for both corners, which are judged together",
            do="Name the gauges of the whole axle once.",
        )
    return next(iter(asked.values()), None)


@public
def best_gauges(
    car: Vehicle,
    count: int,
    *,
    corner: str | None = None,
    keep: tuple[str, ...] = (),
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
) -> Selection:
    """Choose the best `count` loads to gauge on one assembly, or on the whole car.

    Parameters
    ----------
    car : Vehicle
    count : int
        Number of gauges, including those of `keep`.
    corner : str, optional
        A corner or a tied axle, 'rear'.  By default the whole car, whose candidates are called
        'FL push_rod' and, for an axle, 'rear cross_link'.
    keep : tuple of str
        Candidates that must be in the choice.
    noise, travel, rack
        See `observe`.

    Returns
    -------
    Selection
        The smallest sum of the forces' variances with wheels rolling; see `selection.select`.

    Raises
    ------
    VehicleError
        The car has no such corner or tied axle, or `keep` names an unknown candidate, or one twice.
    DataError
        The noise is not above zero, or `count` does not fit.
    """

    def question(name: str, named: tuple[str, ...]) -> Question:
        assembly = assembly_of(car, name)
        return question_of(car, assembly, noise=noise, travel=travel, rack=rack, named=named)

    if corner is not None:
        return select(question(corner, keep), count, keep)
    parts = {name: question(name, _under(name, keep)) for name in assembly_names(car)}
    return select(joined(parts, car.path or car.name), count, keep)


def by_assembly(car: Vehicle, chosen: Selection, asked: str | None) -> dict[str, tuple[str, ...]]:
    """The gauges chosen by `best_gauges` by the name of their assembly, as `observe` takes them.

    `asked` is the `corner` given to `best_gauges`.
    """
    if asked is not None:
        return {linkage_of(car, asked).name: chosen.chosen}
    return {name: _under(name, chosen.chosen) for name in assembly_names(car)}


def _under(key: str, names: tuple[str, ...]) -> tuple[str, ...]:
    """Names that begin with the key, without it."""
    return tuple(n.removeprefix(f"{key} ") for n in names if n.startswith(f"{key} "))
