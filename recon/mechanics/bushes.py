"""Loads that rubber bushes of links and arms put into the structure as wheels travel and steer.

With u the direction of a link, d the direction in which the body at one of its ends would have it
and the same stiffness kappa at both ends of all links of a wheel, the strain energy is

    U = kappa sum (1 - u . d),      J' t = -dU/dq,      2 U = rate * travel ** 2      (1)

where J are the rows of `rows_of` and t their loads.  The last equation, for a small lift from
design height, gives kappa for the vertical rate at the wheel.  No bush is twisted at design height.
A bush of an arm that turns by an angle f has the energy kappa (1 - cos f).

Source: strain energy of a torsion spring and virtual work, any textbook of mechanics, from memory.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.assembly import Assembly
from recon.mechanics.balance import balance
from recon.mechanics.motion import POSES, Pose, pose
from recon.mechanics.rows import turn_vector
from recon.mechanics.section_loads import cut
from recon.mechanics.statics import member_matrix
from recon.mechanics.structure import FREE, INNER, OUTER, Mechanism, cross

LIFT = 0.005  # m, of all wheels either way, for the stiffness of the bushes
OF_ARMS = ("pivot", "ball")  # kinds of supports that join an arm to the chassis by bushes
MECHANISMS = 8  # whose bushes are kept: those of a car


def bush_loads(assembly: Assembly, at: Pose) -> Floats:
    """Loads (..., member) [N; N m] of the stated bush rates at a pose, tension positive."""
    rates = np.array([corner.bush_rate for corner in assembly.corners])
    if not np.any(rates):
        return np.zeros((*at.rack.shape, len(assembly.members)))
    return np.asarray(loads_per_rate(at) @ rates)


@lru_cache(maxsize=POSES)
def loads_per_rate(at: Pose) -> Floats:
    """Loads of members per vertical bush rate of each wheel, (..., member, wheel) [N per N/m].

    A wheel whose body hangs on links alone, springs aside, has its bushes at the ends of those
    links; one on an arm has those of the arm.  Of any other wheel nobody says how joints and links
    share the rate: its bushes count as a vertical force at its centre.
    """
    mechanism, wheels = at.mechanism, range(len(at.wheels))
    twisted = [k for k in wheels if _bushed(mechanism, k)]
    if len(twisted) == len(wheels):
        return _loads_of_twist(at, twisted)
    centred = -member_matrix(at)[..., 2::6] * (at.hubs - at.centres)[..., None, :, 2]
    if twisted:
        centred[..., twisted] = _loads_of_twist(at, twisted)
    return np.asarray(centred)


def _bushed(mechanism: Mechanism, wheel: int) -> list[int]:
    """Supports that have the bushes of a wheel: links, or what joins its arm to the chassis."""
    body, outer, inner = mechanism.wheels[wheel].body, mechanism.outer_body, mechanism.inner_body
    on = np.flatnonzero((outer == body) | (inner == body))
    held = [int(i) for i in on if mechanism.kinds[i] not in FREE]
    kinds = {mechanism.kinds[i] for i in held}
    on_chassis = all(min(outer[i], inner[i]) < 0 for i in held)
    return held if kinds == {"link"} or (kinds <= set(OF_ARMS) and on_chassis) else []


def _loads_of_twist(at: Pose, wheels: list[int]) -> Floats:
    """Loads of members per bush rate of some wheels, (..., member, wheel) [N per N/m]."""
    mechanism = at.mechanism
    gradients = []
    for k in wheels:
        kappa = 0.5 * LIFT**2 / _energies(mechanism)[k]
        gradients.append(_twist(at, _bushed(mechanism, k))[1] * kappa)
    found = balance(mechanism, at, -np.stack([np.sum(g, axis=-2) for g in gradients], axis=-1))
    loads = [found.loads]
    for k in range(len(mechanism.sections)):
        by_rows, _ = cut(mechanism, at, found.rows, k)
        twisted = [cut(mechanism, at, replace(found.rows, gradient=g), k)[0] for g in gradients]
        by_bushes = np.sum(np.stack(twisted, axis=-1), axis=-2)
        loads.append(by_rows[..., None, :] @ found.loads + by_bushes[..., None, :])
    return np.concatenate(loads, axis=-2)[..., list(mechanism.members), :]


@lru_cache(maxsize=MECHANISMS)
def _energies(mechanism: Mechanism) -> tuple[float, ...]:
    """Strain energy per kappa in the bushes of each wheel when all wheels are lifted by `LIFT`."""
    lifted = pose(mechanism, LIFT * np.array([[-1.0], [1.0]]))
    wheels = range(len(mechanism.wheels))
    return tuple(float(np.mean(_twist(lifted, _bushed(mechanism, k))[0])) for k in wheels)


def _twist(at: Pose, bushed: list[int]) -> tuple[Floats, Floats]:
    """Strain energy (...,) per kappa of some supports, and its gradient (..., row, 6 * body).

    The gradient stands support by support in the rows of `rows_of`, in the first of each; motions
    are those of its rows.
    """
    mechanism, rows = at.mechanism, at.balance.rows
    gradient = np.zeros((*rows.gap.shape, len(mechanism.bodies), 6))
    energy = np.zeros(at.rack.shape)
    for i in bushed:
        row = int(np.flatnonzero(rows.support == i)[0])
        if mechanism.kinds[i] == "link":
            energy += _twist_of_link(at, i, row, gradient[..., row, :, :])
        else:  # between an arm and the chassis
            body = max(mechanism.outer_body[i], mechanism.inner_body[i])
            turn = at.rotation[..., body, :, :]
            gradient[..., row, body, 3:] += turn_vector(turn)
            energy += 0.5 * (3.0 - np.trace(turn, axis1=-2, axis2=-1))
    return energy, gradient.reshape(*rows.gap.shape, -1)


def _twist_of_link(at: Pose, i: int, row: int, gradient: Floats) -> Floats:
    """Strain energy (...,) of both ends of a link; its gradient is added to (..., body, 6)."""
    mechanism, place = at.mechanism, at.balance.rows.place[..., row, :, :]
    span, start = (p[..., INNER, :] - p[..., OUTER, :] for p in (place, at.points[..., i, :, :]))
    length = np.linalg.norm(span, axis=-1)[..., None]
    along, start = span / length, start / np.linalg.norm(start, axis=-1)[..., None]
    bodies = (mechanism.outer_body[i], mechanism.inner_body[i])
    wanted = [
        np.einsum("...ij,...j->...i", at.rotation[..., b, :, :], start) if b >= 0 else start
        for b in bodies
    ]
    both = wanted[0] + wanted[1]
    share = np.sum(along * both, axis=-1)
    pushed = (along * share[..., None] - both) / length  # at the inner end
    for end, (body, sign) in enumerate(zip(bodies, (-1.0, 1.0), strict=True)):
        if body >= 0:
            arm = place[..., end, :] - mechanism.reference
            gradient[..., body, :3] += sign * pushed
            gradient[..., body, 3:] += cross(arm, sign * pushed) + cross(along, wanted[end])
    return 2.0 - share
