"""Acceleration of body and wheels from the gauges themselves, where no sensor shows it.

The links of all corners carry the body: the sum of their forces is its mass times its specific
force, and their moment about the vertical axis turns it.  Where only some corners have gauges, the
body is taken to be accelerated along and sideways as its part on these wheels is:

    specific force = g (Fx, Fy) / Fz,   sums over the wheels that are seen.                (1)

Sideways this is the acceleration of these wheels, yaw included, and is used as the body's: a car
whose yaw inertia is mass times the distances of both axles moves like two masses over its axles.
Along, another axle may drive or brake; both wheels of an axle show by their load how quick the
whole car speeds up,

    a_x = +-(load at rest - Fz) wheelbase / (mass height),   + for the front axle.         (2)

Above the lower end of `HOP_BAND` the force of spring and damper on a wheel changes with its speed
against a body that stays behind, so that

    wheel acceleration = change of the link force over time / damping.                  (3)

It is used where travel is not logged, or shows the motion worse for its noise.  Faster motion than
the upper end is not seen and counts as uncertainty, by the spectrum of a usual road.

A log that has been completed holds these accelerations as if they had been logged, with their
uncertainties beside them.
"""

from __future__ import annotations

import warnings
from collections.abc import Collection

import numpy as np

from recon.base.arrays import Floats, cuts
from recon.base.labelled import Variable, corner_names, stamp
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, CORNERS, STANDARD_GRAVITY
from recon.base.threads import one_thread
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.conditioning.derivative import HOP, SHOWN, differences
from recon.conditioning.filters import Band, low_pass
from recon.conditioning.hub_motion import (
    HOP_BAND,
    MOTION,
    NO_YAW,
    SHAKE_SHARE,
    YAW_SHARE,
    arm_of,
    own_step,
    shows_yaw,
    turning,
    unseen_share,
)
from recon.reconstruction.inputs.attitude import has_four_wheels, wheelbase
from recon.reconstruction.inputs.logged_channels import specific_force, warn_of_prior
from recon.reconstruction.inputs.steering import SLOWEST, lacks_steer
from recon.reconstruction.prepare import prepare
from recon.reconstruction.seen_by_gauges import Seen, Wanted, seen_by
from recon.reconstruction.side_shaking import with_side_shaking
from recon.reconstruction.solving.solve import BLOCK
from recon.reconstruction.steer_from_gauges import U_USUAL_SPEED, USUAL_SPEED, smooth, with_steer
from recon.records.logs import LOG
from recon.records.scratch import columns, copied, room

# Common practice, no source: forces of the air, of half-shafts and of masses that are not stated.
U_BODY_ACCELERATION = 0.3  # m/s2
# The same by equation (1): another axle brakes more, tyres of an axle share unequally.  Together
# they accelerate what is on them, however they share it, but for the day's weight and for pitching.
U_OF_SOME, U_OF_SOME_SHARE = (1.0, 0.5, 0.7), (0.3, 0.15)  # m/s2; relative, of the rms
U_OF_AXLE_SHARE = 0.07
DRIVEN_TIME = 0.4  # share of a drive in which an axle drives
# By equation (2): air and road; height of the centre of mass, relative; weight of the day, of the
# load at rest; how much quicker a drive ends than it begins, which tells weight from acceleration.
U_BY_LOAD, U_HEIGHT_SHARE, U_WEIGHT_SHARE, U_GAIN = 0.5, 0.1, 0.05, 15.0  # m/s2, 1, 1, m/s
SLOW = 0.15  # s; quicker changes are those by equation (1)
LEAST_LOAD = 0.3  # of the usual load: wheels that are nearly off the ground show no acceleration
YAW_INERTIA = 1.0  # of mass times the distances of both axles from the centre of mass
# Damping of a usual car over the mass that a wheel carries, four pi times ride frequency (2 Hz)
# times damping ratio (0.4): soft cars have half of it, stiff ones twice.
DAMPING, U_DAMPING_SHARE = 10.0, 0.5  # 1/s
LEAST_GAIN = 0.1  # a wheel has at most ten times the usual damping
U_SLOW_WHEEL = 0.3  # m/s2: below `HOP_BAND` the wheel is taken to move with the body
AXLES = ({"FL", "FR"}, {"RL", "RR"})
MOVED, U_MOVED, SHAKEN = MOTION  # names of the motion of the wheels and of what is unsure of it

U_TRAVEL = Variable(("corner",), "standard uncertainty of the travel, inferred", "m")
U_ACCELERATION = Variable(
    ("component",), "standard uncertainty of the specific force of the body, inferred", "m/s2"
)


