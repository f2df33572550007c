"""Motions that the supports leave free: harmless idle turns, and faults that must be reported."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.mechanics.rows import idle_rows, lift_rows, rows_of
from recon.mechanics.structure import FREE, IdleTurn, Mechanism, design_state, hubs_of

ARM = 0.1  # m; turns count by what they move on this arm
NOTHING = 1e-9  # share of the largest singular value that is rounding
ON_LINE = 0.005  # m; points are measured to some mm: nearer to a line than that they lie on it


def idle_turns(mechanism: Mechanism) -> tuple[IdleTurn, ...]:
    """Bodies without a wheel that can spin about the line through their own joints.

    Measured points lie within `ON_LINE` of that line.  A spring that acts so near to the line does
    not resist the turn, e.g. that of a strut's rod on its ball joint.
    """
    rows = rows_of(mechanism, design_state(mechanism))
    wheels = {w.body for w in mechanism.wheels}
    torsion = [mechanism.kinds[i] == "torsion" for i in rows.support]
    out = []
    for body in range(len(mechanism.bodies)):
        taken = [(mechanism.outer_body, 0), (mechanism.inner_body, 1)]
        places = np.array(
            [
                rows.place[r, end]
                for bodies, end in taken
                for r in np.flatnonzero(bodies[rows.support] == body)
            ]
        )
        if body in wheels or len(places) == 0:
            continue
        away = places - np.mean(places, axis=0)
        axis = np.linalg.svd(away)[2][0]
        off = np.linalg.norm(away - np.outer(away @ axis, axis), axis=1)
        felt = rows.gradient[torsion, 6 * body + 3 : 6 * body + 6] @ axis
        if np.ptp(away @ axis) > ARM / 2 and np.all(off < ON_LINE) and np.all(np.abs(felt) < 0.1):
            out.append(IdleTurn(body, axis))
    return tuple(out)


def require_one_motion(mechanism: Mechanism) -> None:
    """Check that given travel and steer leave no motion free, and that every wheel can travel.

    Raises VehicleError: a body can still turn or slide, the rigid supports keep a wheel from
    rising, or no spring carries it.
    """
    state = design_state(mechanism)
    rows = rows_of(mechanism, state)
    hubs = hubs_of(mechanism, state)
    held = np.concatenate([rows.gradient[~rows.free], idle_rows(mechanism, state.rotation)])
    lift = lift_rows(mechanism, hubs)
    scale = np.tile([1, 1, 1, ARM, ARM, ARM], len(mechanism.bodies))
    _require_travel(mechanism, held / scale, lift / scale, rows.support[~rows.free])
    free = _null(np.concatenate([held, lift]) / scale)
    if free.shape[1] == 0:
        _require_carried(mechanism, len(rows.support))
        return
    # With springs locked the motion is plain, like the turn about a steering axis.
    locked = _null(np.concatenate([held, rows.gradient[rows.free]]) / scale)
    motion, body = _clearest(locked if locked.shape[1] else free)
    motion = motion / scale
    sprung = np.any(np.abs(rows.gradient[rows.free] @ motion) > 1e-6 * np.max(np.abs(motion)))
    name = mechanism.bodies[body]
    more = f" (and {free.shape[1] - 1} more free motions)" if free.shape[1] > 1 else ""
    raise VehicleError(
        where=f"{mechanism.title}, body '{name}'",
        found=f"the {name} can still {_motion_words(mechanism, motion[6 * body : 6 * body + 6])}"
        f"{more}; it is held by {_holders(mechanism, body)}"
        + (", and a spring's length is free" if sprung else ""),
        needed=f"enough supports to fix the {name} at a given travel and steer",
        do="Add a support that stops this motion, such as a link that does not meet that line, or "
        f"correct the points of the supports of the {name}.",
    )


def _require_carried(mechanism: Mechanism, count: int) -> None:
    """Check that there are as many rows as motions; without springs the wheels would drop."""
    lacking = 6 * len(mechanism.bodies) - count - len(mechanism.idle)
    if lacking > 0:
        springs = [
            s for s, kind in zip(mechanism.supports, mechanism.kinds, strict=True) if kind in FREE
        ]
        raise VehicleError(
            where=mechanism.title,
            found=f"{_counted(len(mechanism.wheels), 'wheel')} carried by "
            f"{', '.join(springs) or 'no spring'}",
            needed=f"{_counted(lacking, 'more spring')}, one for each wheel that travels",
            do="Describe the spring, or the rod and rocker that lead to it, as supports.",
        )


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'s' * (count != 1)}"


def _null(matrix: Floats) -> Floats:
    """Motions (6 * body, k) that change no row."""
    width = matrix.shape[1]
    _, values, right = np.linalg.svd(np.vstack([matrix, np.zeros((width, width))]))
    return right[values < NOTHING * values[0]].T


def _clearest(free: Floats) -> tuple[Floats, int]:
    """The free motion that involves fewest bodies, and the body that moves most."""
    bodies = free.shape[0] // 6
    parts = free.reshape(bodies, 6, -1)
    # Of each body's share of the null space, the direction that moves this body most alone.
    best, share, chosen = free[:, 0], -1.0, 0
    for b in range(bodies):
        _, values, right = np.linalg.svd(parts[b])
        if len(values) and values[0] > share + NOTHING:
            best, share, chosen = free @ right[0], float(values[0]), b
    return best, chosen


def _require_travel(mechanism: Mechanism, held: Floats, lift: Floats, support: np.ndarray) -> None:
    """Check that the rigid supports alone let every wheel rise."""
    for k, wheel in enumerate(mechanism.wheels):
        by_rows, *_ = np.linalg.lstsq(held.T, lift[k], rcond=NOTHING)
        left = lift[k] - held.T @ by_rows
        if np.linalg.norm(left) > 1e-6 * np.linalg.norm(lift[k]):
            continue
        strong = np.abs(by_rows[: len(support)]) > 1e-6
        names = dict.fromkeys(mechanism.supports[i] for i in support[strong])
        raise VehicleError(
            where=f"corner {wheel.corner}",
            found=f"{', '.join(names)} keep the wheel from rising",
            needed="rigid supports that let it travel, and a spring that carries it",
            do="Make the support that carries the weight a spring, or check its points.",
        )


def _holders(mechanism: Mechanism, body: int) -> str:
    pairs = zip(mechanism.outer_body, mechanism.inner_body, strict=True)
    names = [mechanism.supports[i] for i, ends in enumerate(pairs) if body in ends]
    return ", ".join(names) or "nothing"


def _motion_words(mechanism: Mechanism, twist: Floats) -> str:
    """A small motion in words: a turn about a line or a shift, points in mm."""
    v, w = twist[:3], twist[3:]
    if np.linalg.norm(w) * ARM < 1e-6 * np.linalg.norm(v):
        return f"shift in the direction ({_listed(v / np.linalg.norm(v), 2)})"
    through = mechanism.reference + np.cross(w, v) / np.dot(w, w)
    along = w / np.linalg.norm(w)
    along = along * np.sign(along[np.argmax(np.abs(along))])
    pitch = float(np.dot(v, w) / np.dot(w, w))
    words = (
        f"turn about the line through ({_listed(1e3 * through, 0)}) mm, "
        f"direction ({_listed(along, 2)})"
    )
    return words if abs(pitch) < 1e-3 else f"{words}, shifting along it as on a screw"


def _listed(vector: Floats, digits: int) -> str:
    return ", ".join(f"{x + 0.0:.{digits}f}" for x in np.round(vector, digits))
