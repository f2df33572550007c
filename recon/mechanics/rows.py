"""Rows of the supports at a state of the bodies: their gaps and the gradients of these.

Each support gives scalar rows.  A row is the gradient of an elongation, or of a gap that the
support closes, with respect to small motions of the bodies.  Posing closes these gaps by Newton's
method; equilibrium uses the same row as the direction in which the support can push.

Small motions are twists [v; w] about `reference`, one per body, in the order of `bodies`.  Axes
are those of the vehicle (ISO 8855), lengths are in m, and loads are tension positive: a positive
load pushes the outer body along the row's direction, from the outer end to the inner one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.mechanics.structure import (
    AXIS,
    AXIS_ON_INNER,
    INNER,
    OUTER,
    Mechanism,
    State,
    cross,
    moved_point,
)


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of all supports at a pose."""

    gradient: Floats  # (..., row, 6 * body) m/m or m/rad, elongation per small motion
    gap: Floats  # (..., row) m, torsion rad: elongation, or gap that is still open
    free: NDArray[np.bool_]  # (row,) true for springs and torsion, which give way
    support: NDArray[np.int64]  # (row,) index of the support
    place: Floats  # (..., row, 2, xyz) m, where it acts on the outer and on the inner body


@dataclass(frozen=True, slots=True)
class _Row:
    """One row: direction, where it acts on both bodies, and gap; a couple has no lever."""

    normal: Floats
    outer: Floats
    inner: Floats
    gap: Floats
    couple: bool = False


def rows_of(mechanism: Mechanism, state: State) -> Rows:
    """Rows of all supports in one state, or in a batch of them in the leading axes."""
    rotation, points = state.rotation, state.points
    now, owner = _places(mechanism, state), mechanism.owner
    shape, first = now.shape[:-3], np.searchsorted(owner, np.arange(len(mechanism.kinds)))
    normal, place = np.empty((*shape, len(owner), 3)), np.empty((*shape, len(owner), 2, 3))
    gap, couple = np.empty((*shape, len(owner))), np.zeros(len(owner), dtype=bool)

    def put(at: int | NDArray[np.int64], row: _Row) -> None:
        normal[..., at, :], gap[..., at], couple[at] = row.normal, row.gap, row.couple
        place[..., at, 0, :], place[..., at, 1, :] = row.outer, row.inner

    # Most supports are straight: all of these at once.
    straight = np.flatnonzero([kind in STRAIGHT for kind in mechanism.kinds])
    put(first[straight], _length(points[..., straight, :, :], now[..., straight, :, :]))
    for i, kind in enumerate(mechanism.kinds):
        if kind in STRAIGHT:
            continue
        inner_body = mechanism.inner_body[i]
        turn = rotation[..., inner_body, :, :] if inner_body >= 0 else np.eye(3)
        outer_body = mechanism.outer_body[i]
        outer_turn = rotation[..., outer_body, :, :] if outer_body >= 0 else np.eye(3)
        found = _KINDS[kind](points[..., i, :, :], now[..., i, :, :], turn, outer_turn)
        for k, row in enumerate(found):
            put(int(first[i]) + k, row)
    gradient = _gradient(mechanism, normal, couple, place)
    return Rows(gradient, gap, mechanism.free, owner, place)


def _gradient(
    mechanism: Mechanism, normal: Floats, couple: NDArray[np.bool_], place: Floats
) -> Floats:
    """Gradients (..., row, 6 * body) of rows along `normal` (..., row, xyz) [1].

    They act at `place` (..., row, 2, xyz) [m], but for those that are a `couple` (row,).
    """
    moment = cross(place - mechanism.reference, normal[..., None, :])
    moment[..., couple, :, :] = normal[..., couple, None, :]
    force = np.where(couple[:, None], 0.0, normal)
    out = np.zeros((*normal.shape[:-1], len(mechanism.bodies), 6))
    ends = (mechanism.outer_body, mechanism.inner_body)
    for end, (bodies, sign) in enumerate(zip(ends, (-1.0, 1.0), strict=True)):
        body = bodies[mechanism.owner]
        on = np.flatnonzero(body >= 0)
        out[..., on, body[on], :3] += sign * force[..., on, :]
        out[..., on, body[on], 3:] += sign * moment[..., on, end, :]
    return out.reshape(*normal.shape[:-1], -1)


def _places(mechanism: Mechanism, state: State) -> Floats:
    """Positions (..., support, 4, xyz) [m] of all points; axis points on both bodies."""
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