def completed(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, accept_corner: Collection[str] = ()
) -> xr.Dataset:
    """A conditioned log with accelerations that its gauges show, where it lacks them.

    `log` (elapsed_time, gauge) is as `condition` returns it, `accept_corner` as of `reconstruct`.
    It is returned itself where nothing is lacking, or where the gauges show too little.

    Warns PriorWarning: an acceleration is inferred from the gauges.
    """
    lacks_body, lacks_travel = specific_force(log) is None, not {"roll", "pitch"} <= set(log)
    lacks_travel &= "travel" not in log
    lacks_yaw = "relative_acceleration" in log and not shows_yaw(log)
    no_steer = lacks_steer(log, car)
    if not (lacks_body or lacks_travel or lacks_yaw or no_steer or "indication_rate" in log):
        return log
    with warnings.catch_warnings(), one_thread():
        warnings.simplefilter("ignore")
        prepared = prepare(calibration, car, log, accept_corner=accept_corner)
        needed = lacks_body or lacks_yaw or no_steer or SHAKEN in log
        seen = seen_by(prepared, log, Wanted(needed, "indication_rate" in log, lacks_travel))
        links = _link_forces(seen) if needed else {}
        found = _with_body(log, car, seen, links) if lacks_body and seen else log
        if (lacks_yaw or no_steer) and set(links) == set(CORNERS):
            change = _yaw_change(car, links)
            found = _with_yaw(found, car, change) if lacks_yaw else found
            found = with_steer(found, car, change) if no_steer else found
        elif lacks_body and lacks_yaw and len({name[0] for name in links}) == 1:
            found = _with_yaw_of_some(found, car, links)
        if lacks_travel:
            found = _with_travel(found, car, seen)
        if "indication_rate" in log:
            found = _with_hop(found, seen)
        found = with_side_shaking(found, [one.solver for one in seen], links)
    if "u_acceleration" in found:
        u = ", ".join(f"{u:.2g}" for u in found["u_acceleration"].to_numpy())
        warn_of_prior(
            f"{log.attrs.get('path', 'log')}: acceleration is not logged; it is inferred from the "
            f"gauges, with standard uncertainties of {u} m/s2 (x, y, z)."
        )
    return found


def _with_body(
    log: xr.Dataset, car: Vehicle, seen: list[Seen], links: dict[str, Floats]
) -> xr.Dataset:
    force, u = (
        _of_all(car, links) if set(links) == set(CORNERS) else _of_some(log, car, seen, links)
    )
    return log.assign_coords(component=list(COMPONENTS)).assign(
        acceleration=stamp(LOG["acceleration"], force.T), u_acceleration=stamp(U_ACCELERATION, u)
    )


def _of_all(car: Vehicle, links: dict[str, Floats]) -> tuple[Floats, Floats]:
    """Specific force (3, sample) of the body on all its wheels, and its uncertainty (3,) [m/s2]."""
    mass = car.mass - sum(corner.unsprung_mass for corner in car.corners.values())
    force = room(next(iter(links.values())).shape)
    for part in cuts(force.shape[1], BLOCK):
        force[:, part] = sum(link[:, part] for link in links.values()) / mass
    return force, np.full(3, U_BODY_ACCELERATION)


def _of_some(
    log: xr.Dataset, car: Vehicle, seen: list[Seen], links: dict[str, Floats]
) -> tuple[Floats, Floats]:
    """The same by equations (1) and (2), from some wheels alone."""
    usual = STANDARD_GRAVITY * sum(sum(one.carried) for one in seen)
    references = [reference for one in seen for reference in one.solver.estimator.references]
    # The only axle that drives pushes the other one as well.
    pushed = sum(r.vertical for r in references) / sum(r.driving for r in references)
    force = room(next(iter(links.values())).shape)
    flat, load = force[:2], force[2]
    for part in cuts(len(load), BLOCK):
        own = np.sum([link[:, part] for link in links.values()], axis=0)
        load[part] = own[2]
        flat[:, part] = STANDARD_GRAVITY * own[:2] / np.maximum(own[2], LEAST_LOAD * usual)
        flat[0, part] *= np.where(flat[0, part] > 0, pushed, 1.0)
    axle = any(ends <= set(links) for ends in AXLES)
    share = U_OF_SOME_SHARE[0], U_OF_AXLE_SHARE if axle else U_OF_SOME_SHARE[1]
    size = np.array(share) * [_rms(own) for own in flat]
    u = np.hypot(U_OF_SOME, np.append(size, 0.0))
    u[0] = np.hypot(u[0], _unseen_driving(log, car, flat[0], links))
    if set(links) in AXLES and has_four_wheels(car):
        sign = 1 if "FL" in links else -1
        per_load = sign * wheelbase(car) / (car.mass * car.centre_of_mass[2])
        flat[0], u[0] = _by_load(log, flat[0], per_load * (usual - load), abs(per_load) * usual)
    if shows_yaw(log):
        flat[1] -= _aside(log, links)
    load[:] = STANDARD_GRAVITY  # upwards nothing else is seen
    return force, u


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


