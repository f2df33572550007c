"""Rigid bodies joined by supports as rows: what motion and statics share.

Each support gives scalar rows.  A row is the gradient of an elongation (or of a gap that the
support closes) with respect to the small motions of the bodies; it is at once what Newton's
method closes when the mechanism is posed and the direction in which the support can push.
Small motions are twists [v; w] about `reference`, one per body, stacked in the order of
`bodies`.  Axes are those of the vehicle; lengths in m; loads tension positive: a positive load
pushes the outer body along the row's direction, from the outer end towards the inner one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats

OUTER, INNER, AXIS, AXIS_ON_INNER = 0, 1, 2, 3

# Rows of each kind and what each is called behind the support's name.
ROWS = {
    "link": ("",),
    "spring": ("",),
    "torsion": ("",),
    "ball": (" x", " y", " z"),
    "pivot": (" x", " y", " z", " across", " across too"),
    "slider": (" near", " near too", " far", " far too"),
}
FREE = ("spring", "torsion")  # give way; nothing closes them


@dataclass(frozen=True, slots=True)
class WheelOn:
    """A wheel: its corner, the body that carries it, centre, spin axis to the left, radius."""

    corner: str
    body: int
    centre: Floats
    spin: Floats
    radius: float


@dataclass(frozen=True, slots=True)
class Section:
    """A cut through a body at `station`, normal `along` (unit, towards the outer side).

    `across` is a unit vector across `along`; `measures` one of axial, shear, bending, torsion.
    """

    name: str
    body: int
    station: Floats
    along: Floats
    across: Floats
    measures: str


@dataclass(frozen=True, slots=True)
class Redundant:
    """Supports whose loads equilibrium alone does not split, and those that miss a stiffness."""

    supports: tuple[str, ...]
    unstated: tuple[str, ...]

    @property
    def reason(self) -> str:
        """One sentence for a person."""
        return (
            f"equilibrium does not split the load among {', '.join(self.supports)}; "
            f"no compliance or rate is stated for {', '.join(self.unstated)}"
        )


@dataclass(frozen=True, slots=True)
class Mechanism:
    """Arrays of one corner, or of two that an axle ties together.

    `title` is 'corner FL' or 'axle rear', as messages name it.
    `points` (support, 3, xyz) holds outer, inner and second axis point of each support;
    `compliance` (row,) is elongation per load [m/N, torsion rad/(N m)], NaN where not stated.
    `idle` names turns that move no point: (body, axis).  `members` are the load rows (supports'
    rows, then sections) on which calibration stands, `row_names` what they are called;
    `redundant` the groups whose split is not known.  Batches put further axes in front.
    """

    title: str
    bodies: tuple[str, ...]
    supports: tuple[str, ...]
    kinds: tuple[str, ...]
    outer_body: NDArray[np.int64]
    inner_body: NDArray[np.int64]
    rack: NDArray[np.bool_]  # (support, 3)
    points: Floats
    compliance: Floats
    wheels: tuple[WheelOn, ...]
    reference: Floats
    sections: tuple[Section, ...] = ()
    idle: tuple[tuple[int, Floats], ...] = ()
    members: tuple[int, ...] = ()
    redundant: tuple[Redundant, ...] = ()

    @property
    def row_names(self) -> tuple[str, ...]:
        """Names of all load rows: those of `rows_of`, then the sections."""
        rows = tuple(
            name + tail
            for name, kind in zip(self.supports, self.kinds, strict=True)
            for tail in ROWS[kind]
        )
        return rows + tuple(s.name for s in self.sections)

    @property
    def moments(self) -> NDArray[np.bool_]:
        """Load rows that are couples [N m], in the order of `row_names`."""
        rows = [kind == "torsion" for kind in self.kinds for _ in ROWS[kind]]
        return np.array(rows + [s.measures in ("bending", "torsion") for s in self.sections])

    @property
    def member_names(self) -> tuple[str, ...]:
        """Names of the members, in their order."""
        names = self.row_names
        return tuple(names[m] for m in self.members)

    @property
    def free(self) -> NDArray[np.bool_]:
        """Rows that give way: springs and torsion, (row,)."""
        return np.array([kind in FREE for kind in self.kinds for _ in ROWS[kind]])

    @property
    def owner(self) -> NDArray[np.int64]:
        """Support of each row, (row,)."""
        return np.array([i for i, kind in enumerate(self.kinds) for _ in ROWS[kind]])

    @property
    def shares_loads(self) -> bool:
        """True where there are more rows than motions: compliances split some of the loads."""
        return len(self.owner) + len(self.idle) > 6 * len(self.bodies)

    @property
    def centres(self) -> Floats:
        """Wheel centres at design height (wheel, xyz) [m]."""
        return np.array([w.centre for w in self.wheels])


@dataclass(frozen=True, slots=True)
class State:
    """Where the bodies are, by the motion of each from design height.

    A point goes from x0 to x = rotation (x0 - reference) + reference + shift.

    `rotation` (..., body, 3, 3), `shift` (..., body, xyz) [m]; `points` (..., support, 3, xyz) and
    `centres` (..., wheel, xyz) at design [m]; `rack` (...,) shift of the rack to the left [m].
    """

    rotation: Floats
    shift: Floats
    points: Floats
    centres: Floats
    rack: Floats


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows at a pose: `gradient` (..., row, 6 * body), `gap` (..., row) [m], `free` (row,).

    `place` (..., row, 2, xyz) is where the row takes hold of the outer and of the inner body.
    """

    gradient: Floats
    gap: Floats
    free: NDArray[np.bool_]
    support: NDArray[np.int64]
    place: Floats


