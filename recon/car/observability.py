"""What a set of gauges of a car can and cannot know, before anything is bonded.

Poses the car's corners and asks `knowledge`: members that hold the upright are the candidates,
the six unknowns of a corner with their priors what is to be known.  Assumes axial gauges of
unit slope without cross-talk; a calibration changes the figures by a few percent, not the
picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import VehicleError, nearest
from recon.car.knowledge import MOMENT_ARM, Combination, Knowledge, Question, joined, judge
from recon.car.mechanism import mechanism_of
from recon.car.motion import pose_corner
from recon.car.selection import Selection, select
from recon.car.statics import member_matrix, road_columns
from recon.car.unknowns import MODES, UNKNOWNS, prior_u, reference_of, tyre_columns

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Vehicle

Floats = NDArray[np.float64]
FORCES = UNKNOWNS[:3]
SCALE = np.array([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM])


@dataclass(frozen=True, slots=True)
class Observability:
    """What one set of gauges knows of one corner.

    `u` by mode (Fx, Fy, Fz) [N]; `knowledge` all else, in the mode `rolling`, see there; its
    parts can be read here too.  `known` says in words what is known of the lost forces
    together, `cure` which further gauges help (empty where nothing is lost or nothing helps).
    """

    corner: str
    gauged: tuple[str, ...]
    noise: float
    u: dict[str, Floats]
    knowledge: Knowledge

    @property
    def rank(self) -> int:
        """How many of the six unknowns the gauges see."""
        return self.knowledge.rank

    @property
    def singular_values(self) -> Floats:
        """Singular values (6,) of the gauges' map with scaled columns."""
        return self.knowledge.singular_values

    @property
    def weak(self) -> str:
        """The combination of unknowns that the gauges see least, in words."""
        return self.knowledge.weak

    @property
    def bias(self) -> dict[str, Floats]:
        """Shift of (Fx, Fy, Fz) [N] by omitted moment at its typical size."""
        return self.knowledge.bias

    @property
    def without(self) -> dict[str, Floats]:
        """U of the forces [N] without each gauge."""
        return self.knowledge.without

    @property
    def lost_without(self) -> dict[str, tuple[str, ...]]:
        """Forces that are known now and not without each gauge."""
        return self.knowledge.lost_without

    @property
    def with_(self) -> dict[str, Floats]:
        """U of the forces [N] with each further gauge, best first."""
        return self.knowledge.with_

    @property
    def lost(self) -> tuple[str, ...]:
        """Forces that are not known."""
        return tuple(lost.name for lost in self.knowledge.lost)

    @property
    def combinations(self) -> tuple[Combination, ...]:
        """What is known of the lost forces together, as data."""
        return self.knowledge.combinations

    @property
    def known(self) -> str:
        """What is known of the lost forces together, in words."""
        return "; ".join(c.words for c in self.knowledge.combinations)

    @property
    def cure(self) -> str:
        """The fewest further gauges that make all forces known, in words."""
        return f"gauge {' and '.join(self.knowledge.cure)}" if self.knowledge.cure else ""


def observe(
    car: Vehicle,
    corner: str,
    *,
    gauged: tuple[str, ...] | None = None,
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
) -> Observability:
    """Judge a set of gauged members of one corner.

    Parameters
    ----------
    car : Vehicle
    corner : str
    gauged : tuple of str, optional
        Members that carry a gauge; those of the vehicle file unless stated. A second bridge on
        one member of the file is called '<member> (2)'.
    noise : float
        Standard uncertainty of each gauge's member load. [N]
    travel, rack : float
        Pose, bump and left positive. [m]

    Returns
    -------
    Observability

    Raises
    ------
    VehicleError
        The car has no such corner, a named member does not hold the upright (the nearest is
        offered), a member is named twice, or none is named.
    DataError
        The noise is not above zero, or the travel is outside the stated range.
    """
    described = described_corner(car, corner)
    if gauged is not None and not [name for name in gauged if name]:
        raise VehicleError(
            where=f"{car.path or 'car'}, corner {corner}",
            found="an empty list of gauges",
            needed=f"members out of {', '.join(_members(described))}",
            do="Name the members to judge, or leave the option out for those of the file.",
        )
    chosen = _channels(described) if gauged is None else tuple(gauged)
    pose = (travel, rack)
    asked = {m: question_of(car, corner, mode=m, noise=noise, pose=pose) for m in MODES}
    knowledge = judge(asked["rolling"], chosen)
    return Observability(
        corner=corner,
        gauged=chosen,
        noise=noise,
        u={mode: question.u(question.positions(chosen)) for mode, question in asked.items()},
        knowledge=knowledge,
    )


