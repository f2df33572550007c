"""Bodies, supports, wheels and sections of a mechanism as arrays, and states of its bodies.

Axes are those of the vehicle (ISO 8855).
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
    """A wheel at design height: its corner, and the index of the body that carries it.

    `centre` (xyz) [m]; `spin` (xyz), unit vector to the left; `radius`, loaded [m].  `rolls` is the
    couple of the propeller shaft on this body, about its axis that points ahead, per moment that
    the wheel's drive puts on it about `spin` [1]; 0 without a differential in it.  `in_axle` is the
    share of its unsprung mass that is in the middle of an axle [1].
    """

    corner: str
    body: int
    centre: Floats
    spin: Floats
    radius: float
    rolls: float = 0.0
    in_axle: float = 0.0


@dataclass(frozen=True, slots=True)
class Section:
    """A cut through a body at `station` (xyz) [m].

    `along` is the unit normal of the cut, towards its outer side, `across` a unit vector
    perpendicular to it; `measures` is one of axial, shear, bending, torsion.
    """

    name: str
    body: int
    station: Floats
    along: Floats
    across: Floats
    measures: str


@dataclass(frozen=True, slots=True)
class Redundant:
    """Supports that share a load in a way that equilibrium alone does not determine.

    `unstated` are those of them that lack a compliance or rate, and `springs` those of them that
    may be dampers.
    """

    supports: tuple[str, ...]
    unstated: tuple[str, ...]
    springs: tuple[str, ...]

    @property
    def reason(self) -> str:
        """The same as a sentence."""
        damper = " (a damper is a spring of rate 0)" if self.springs else ""
        return (
            f"no compliance or rate is stated for {', '.join(self.unstated)}{damper}, and "
            f"equilibrium does not split the load among {', '.join(self.supports)}"
        )


@dataclass(frozen=True, slots=True)
class IdleTurn:
    """A turn of one body (index) about `axis` (xyz), a unit vector, that moves no joint."""

    body: int
    axis: Floats


@dataclass(frozen=True, slots=True, eq=False)  # so that what is worked out of it can be kept
class Mechanism:
    """Arrays of one corner, or of two corners that an axle ties."""

    title: str  # 'corner FL' or 'axle rear', for messages
    bodies: tuple[str, ...]  # names; those of a tied corner begin with its name, 'RL.upright'
    supports: tuple[str, ...]  # names, likewise
    kinds: tuple[str, ...]  # kind of each support, see `ROWS`
    outer_body: NDArray[np.int64]  # (support,) index of the body there, -1 for the chassis
    inner_body: NDArray[np.int64]  # (support,) likewise
    rack: NDArray[np.bool_]  # (support, 3), true for points that move with the rack
    points: Floats  # (support, 3, xyz) m, outer, inner and second axis point at design height
    compliance: Floats  # (row,) m/N or rad/(N m), elongation per load; NaN where not stated
    wheels: tuple[WheelOn, ...]
    reference: Floats  # (xyz,) m, about which small motions are taken
    sections: tuple[Section, ...] = ()
    idle: tuple[IdleTurn, ...] = ()
    members: tuple[int, ...] = ()  # load rows that K describes; rows of supports, then sections
    redundant: tuple[Redundant, ...] = ()  # supports that share a load as nobody stated

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
        """Mask (load row,) of loads that are moments [N m], in the order of `row_names`."""
        rows = [kind == "torsion" for kind in self.kinds for _ in ROWS[kind]]
        return np.array(rows + [s.measures in ("bending", "torsion") for s in self.sections])

    @property
    def member_names(self) -> tuple[str, ...]:
        """Names of the members, in their order."""
        names = self.row_names
        return tuple(names[m] for m in self.members)

    @property
    def free(self) -> NDArray[np.bool_]:
        """Mask (row,) of rows that give way: springs and torsion."""
        return np.array([kind in FREE for kind in self.kinds for _ in ROWS[kind]])

    @property
    def owner(self) -> NDArray[np.int64]:
        """Index (row,) of the support that each row belongs to."""
        return np.array([i for i, kind in enumerate(self.kinds) for _ in ROWS[kind]])

    @property
    def shares_loads(self) -> bool:
        """True if there are more rows than motions, so that compliances affect some loads."""
        return len(self.owner) + len(self.idle) > 6 * len(self.bodies)

    @property
    def centres(self) -> Floats:
        """Wheel centres at design height, (wheel, xyz) [m]."""
        return np.array([w.centre for w in self.wheels])


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Positions of all bodies, for one pose or a batch.

    A point of a body moves from x0 to x = rotation (x0 - reference) + reference + shift.
    """

    rotation: Floats  # (..., body, 3, 3)
    shift: Floats  # (..., body, xyz) m
    points: Floats  # (..., support, 3, xyz) m, as in `Mechanism`
    centres: Floats  # (..., wheel, xyz) m, wheel centres at design height
    rack: Floats  # (...,) m, shift of the rack to the left


def cross(first: Floats, second: Floats) -> Floats:
    """Vector product (..., xyz) [product of the units] of vectors (..., xyz).

    As `numpy.cross`, which takes twice as long for the few vectors of a pose.
    """
    a, b, c = first[..., 0], first[..., 1], first[..., 2]
    x, y, z = second[..., 0], second[..., 1], second[..., 2]
    out = np.empty(np.broadcast_shapes(first.shape, second.shape))
    out[..., 0], out[..., 1], out[..., 2] = b * z - c * y, c * x - a * z, a * y - b * x
    return out


def moved_point(mechanism: Mechanism, rotation: Floats, shift: Floats, point: Floats) -> Floats:
    """Position (..., xyz) [m] of a point of one body after its motion.

    `rotation` (..., 3, 3) and `shift` (..., xyz) [m] are the motion of this body, see `State`;
    `point` (..., xyz) [m] is at design height.
    """
    arm = point - mechanism.reference
    return np.einsum("...ij,...j->...i", rotation, arm) + mechanism.reference + shift


def hubs_of(mechanism: Mechanism, state: State) -> Floats:
    """Positions of the wheel centres, (..., wheel, xyz) [m]."""
    bodies = [w.body for w in mechanism.wheels]
    rotation, shift = state.rotation[..., bodies, :, :], state.shift[..., bodies, :]
    return moved_point(mechanism, rotation, shift, state.centres)


def design_state(mechanism: Mechanism) -> State:
    """State at design height, where nothing has moved."""
    n = len(mechanism.bodies)
    return State(
        rotation=np.broadcast_to(np.eye(3), (n, 3, 3)).copy(),
        shift=np.zeros((n, 3)),
        points=mechanism.points,
        centres=mechanism.centres,
        rack=np.array(0.0),
    )