@dataclass(frozen=True, slots=True)
class _Row:
    """One row: direction, where it takes hold of the two bodies, gap; a couple has no lever."""

    normal: Floats
    outer: Floats
    inner: Floats
    gap: Floats
    couple: bool = False


def rows_of(mechanism: Mechanism, state: State) -> Rows:
    """Rows of every support at each state of a batch, (..., row, 6 * body)."""
    rotation, points = state.rotation, state.points
    now = _places(mechanism, state)
    width = 6 * len(mechanism.bodies)
    gradients, gaps, places = [], [], []
    for i, kind in enumerate(mechanism.kinds):
        inner_body = mechanism.inner_body[i]
        turn = rotation[..., inner_body, :, :] if inner_body >= 0 else np.eye(3)
        outer_body = mechanism.outer_body[i]
        outer_turn = rotation[..., outer_body, :, :] if outer_body >= 0 else np.eye(3)
        for row in _KINDS[kind](points[..., i, :, :], now[..., i, :, :], turn, outer_turn):
            gradients.append(_gradient(mechanism, i, row, width))
            gaps.append(row.gap)
            places.append(np.stack([row.outer, row.inner], axis=-2))
    return Rows(
        np.stack(gradients, axis=-2),
        np.stack(gaps, axis=-1),
        mechanism.free,
        mechanism.owner,
        np.stack(places, axis=-3),
    )


def _gradient(mechanism: Mechanism, support: int, row: _Row, width: int) -> Floats:
    out = np.zeros((*row.outer.shape[:-1], width))
    for body, place, sign in (
        (mechanism.outer_body[support], row.outer, -1.0),
        (mechanism.inner_body[support], row.inner, 1.0),
    ):
        if body < 0:
            continue
        b = 6 * body
        if row.couple:
            out[..., b + 3 : b + 6] += sign * row.normal
        else:
            out[..., b : b + 3] += sign * row.normal
            out[..., b + 3 : b + 6] += sign * np.cross(place - mechanism.reference, row.normal)
    return out


def moved_point(mechanism: Mechanism, rotation: Floats, shift: Floats, point: Floats) -> Floats:
    """Place of a design point of one body; `rotation` (..., 3, 3) and `shift` (..., 3) are its."""
    arm = point - mechanism.reference
    return np.einsum("...ij,...j->...i", rotation, arm) + mechanism.reference + shift


def _places(mechanism: Mechanism, state: State) -> Floats:
    """Places of all points, (..., support, 4, xyz) [m]; axis points on both bodies."""
    place = np.concatenate([state.points, state.points[..., AXIS : AXIS + 1, :]], axis=-2)
    place[..., :3, 1] += mechanism.rack * np.asarray(state.rack)[..., None, None]
    outer, inner = mechanism.outer_body, mechanism.inner_body
    slots = ((OUTER, outer), (INNER, inner), (AXIS, outer), (AXIS_ON_INNER, inner))
    for slot, body in slots:
        on = body >= 0
        if np.any(on):
            place[..., on, slot, :] = moved_point(
                mechanism,
                state.rotation[..., body[on], :, :],
                state.shift[..., body[on], :],
                place[..., on, slot, :],
            )
    return place


def _length(design: Floats, now: Floats, _turn: Floats, _outer_turn: Floats) -> list[_Row]:
    span = now[..., INNER, :] - now[..., OUTER, :]
    length = np.linalg.norm(span, axis=-1)
    start = np.linalg.norm(design[..., INNER, :] - design[..., OUTER, :], axis=-1)
    unit = span / length[..., None]
    return [_Row(unit, now[..., OUTER, :], now[..., INNER, :], length - start)]


def _ball(_design: Floats, now: Floats, _turn: Floats, _outer_turn: Floats) -> list[_Row]:
    """Both points stay together: three rows along the vehicle's axes."""
    outer, inner = now[..., OUTER, :], now[..., INNER, :]
    off = inner - outer
    return [
        _Row(np.broadcast_to(e, off.shape), outer, inner, off[..., k])
        for k, e in enumerate(np.eye(3))
    ]