def _by_load(
    log: xr.Dataset, quick: Floats, transferred: Floats, at_rest: float
) -> tuple[Floats, float]:
    """Acceleration ahead (sample,) by equation (2), quick changes as in `quick`, and u [m/s2].

    `transferred` (sample,) is the acceleration that moves the load away, `at_rest` one that would
    move all of it [m/s2].
    """
    from scipy.ndimage import gaussian_filter1d

    rate = float(log.attrs["rate"])
    squares = (U_WEIGHT_SHARE * at_rest) ** 2, (U_GAIN * rate / len(quick)) ** 2
    offset = np.nanmean(transferred) * squares[0] / sum(squares)
    slow = gaussian_filter1d(np.nan_to_num(transferred - offset - quick), SLOW * rate)
    ahead, weight = quick + slow, float(np.prod(squares) / sum(squares))
    size = float(np.nanmean(np.square(ahead)))
    return ahead, float(np.sqrt(U_BY_LOAD**2 + U_HEIGHT_SHARE**2 * size + weight))


def _aside(log: xr.Dataset, links: Collection[str]) -> Floats:
    """Mean motion (sample,) [m/s2] of some wheels sideways against the body."""
    own = log["relative_acceleration"].sel(corner=list(links), component="y")
    return np.asarray(own.mean("corner").to_numpy())


def _with_yaw_of_some(log: xr.Dataset, car: Vehicle, links: Collection[str]) -> xr.Dataset:
    """The log where the acceleration of the body is that of these wheels, yaw included.

    Along, a wheel that is accelerated sideways turns about the centre of mass as well: by the
    acceleration over the speed, without sideslip.
    """
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    rate = float(log.attrs["rate"])
    speed = np.maximum(log["speed"].to_numpy(), SLOWEST) if "speed" in log else USUAL_SPEED
    u_speed = 0.0 if "speed" in log else U_USUAL_SPEED / USUAL_SPEED
    yaw = smooth(np.nan_to_num(log["acceleration"].to_numpy()[:, 1] / speed), SLOW * rate)
    for name in links:
        ahead = turning(yaw, np.gradient(yaw, 1 / rate), arm_of(car, name))[:, 0]
        relative[:, corner_names(log).index(name), 0] += ahead
        share = np.array([np.hypot(YAW_SHARE[0], u_speed), 0.0])
        at = {"corner": name, "component": ["x", "y"]}
        u.loc[at] = np.sqrt(u.loc[at] ** 2 - NO_YAW**2 + (share * _rms(ahead)) ** 2)
    return _moved(log, relative, u)


def _yaw_change(car: Vehicle, links: dict[str, Floats]) -> Floats:
    """Yaw acceleration (sample,) [rad/s2] by the moment of the links on the body."""
    arms = {name: arm_of(car, name) for name in car.corners}
    mass = car.mass - sum(corner.unsprung_mass for corner in car.corners.values())
    ahead = np.mean([arms[name][0] for name in arms if name.startswith("F")])
    behind = -np.mean([arms[name][0] for name in arms if name.startswith("R")])
    out = room((next(iter(links.values())).shape[1],))
    for part in cuts(len(out), BLOCK):
        own = {name: link[:, part] for name, link in links.items()}
        moment = sum(arms[c][0] * own[c][1] - arms[c][1] * own[c][0] for c in arms)
        out[part] = moment / (YAW_INERTIA * mass * ahead * behind)
    return out


def _with_yaw(log: xr.Dataset, car: Vehicle, change: Floats) -> xr.Dataset:
    """The log with the motion of the wheels by the body's yaw acceleration `change` [rad/s2]."""
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    size = _rms(change)
    for name in car.corners:
        x, y, _ = arm_of(car, name)
        k = corner_names(log).index(name)
        for part in cuts(len(change), BLOCK):
            relative[part, k, 0] -= change[part] * y
            relative[part, k, 1] += change[part] * x
        terms = np.array(YAW_SHARE) * size * np.abs([y, x])
        own = u.sel(corner=name, component=["x", "y"]).to_numpy()
        u.loc[{"corner": name, "component": ["x", "y"]}] = np.sqrt(own**2 - NO_YAW**2 + terms**2)
    return _moved(log, relative, u)


