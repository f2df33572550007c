"""Drives of cars with a tied axle, whose springs let the axle roll with the body.

A virtual drive states how its car leans and how both axles share the load transfer.  The wheels of
a tied axle stand where their own springs hold them, and would roll by another angle, at another
time, than the rest of the body.  Here the axle's share follows from its springs instead.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from recon.base.arrays import Floats
from recon.virtual.drawing import VirtualCar
from recon.virtual.drive import SLOW, road_load
from recon.virtual.elastic import settle
from recon.virtual.states import States

TRIAL, TRACK = 100.0, 1.5  # N, moved from one wheel to the other, and over a usual track in m
ROUNDS = 2  # of Newton's method; springs are nearly linear


def with_one_body(drawn: VirtualCar, states: States) -> States:
    """States with another share of the load transfer, by which a tied axle rolls as the body."""
    for tied in drawn.springs:
        for _ in range(ROUNDS):
            moved = _moved(drawn, tied, states, TRIAL)
            own, softer = (roll_by_springs(drawn, tied, one) for one in (states, moved))
            short = slow_part(roll_of_body(drawn, tied, states) - own, states)
            share = short / slow_part(softer - own, states)
            states = _moved(drawn, tied, states, share * TRIAL)
    return states


def lean_of_axle(drawn: VirtualCar, states: States) -> float:
    """Lean of a tied axle on its springs, over that of the body on the usual ones."""
    tied = next(iter(drawn.springs))
    body, own = roll_of_body(drawn, tied, states), roll_by_springs(drawn, tied, states)
    return float(body @ own) / float(body @ body)


def _wheels(drawn: VirtualCar, axle: str, states: States) -> list[int]:
    """Places of left and right wheel of an axle among the corners of `states`."""
    return [states.corners.index(wheel.corner) for wheel in drawn.elastic[axle].wheels]


def roll_of_body(drawn: VirtualCar, axle: str, states: States) -> Floats:
    """Difference (sample,) [m] of the travels that the lean of the body needs at an axle."""
    left, right = states.travel[:, _wheels(drawn, axle, states)].T
    return np.asarray(right - left)


def roll_by_springs(drawn: VirtualCar, axle: str, states: States) -> Floats:
    """Difference (sample,) [m] of the travels at which the axle's springs carry its loads."""
    roads = tuple(road_load(drawn, states, k) for k in _wheels(drawn, axle, states))
    rack, springs = states.body.rack, drawn.springs[axle]
    left, right = settle(drawn.elastic[axle], roads, rack, springs=springs).travel.T
    return np.asarray(right - left)


def slow_part(values: Floats, states: States) -> Floats:
    """Slow part (sample,) of values, by which the wheels of a tied axle move on their springs."""
    step = float(states.time[1] - states.time[0])
    return np.asarray(gaussian_filter1d(values, SLOW / step, mode="nearest"))


def _moved(drawn: VirtualCar, axle: str, states: States, newtons: Floats | float) -> States:
    """Moment of a load (sample,) [N] over `TRACK`, moved to the right on an axle, off the other."""
    own = _wheels(drawn, axle, states)
    other = [k for k in range(len(states.corners)) if k not in own]
    force = states.force.copy()
    for sign, pair in ((1.0, own), (-1.0, other)):
        y = [drawn.truth.corners[states.corners[k]].wheel.centre[1] for k in pair]
        for side, k in zip((-1.0, 1.0), pair, strict=True):
            force[:, k, 2] += sign * side * newtons * TRACK / (y[0] - y[1])
    return replace(states, force=force)
