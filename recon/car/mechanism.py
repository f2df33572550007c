"""A corner as rigid bodies joined by supports: the rows from which motion and statics follow.

Each support gives scalar rows.  A row is the gradient of an elongation (or of a gap that a
pivot closes) with respect to the small motions of the bodies; it is at once what Newton's
method closes when the corner is posed and the direction in which the support can push.
Small motions are twists [v; w] about `reference`, one per body, stacked in the order of
`bodies`.  Axes are those of the vehicle; lengths in m; loads tension positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import VehicleError
from recon.car.vehicle import CHASSIS

if TYPE_CHECKING:
    from recon.car.vehicle import Corner

Floats = NDArray[np.float64]
OUTER, INNER, AXIS = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Mechanism:
    """Arrays of one corner.

    `points` (support, 3, xyz) holds outer, inner and second axis point of each support;
    `centre` (xyz) is the wheel centre and `spin` (xyz) the spin axis, both fixed to the body
    `wheel_body`.  Batches put further axes in front of these.
    """

    name: str
    bodies: tuple[str, ...]
    supports: tuple[str, ...]
    kinds: tuple[str, ...]
    outer_body: NDArray[np.int64]
    inner_body: NDArray[np.int64]
    rack: NDArray[np.bool_]  # (support, 3)
    points: Floats
    wheel_body: int
    centre: Floats
    spin: Floats
    radius: float
    reference: Floats

    @property
    def members(self) -> tuple[int, ...]:
        """Positions of the two-force members that hold the wheel's body."""
        return tuple(
            i
            for i, kind in enumerate(self.kinds)
            if kind != "pivot" and self.wheel_body in (self.outer_body[i], self.inner_body[i])
        )


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows at a pose: `gradient` (..., row, 6 * body), `gap` (..., row) [m], `free` (row,)."""

    gradient: Floats
    gap: Floats
    free: NDArray[np.bool_]
    support: NDArray[np.int64]


def spin_axis(left: bool, toe_in: float, camber: float) -> Floats:
    """Spin axis at design height, pointing left, from toe-in and camber.

    ISO 8855: a positive rotation about x tips the wheel's top to the right, which is
    negative camber on the left and positive camber on the right.
    """
    about_x, about_z = (-camber, -toe_in) if left else (camber, toe_in)
    tipped = np.array([0.0, np.cos(about_x), np.sin(about_x)])
    c, s = np.cos(about_z), np.sin(about_z)
    return np.array([c * tipped[0] - s * tipped[1], s * tipped[0] + c * tipped[1], tipped[2]])


def mechanism_of(corner: Corner) -> Mechanism:
    """Arrays of `corner`.

    Raises
    ------
    VehicleError
        The supports do not hold the bodies exactly once (rows against motions).
    """
    index = {name: i for i, name in enumerate(corner.bodies)} | {CHASSIS: -1}
    supports = corner.supports
    points = np.array([[s.outer.point, s.inner.point, s.axis_point] for s in supports])
    wheel = corner.wheel
    mechanism = Mechanism(
        name=corner.name,
        bodies=corner.bodies,
        supports=tuple(s.name for s in supports),
        kinds=tuple(s.kind for s in supports),
        outer_body=np.array([index[s.outer.on] for s in supports]),
        inner_body=np.array([index[s.inner.on] for s in supports]),
        rack=np.array([[s.outer.rack, s.inner.rack, False] for s in supports]),
        points=points,
        wheel_body=index[wheel.on],
        centre=np.array(wheel.centre),
        spin=spin_axis(corner.left, wheel.toe_in, wheel.camber),
        radius=wheel.loaded_radius,
        reference=np.array(wheel.centre),
    )
    _require_determinate(mechanism)
    return mechanism


def _require_determinate(mechanism: Mechanism) -> None:
    rows = sum(5 if kind == "pivot" else 1 for kind in mechanism.kinds)
    motions = 6 * len(mechanism.bodies)
    springs = mechanism.kinds.count("spring")
    if rows != motions or springs != 1:
        raise VehicleError(
            where=f"corner {mechanism.name}",
            found=f"{rows} rows of support (of them {springs} of free length) for {motions} "
            "motions "
            f"of {', '.join(mechanism.bodies)}",
            needed=f"{motions} rows, exactly one of them a spring",
            do="Add the missing support or take out the one too many.",
        )


def rows_of(
    mechanism: Mechanism, rotation: Floats, shift: Floats, points: Floats, rack: Floats
) -> Rows:
    """Rows of every support at a pose.

    Parameters
    ----------
    rotation, shift : (..., body, 3, 3), (..., body, 3)
        Motion of each body from design: x = rotation (x0 - reference) + reference + shift.
    points : (..., support, 3, 3)
        Design points. [m]
    rack : (...,)
        Shift of the rack to the left. [m]
    """
    now = _moved(mechanism, rotation, shift, points, rack)
    batch = now.shape[:-3]
    width = 6 * len(mechanism.bodies)
    gradients, gaps, free, owner = [], [], [], []
    for i, kind in enumerate(mechanism.kinds):
        if kind == "pivot":
            normals, at, gap = _pivot_rows(points[..., i, :, :], now[..., i, :, :])
        else:
            normals, at, gap = _length_rows(points[..., i, :, :], now[..., i, :, :])
        for normal, (outer_at, inner_at), g in zip(normals, at, gap, strict=True):
            row = np.zeros((*batch, width))
            for body, place, sign in (
                (mechanism.outer_body[i], outer_at, -1.0),
                (mechanism.inner_body[i], inner_at, 1.0),
            ):
                if body >= 0:
                    arm = place - mechanism.reference
                    row[..., 6 * body : 6 * body + 3] += sign * normal
                    row[..., 6 * body + 3 : 6 * body + 6] += sign * np.cross(arm, normal)
            gradients.append(row)
            gaps.append(g)
            free.append(kind == "spring")
            owner.append(i)
    return Rows(
        np.stack(gradients, axis=-2), np.stack(gaps, axis=-1), np.array(free), np.array(owner)
    )


def _moved(
    mechanism: Mechanism, rotation: Floats, shift: Floats, points: Floats, rack: Floats
) -> Floats:
    """Places of all points at the pose, (..., support, 3, xyz)."""
    place = points.copy()
    place[..., 1] += mechanism.rack * np.asarray(rack)[..., None, None]
    slots = ((OUTER, mechanism.outer_body), (INNER, mechanism.inner_body))
    for slot, body in slots:
        on = body >= 0
        arm = points[..., on, slot, :] - mechanism.reference
        turned = np.einsum("...sij,...sj->...si", rotation[..., body[on], :, :], arm)
        place[..., on, slot, :] = turned + mechanism.reference + shift[..., body[on], :]
    # The second axis point of a pivot rides on the outer body too.
    on = mechanism.outer_body >= 0
    arm = points[..., on, AXIS, :] - mechanism.reference
    turned = np.einsum("...sij,...sj->...si", rotation[..., mechanism.outer_body[on], :, :], arm)
    place[..., on, AXIS, :] = turned + mechanism.reference + shift[..., mechanism.outer_body[on], :]
    return place


def _length_rows(design: Floats, now: Floats) -> tuple[list, list, list]:
    span = now[..., INNER, :] - now[..., OUTER, :]
    length = np.linalg.norm(span, axis=-1)
    start = np.linalg.norm(design[..., INNER, :] - design[..., OUTER, :], axis=-1)
    unit = span / length[..., None]
    return [unit], [(now[..., OUTER, :], now[..., INNER, :])], [length - start]


def _pivot_rows(design: Floats, now: Floats) -> tuple[list, list, list]:
    """Three rows hold the first point, two hold the axis; the axis is fixed to the chassis."""
    axis = design[..., AXIS, :] - design[..., INNER, :]
    axis = axis / np.linalg.norm(axis, axis=-1)[..., None]
    # Any two directions across the axis serve; start from the one least along it.
    least = np.eye(3)[np.argmin(np.abs(axis), axis=-1)]
    across = np.cross(axis, least)
    across = across / np.linalg.norm(across, axis=-1)[..., None]
    second = np.cross(axis, across)
    normals = [np.broadcast_to(e, axis.shape) for e in np.eye(3)] + [across, second]
    first, other = now[..., OUTER, :], now[..., AXIS, :]
    at = [(first, first)] * 3 + [(other, other)] * 2
    off_first = design[..., INNER, :] - first
    off_other = design[..., AXIS, :] - other
    gap = [np.sum(n * (off_first if k < 3 else off_other), axis=-1) for k, n in enumerate(normals)]
    return normals, at, gap