def _moved(log: xr.Dataset, relative: Floats, u: xr.DataArray) -> xr.Dataset:
    """The log with other motion of the wheels (sample, corner, 3) [m/s2]."""
    return log.assign({MOVED: log[MOVED].copy(data=relative), U_MOVED: u})


def _rms(values: Floats) -> float:
    """Root mean square of values (sample,) that are known [their unit], a part at a time."""
    total, count = 0.0, 0
    for part in cuts(len(values), BLOCK):
        own = values[part][np.isfinite(values[part])]
        total, count = total + float(own @ own), count + len(own)
    return float(np.sqrt(total / count)) if count else float("nan")


def _with_travel(log: xr.Dataset, car: Vehicle, seen: list[Seen]) -> xr.Dataset:
    """The log with the travel of wheels whose spring has a stated rate, if there are any."""
    names = list(car.corners)
    travel = columns((log.sizes["elapsed_time"], len(names)))
    travel[:] = np.nan
    u = np.full(len(names), np.nan)
    for one in seen:
        if one.spring is None:
            continue
        (corner,) = one.solver.assembly.corners
        k = names.index(corner.name)
        np.clip(one.travel, *corner.travel_range, out=travel[:, k])
        u[k] = one.spring.u(_rms(one.travel))
    if not np.isfinite(u).any():
        return log
    return log.assign_coords(corner=names).assign(
        travel=stamp(LOG["travel"], travel), u_travel=stamp(U_TRAVEL, u)
    )


def _link_forces(seen: list[Seen]) -> dict[str, Floats]:
    """Force (3, sample) [N] of the links of each corner on the body, vehicle axes."""
    return {
        corner.name: one.link[k]
        for one in seen
        for k, corner in enumerate(one.solver.assembly.corners)
    }


def _damping(log: xr.Dataset, name: str, hop: Floats, u_by_travel: float) -> tuple[float, float]:
    """`DAMPING` over that of a wheel, and relative uncertainty of the motion found with it.

    `hop` (sample,) [m/s2] is by equation (3).  Up to wheel hop a travel that is logged shows the
    same motion; its noise leaves the ratio as it is and makes the uncertainty larger.  A noise
    that hides the motion, within `u_by_travel` [m/s2], says nothing about the damping.
    """
    if "travel" not in log or "u_travel" in log or HOP * own_step(log["travel"]) > SHOWN:
        return 1.0, U_DAMPING_SHARE
    rate = log.attrs["rate"]
    both = np.column_stack([hop, log["travel"].sel(corner=name)])
    seen, travel = low_pass(both, HOP, rate).T
    wheel = differences(travel, 2, Band(HOP, rate, [slice(0, len(hop))]))
    square = np.nanmean(seen**2)
    gain = max(float(np.nanmean(seen * wheel) / square), LEAST_GAIN)
    misfit = float(np.sqrt(np.nanmean((wheel - gain * seen) ** 2)))
    motion = gain * float(np.sqrt(square))
    hidden = motion < misfit < u_by_travel
    return (1.0, U_DAMPING_SHARE) if hidden else (gain, misfit / motion)


def _with_hop(log: xr.Dataset, seen: list[Seen]) -> xr.Dataset:
    """The log with the vertical motion of the wheels by equation (3), if travel shows it worse."""
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    shaking = log[SHAKEN].copy(deep=True)
    by_travel = "travel" in log
    unseen = unseen_share(HOP_BAND[1], min(log.attrs["bandwidth"], 0.5 * log.attrs["rate"]))
    for one in seen:
        lost = one.solver.outputs.lost_of_wheels()[:, 2]
        for k, corner in enumerate(one.solver.assembly.corners):
            if lost[k]:
                continue
            hop = one.change[k]
            hop /= DAMPING * one.carried[k]
            at = {"corner": corner.name, "component": "z"}
            gain, share = _damping(log, corner.name, hop, float(u.loc[at]))
            hop *= gain
            size = _rms(hop)
            by_gauges = np.hypot(U_SLOW_WHEEL, np.hypot(share, np.sqrt(unseen)) * size)
            if not np.isfinite(by_gauges) or (by_travel and u.loc[at] <= by_gauges):
                continue
            relative[:, corner_names(log).index(corner.name), 2], u.loc[at] = hop, by_gauges
            if not by_travel:  # whose own motion, with its noise, counts along and sideways already
                aside = {"corner": corner.name, "component": ["x", "y"]}
                u.loc[aside] = np.hypot(u.loc[aside], np.array(SHAKE_SHARE) * size)
                own = {"corner": corner.name}
                shaking.loc[own] = np.hypot(shaking.loc[own], SHAKE_SHARE[1] * size)
    return _moved(log, relative, u).assign({SHAKEN: shaking})
