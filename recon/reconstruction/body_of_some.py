"""Acceleration of the body by the gauges of some of its wheels.

The body is taken to be accelerated along and sideways as its part on these wheels is:

    specific force = g (Fx, Fy) / Fz,   sums over the wheels that are seen.                (1)

Sideways this is the acceleration of these wheels, yaw included, and is used as the body's: a car
whose yaw inertia is mass times the distances of both axles moves like two masses over its axles.
Along, another axle may drive or brake; the load of the wheels shows how quick the whole car speeds
up,

    a_x = +-(load at rest - Fz) wheelbase / (share mass height),   + for the front axle,   (2)

of which both wheels of an axle share all, and one wheel a half.  The load of one wheel also shows
how the car turns: what goes with its sideways acceleration, and with the change of that, is fitted
and taken off.  A wheel that is nearly off the ground shows nothing but how hard the car turns.
Upwards these wheels shake the body, and so do the others, by forces as large.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, cuts, rms
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.conditioning.filters import low_pass
from recon.conditioning.hub_motion import HOP_BAND, shows_yaw
from recon.reconstruction.inputs.attitude import has_four_wheels
from recon.reconstruction.seen_by_gauges import Seen
from recon.reconstruction.solving.solve import BLOCK
from recon.reconstruction.solving.solver import Solver
from recon.reconstruction.steer_from_gauges import smooth
from recon.records.scratch import room

# Common practice, no source.  By equation (1): another axle brakes more, tyres of an axle share
# unequally.  Together they accelerate what is on them, however they share it, but for the day's
# weight and for pitching.
U_OF_SOME, U_OF_SOME_SHARE = (1.0, 0.5), (0.3, 0.15)  # m/s2; relative, of the rms
U_OF_AXLE_SHARE = 0.07
DRIVEN_TIME = 0.4  # share of a drive in which an axle drives
# By equation (2): air and road; height of the centre of mass, relative; weight of the day, of the
# load at rest, and what springs and driver move to one wheel of an axle; how much quicker a drive
# ends than it begins, which tells weight from acceleration.
U_BY_LOAD, U_HEIGHT_SHARE, U_WEIGHT_SHARE, U_GAIN = 0.5, 0.1, 0.05, 15.0  # m/s2, 1, 1, m/s
U_CORNER_SHARE = 0.1
SLOW = 0.15  # s; quicker changes are those by equation (1)
LEAST_LOAD = 0.3  # of the usual load: wheels that are nearly off the ground show no acceleration
FILLED = 2  # times that turning is fitted, where a wheel leaves the ground
U_SLOW_HEAVE = 0.3  # m/s2 upwards, slower than `HOP_BAND`: crests and dips
AXLES = ({"FL", "FR"}, {"RL", "RR"})


def body_of_some(
    log: xr.Dataset, car: Vehicle, seen: list[Seen], links: dict[str, Floats]
) -> tuple[Floats, Floats]:
    """Specific force (3, sample) of the body by some wheels, and its uncertainty (3,) [m/s2].

    `log` (elapsed_time, gauge) is as `condition` returns it, `links` (3, sample) [N] are the forces
    of the links of each wheel that is `seen`.
    """
    force = by_load_and_force([one.solver for one in seen], links)
    flat, load = force[:2], force[2]
    axle = any(ends <= set(links) for ends in AXLES)
    shares = U_OF_SOME_SHARE[0], U_OF_AXLE_SHARE if axle else U_OF_SOME_SHARE[1]
    size = np.array(shares) * [rms(own) for own in flat]
    u = np.append(np.hypot(U_OF_SOME, size), _heave(log, car, load, len(links)))
    u[0] = np.hypot(u[0], _unseen_driving(log, car, flat[0], links))
    if has_four_wheels(car) and len({name[0] for name in links}) == 1:
        by_load = _by_load(log, car, seen, links, force)
        flat[1] = by_load.aside
        if by_load.u < u[0]:
            flat[0], u[0] = by_load.ahead, by_load.u
    if shows_yaw(log) and "relative_acceleration" in log:
        flat[1] -= _aside(log, links)
    load[:] = STANDARD_GRAVITY  # upwards nothing else is seen
    return force, u


def by_load_and_force(solvers: list[Solver], links: dict[str, Floats]) -> Floats:
    """Equation (1) along and sideways [m/s2], and the load [N] of all wheels, (3, sample).

    `links` (3, sample) [N] are the forces of the links of each wheel of the assemblies.
    """
    references = [reference for solver in solvers for reference in solver.estimator.references]
    # The only axle that drives pushes the other one as well.
    pushed = sum(r.vertical for r in references) / sum(r.driving for r in references)
    out, least = room(next(iter(links.values())).shape), LEAST_LOAD * at_rest(solvers)
    for part in cuts(out.shape[1], BLOCK):
        own = np.sum([link[:, part] for link in links.values()], axis=0)
        out[2, part] = own[2]
        out[:2, part] = STANDARD_GRAVITY * own[:2] / np.maximum(own[2], least)
        out[0, part] *= np.where(out[0, part] > 0, pushed, 1.0)
    return out


def at_rest(solvers: list[Solver]) -> float:
    """Load [N] of the body on the wheels of assemblies when the car stands."""
    return STANDARD_GRAVITY * sum(sum(solver.carried) for solver in solvers)


def _heave(log: xr.Dataset, car: Vehicle, load: Floats, wheels: int) -> float:
    """Acceleration upwards [m/s2 rms] that nothing shows, by the quick part of a `load` (sample,).

    All wheels of the car are shaken as hard as these, and independently.
    """
    top = min(float(log.attrs["bandwidth"]), 0.5 * float(log.attrs["rate"]))
    slow = low_pass(load[:, None], min(HOP_BAND[0], top), float(log.attrs["rate"]))[:, 0]
    mass = car.mass - sum(corner.unsprung_mass for corner in car.corners.values())
    quick = np.sqrt(len(car.corners) / wheels) * rms(load - slow) / mass
    return float(np.hypot(U_SLOW_HEAVE, quick))


def _unseen_driving(log: xr.Dataset, car: Vehicle, ahead: Floats, links: Collection[str]) -> float:
    """Size [m/s2 rms] of driving by another axle than those of some wheels, 0 if none does.

    A drive gains as much speed as its brakes take, by `ahead` (sample,) [m/s2], within `U_GAIN`.
    """
    driven = {name[0] for name, corner in car.corners.items() if corner.driven}
    if driven and driven & {name[0] for name in links}:
        return 0.0
    duration = len(ahead) / float(log.attrs["rate"])
    lost = float(np.nanmean(np.maximum(-ahead, 0.0)))
    return float(np.hypot(lost, U_GAIN / duration) / np.sqrt(DRIVEN_TIME))


class _ByLoad(NamedTuple):
    """Acceleration `ahead` and `aside` (sample,) by the load of wheels, `u` of the first [m/s2]."""

    ahead: Floats
    aside: Floats
    u: float


def _by_load(
    log: xr.Dataset, car: Vehicle, seen: list[Seen], links: Collection[str], force: Floats
) -> _ByLoad:
    """Equation (2), with quick changes as by (1).

    `force` (3, sample) is as `by_load_and_force` returns it, for wheels of one axle.
    """
    rate, (quick, aside, load) = float(log.attrs["rate"]), np.nan_to_num(force)
    per_load, alone = _per_load(car, links), len(links) == 1
    rest = at_rest([one.solver for one in seen])
    transferred = per_load * (rest - load)
    turning = np.zeros(len(load))
    if alone:
        aside, turning = _turned(aside, transferred, load > LEAST_LOAD * rest, SLOW * rate)
    weight = U_WEIGHT_SHARE, U_CORNER_SHARE if alone else 0.0
    squares = (per_load * rest * np.hypot(*weight)) ** 2, (U_GAIN * rate / len(load)) ** 2
    slow = smooth(transferred - turning - quick, SLOW * rate)
    slow -= float(np.mean(slow + quick)) * squares[0] / sum(squares)
    parts = (
        U_BY_LOAD,
        U_HEIGHT_SHARE * rms(quick + slow),
        float(np.sqrt(np.prod(squares) / sum(squares))),
        U_OF_SOME_SHARE[1] * float(np.std(np.abs(turning))),
    )
    return _ByLoad(quick + slow, aside, float(np.linalg.norm(parts)))


def _per_load(car: Vehicle, links: Collection[str]) -> float:
    """Acceleration ahead [m/s2] per load [N] that the wheels of `links` lose, by equation (2)."""
    sign = 1 if next(iter(links))[0] == "F" else -1
    share = 2 if len(links) == 1 else 1
    return float(sign * car.wheelbase / (car.mass * car.centre_of_mass[2]) * share)


def aside_of_one(car: Vehicle, name: str, rest: float, force: Floats, width: float) -> Floats:
    """Acceleration (sample,) [m/s2] of a lone wheel sideways, by its load where it has too little.

    `force` (3, sample) is as `by_load_and_force` returns it, `rest` [N] its load when the car
    stands, and `width` [samples] that of slow changes.
    """
    _, aside, load = np.nan_to_num(force)
    grounded, transferred = load > LEAST_LOAD * rest, _per_load(car, (name,)) * (rest - load)
    return _turned(aside, transferred, grounded, width)[0] if grounded.any() else aside


def _turned(
    aside: Floats, transferred: Floats, grounded: NDArray[np.bool_], width: float
) -> tuple[Floats, Floats]:
    """How a lone wheel is accelerated sideways, and how much of its load goes with it [m/s2].

    `transferred` (sample,) [m/s2] is the acceleration ahead that its load lets expect.  By least
    squares against the acceleration `aside` (sample,) [m/s2] and its change, which are those of the
    body and of yaw, smoothed over `width` [samples].  A wheel that turns left with another share of
    the side force than right leaves a part that follows the size of it.  Where it is not
    `grounded`, all that its load has lost is taken to be turning.
    """
    # Turning that does not exceed what is unsure of it, as on a straight, has no part in the load.
    unsure = np.sqrt(np.sum(grounded)) * np.diag([U_OF_SOME[1], U_OF_SOME[1] / width, 0.0])
    slow = np.append(smooth(transferred, width)[grounded], np.zeros(3))
    for _ in range(FILLED):
        smoothed = smooth(aside, width)
        columns = np.column_stack([smoothed, np.gradient(smoothed), np.ones(len(aside))])
        slope, change, level = np.linalg.lstsq(
            np.concatenate([columns[grounded], unsure]), slow, rcond=None
        )[0]
        if grounded.all() or slope == 0.0:
            break
        aside = np.where(grounded, aside, (transferred - level) / slope)
    turning = columns[:, :2] @ [slope, change]
    return aside, np.where(grounded, turning, transferred - level)


def _aside(log: xr.Dataset, links: Collection[str]) -> Floats:
    """Mean motion (sample,) [m/s2] of some wheels sideways against the body."""
    own = log["relative_acceleration"].sel(corner=list(links), component="y")
    return np.asarray(own.mean("corner").to_numpy())