def _length(design: Floats, now: Floats) -> _Row:
    """Rows of all straight supports, from points (..., support, point, xyz) [m]."""
    span = now[..., INNER, :] - now[..., OUTER, :]
    length = np.linalg.norm(span, axis=-1)
    start = np.linalg.norm(design[..., INNER, :] - design[..., OUTER, :], axis=-1)
    unit = span / length[..., None]
    return _Row(unit, now[..., OUTER, :], now[..., INNER, :], length - start)


def _ball(_design: Floats, now: Floats, _turn: Floats, _outer_turn: Floats) -> list[_Row]:
    """Both points stay together: three rows along the axes of the vehicle."""
    outer, inner = now[..., OUTER, :], now[..., INNER, :]
    off = inner - outer
    return [
        _Row(np.broadcast_to(e, off.shape), outer, inner, off[..., k])
        for k, e in enumerate(np.eye(3))
    ]


def _axis(design: Floats, turn: Floats) -> tuple[Floats, Floats, Floats]:
    """The axis and two directions perpendicular to it, fixed to the inner body."""
    axis = design[..., AXIS, :] - design[..., INNER, :]
    axis = axis / np.linalg.norm(axis, axis=-1)[..., None]
    # Any two directions across the axis serve; start from the one least along it.
    least = np.eye(3)[np.argmin(np.abs(axis), axis=-1)]
    across = cross(axis, least)
    across = across / np.linalg.norm(across, axis=-1)[..., None]
    found = (axis, across, cross(axis, across))
    along, first, second = (np.einsum("...ij,...j->...i", turn, d) for d in found)
    return along, first, second


def _across_rows(place: Floats, onto: Floats, ways: tuple[Floats, ...]) -> list[_Row]:
    """Rows that keep a point of the outer body at `onto` of the inner body, along `ways`.

    The directions turn with the inner body, so both bodies are pushed at the outer body's point.
    """
    return [_Row(n, place, place, np.sum(n * (onto - place), axis=-1)) for n in ways]


def _pivot(design: Floats, now: Floats, turn: Floats, outer_turn: Floats) -> list[_Row]:
    """Three rows hold the first point, two hold the direction of the axis."""
    _, first, second = _axis(design, turn)
    return _ball(design, now, turn, outer_turn) + _across_rows(
        now[..., AXIS, :], now[..., AXIS_ON_INNER, :], (first, second)
    )


def _slider(design: Floats, now: Floats, turn: Floats, _outer_turn: Floats) -> list[_Row]:
    """Two points of the outer body stay on a line of the inner body."""
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
    cosine = 0.5 * (np.trace(relative, axis1=-2, axis2=-1) - 1)
    angle = np.arctan2(np.sum(along * turn_vector(relative), axis=-1), cosine)
    along = np.broadcast_to(along, now[..., OUTER, :].shape)
    angle = np.broadcast_to(angle, along.shape[:-1])
    return [_Row(along, now[..., OUTER, :], now[..., OUTER, :], angle, couple=True)]


def turn_vector(turn: Floats) -> Floats:
    """Axis of a rotation (..., 3, 3) times the sine of its angle, (..., xyz) [1]."""
    return 0.5 * np.stack(
        [
            turn[..., 2, 1] - turn[..., 1, 2],
            turn[..., 0, 2] - turn[..., 2, 0],
            turn[..., 1, 0] - turn[..., 0, 1],
        ],
        axis=-1,
    )


STRAIGHT = ("link", "spring")
_KINDS = {"ball": _ball, "pivot": _pivot, "slider": _slider, "torsion": _torsion}


def lift_rows(mechanism: Mechanism, hubs: Floats) -> Floats:
    """Rise of each wheel centre per small motion of the bodies, (..., wheel, 6 * body).

    In m per m of shift and m per rad of turn.
    `hubs` (..., wheel, xyz) are the positions of the wheel centres [m].
    """
    out = np.zeros((*hubs.shape[:-1], 6 * len(mechanism.bodies)))
    up = np.array([0.0, 0.0, 1.0])
    for k, wheel in enumerate(mechanism.wheels):
        b = 6 * wheel.body
        out[..., k, b : b + 3] = up
        out[..., k, b + 3 : b + 6] = cross(hubs[..., k, :] - mechanism.reference, up)
    return out


def idle_rows(mechanism: Mechanism, rotation: Floats) -> Floats:
    """Rows that suppress idle turns, (..., idle, 6 * body).

    `rotation` (..., body, 3, 3) is that of the bodies, see `State`.
    """
    out = np.zeros((*rotation.shape[:-3], len(mechanism.idle), 6 * len(mechanism.bodies)))
    for k, turn in enumerate(mechanism.idle):
        b = 6 * turn.body
        out[..., k, b + 3 : b + 6] = rotation[..., turn.body, :, :] @ turn.axis
    return out