def _axis(design: Floats, turn: Floats) -> tuple[Floats, Floats, Floats]:
    """Axis and two directions across it, carried by the inner body."""
    axis = design[..., AXIS, :] - design[..., INNER, :]
    axis = axis / np.linalg.norm(axis, axis=-1)[..., None]
    # Any two directions across the axis serve; start from the one least along it.
    least = np.eye(3)[np.argmin(np.abs(axis), axis=-1)]
    across = np.cross(axis, least)
    across = across / np.linalg.norm(across, axis=-1)[..., None]
    found = (axis, across, np.cross(axis, across))
    along, first, second = (np.einsum("...ij,...j->...i", turn, d) for d in found)
    return along, first, second


def _across_rows(place: Floats, onto: Floats, ways: tuple[Floats, ...]) -> list[_Row]:
    """A point of the outer body stays beside `onto` of the inner one, in the ways given.

    The ways turn with the inner body, so both bodies are taken hold of at the outer's point.
    """
    return [_Row(n, place, place, np.sum(n * (onto - place), axis=-1)) for n in ways]


def _pivot(design: Floats, now: Floats, turn: Floats, outer_turn: Floats) -> list[_Row]:
    """Three rows hold the first point, two hold the axis."""
    _, first, second = _axis(design, turn)
    return _ball(design, now, turn, outer_turn) + _across_rows(
        now[..., AXIS, :], now[..., AXIS_ON_INNER, :], (first, second)
    )


def _slider(design: Floats, now: Floats, turn: Floats, _outer_turn: Floats) -> list[_Row]:
    """Two points of the outer body stay on a line of the inner one."""
    _, first, second = _axis(design, turn)
    onto = now[..., INNER, :]
    return [
        row
        for slot in (OUTER, AXIS)
        for row in _across_rows(now[..., slot, :], onto, (first, second))
    ]


def _torsion(design: Floats, now: Floats, turn: Floats, outer_turn: Floats) -> list[_Row]:
    """Turn of the inner body against the outer one about the axis: a couple."""
    along, _, _ = _axis(design, turn)
    back = np.swapaxes(outer_turn, -1, -2)
    relative = turn @ back
    sine = 0.5 * np.stack(
        [
            relative[..., 2, 1] - relative[..., 1, 2],
            relative[..., 0, 2] - relative[..., 2, 0],
            relative[..., 1, 0] - relative[..., 0, 1],
        ],
        axis=-1,
    )
    cosine = 0.5 * (np.trace(relative, axis1=-2, axis2=-1) - 1)
    angle = np.arctan2(np.sum(along * sine, axis=-1), cosine)
    along = np.broadcast_to(along, now[..., OUTER, :].shape)
    angle = np.broadcast_to(angle, along.shape[:-1])
    return [_Row(along, now[..., OUTER, :], now[..., OUTER, :], angle, couple=True)]


_KINDS = {
    "link": _length,
    "spring": _length,
    "ball": _ball,
    "pivot": _pivot,
    "slider": _slider,
    "torsion": _torsion,
}


def hubs_of(mechanism: Mechanism, state: State) -> Floats:
    """Places of the wheel centres, (..., wheel, xyz) [m]."""
    bodies = [w.body for w in mechanism.wheels]
    rotation, shift = state.rotation[..., bodies, :, :], state.shift[..., bodies, :]
    return moved_point(mechanism, rotation, shift, state.centres)


def lift_rows(mechanism: Mechanism, hubs: Floats) -> Floats:
    """Rise of each wheel centre per small motion of the bodies, (..., wheel, 6 * body)."""
    out = np.zeros((*hubs.shape[:-1], 6 * len(mechanism.bodies)))
    up = np.array([0.0, 0.0, 1.0])
    for k, wheel in enumerate(mechanism.wheels):
        b = 6 * wheel.body
        out[..., k, b : b + 3] = up
        out[..., k, b + 3 : b + 6] = np.cross(hubs[..., k, :] - mechanism.reference, up)
    return out


def idle_rows(mechanism: Mechanism, rotation: Floats) -> Floats:
    """Rows that hold turns which move nothing, (..., idle, 6 * body)."""
    out = np.zeros((*rotation.shape[:-3], len(mechanism.idle), 6 * len(mechanism.bodies)))
    for k, (body, axis) in enumerate(mechanism.idle):
        out[..., k, 6 * body + 3 : 6 * body + 6] = rotation[..., body, :, :] @ axis
    return out


def design_state(mechanism: Mechanism) -> State:
    """State in which nothing has moved."""
    n = len(mechanism.bodies)
    return State(
        rotation=np.broadcast_to(np.eye(3), (n, 3, 3)).copy(),
        shift=np.zeros((n, 3)),
        points=mechanism.points,
        centres=mechanism.centres,
        rack=np.array(0.0),
    )