def observe_car(
    car: Vehicle,
    *,
    gauged: dict[str, tuple[str, ...]] | None = None,
    noise: float = 10.0,
    travel: float = 0.0,
    rack: float = 0.0,
) -> dict[str, Observability]:
    """Judge all corners, which stand alone and so are judged one by one; see `observe`.

    Parameters
    ----------
    gauged : dict of corner to members, optional
        Corners that it does not name keep the gauges of the vehicle file.

    Raises
    ------
    VehicleError, DataError
        As `observe`; also where `gauged` names a corner that the car has not.
    """
    gauged = gauged or {}
    for name in gauged:
        described_corner(car, name)
    return {
        name: observe(car, name, gauged=gauged.get(name), noise=noise, travel=travel, rack=rack)
        for name in car.corners
    }


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
    """Choose the best `count` members of one corner, or of the whole car, to gauge.

    Parameters
    ----------
    count : int
        How many gauges, those of `keep` among them.
    corner : str, optional
        One corner; the whole car unless stated, members then being called 'FL push_rod'.
    keep : tuple of str
        Members that are to be in the choice whatever they are worth.
    noise, travel, rack
        As in `observe`.

    Returns
    -------
    Selection
        Least sum of the forces' variances, wheel rolling; see `selection.select`.

    Raises
    ------
    VehicleError
        The car has no such corner, or `keep` names what is no member, or one twice.
    DataError
        The noise is not above zero, or `count` does not fit.
    """
    if corner is not None:
        return select(question_of(car, corner, noise=noise, pose=(travel, rack)), count, keep)
    parts = {c: question_of(car, c, noise=noise, pose=(travel, rack)) for c in car.corners}
    return select(joined(parts, car.path or car.name), count, keep)


def by_corner(car: Vehicle, chosen: Selection, corner: str | None) -> dict[str, tuple[str, ...]]:
    """Members of a choice of `best_gauges` by corner, as `observe` takes them."""
    if corner is not None:
        return {corner: chosen.chosen}
    return {
        name: tuple(m.removeprefix(f"{name} ") for m in chosen.chosen if m.startswith(f"{name} "))
        for name in car.corners
    }


def question_of(
    car: Vehicle,
    corner: str,
    *,
    mode: str = "rolling",
    noise: float = 10.0,
    pose: tuple[float, float] = (0.0, 0.0),
) -> Question:
    """The question of one corner at a pose (travel, rack) [m]: its members, its six unknowns.

    Raises
    ------
    VehicleError, DataError
        No such corner, or a noise that is not above zero.
    """
    described = described_corner(car, corner)
    at = pose_corner(described, *pose)
    reference = reference_of(car, described)
    columns = tyre_columns(car.tyre, reference.vertical)
    loads = member_matrix(at) @ road_columns(at, hub_passes_spin=mode == "locked") @ columns
    members = _members(described)
    # A second bridge on a member is one candidate more, with the row of its member.
    on = dict(zip(members, members, strict=True)) | {
        channel: gauge.member
        for channel, gauge in zip(_channels(described), described.gauges, strict=True)
        if gauge.member in members
    }
    return Question(
        rows=loads[[members.index(name) for name in on.values()]],
        candidates=tuple(on),
        unknowns=UNKNOWNS,
        prior=prior_u(described, car.tyre, reference, mode),
        noise=np.full(len(on), noise),
        forces=FORCES,
        scale=SCALE,
        where=f"{car.path or 'car'}, corner {corner}",
    )


def described_corner(car: Vehicle, corner: str) -> Corner:
    """The corner of that name.

    Raises
    ------
    VehicleError
        The car has no such corner; the nearest is offered.
    """
    if corner not in car.corners:
        raise VehicleError(
            where=car.path or car.name,
            found=f"no corner '{corner}'",
            needed=nearest(corner, tuple(car.corners)),
            do="Name a corner of the vehicle file.",
        )
    return car.corners[corner]


def _members(corner: Corner) -> tuple[str, ...]:
    return mechanism_of(corner).member_names


def _channels(corner: Corner) -> tuple[str, ...]:
    """One name per gauge of the file: its member's, counted from the second one on."""
    on = [gauge.member for gauge in corner.gauges]
    return tuple(
        name if (count := on[:k].count(name)) == 0 else f"{name} ({count + 1})"
        for k, name in enumerate(on)
    )
