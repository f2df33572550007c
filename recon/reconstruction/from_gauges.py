"""Acceleration of body and wheels from the gauges themselves, where no sensor shows it.

The links of all corners carry the body: the sum of their forces is its mass times its specific
force, and their moment about the vertical axis turns it.  Where only some corners have gauges,
see `body_of_some`.

Above the lower end of `HOP_BAND` the force of spring and damper on a wheel changes with its speed
against a body that stays behind.  With k and c of spring and damper per mass of the body,

    c wheel acceleration = change of the link force over time - k wheel speed,
    c wheel speed = link force,                                                         (1)

and a wheel quicker than the knee of its damper moves by more than that.

It is used where travel is not logged, or shows the motion worse for its noise.  Faster motion than
the upper end is not seen and counts as uncertainty, by the spectrum of a usual road.

A log that has been completed holds these accelerations as if they had been logged, with their
uncertainties beside them.
"""

from __future__ import annotations

import warnings
from collections.abc import Collection
from dataclasses import replace
from functools import partial

import numpy as np

from recon.base.arrays import Floats, cuts, rms
from recon.base.labelled import Variable, corner_names, stamp
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, CORNERS
from recon.base.threads import one_thread
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.conditioning.derivative import HOP, SHOWN, differences
from recon.conditioning.filters import Band, low_pass
from recon.conditioning.hub_motion import (
    HOP_BAND,
    HOP_SHARE,
    MOTION,
    NO_YAW,
    SHAKE_SHARE,
    YAW_SHARE,
    arm_of,
    own_step,
    shows_yaw,
    turn_by_speed,
    turning,
    unseen_share,
)
from recon.reconstruction.body_of_some import body_of_some
from recon.reconstruction.inputs.damper_force import DAMPING
from recon.reconstruction.inputs.logged_channels import logged, specific_force, warn_of_prior
from recon.reconstruction.inputs.sloping_road import along_the_road
from recon.reconstruction.inputs.steering import lacks_steer
from recon.reconstruction.prepare import prepare
from recon.reconstruction.seen_by_gauges import Seen, Wanted, seen_by
from recon.reconstruction.side_shaking import with_side_shaking
from recon.reconstruction.solving.solve import BLOCK
from recon.reconstruction.steer_from_gauges import (
    U_USUAL_SPEED,
    USUAL_SPEED,
    with_steer,
    yaw_by_gauges,
)
from recon.reconstruction.yaw_along import with_yaw_along
from recon.reconstruction.yaw_inertia import Share, YawMoment, yaw_inertia
from recon.records.logs import LOG, require_conditioned
from recon.records.scratch import columns, copied, room

# Common practice, no source: forces of the air, of half-shafts and of masses that are not stated.
U_BODY_ACCELERATION = 0.3  # m/s2
U_DAMPING_SHARE = 0.35  # of `DAMPING`: damping ratios of 0.2 to 0.7
SPRING = 9.0  # 1/s, k / c of a body that heaves at 1.5 Hz
# Quicker than this dampers grow a third to fully as hard: wheels move more than their force tells.
KNEE, BEYOND_SHARE, U_BEYOND_SHARE = 0.1, 0.5, 1.5  # m/s; relative, of the motion beyond
USUALLY_BEYOND = 0.4  # share of the motion beyond in wheel hop, that no lower bandwidth shows
LEAST_GAIN = 0.1  # a wheel has at most ten times the usual damping
U_SLOW_WHEEL = 0.3  # m/s2: below `HOP_BAND` the wheel is taken to move with the body
MOVED, U_MOVED, SHAKEN = MOTION  # names of the motion of the wheels and of what is unsure of it

U_HOP_SHARE = Variable(
    ("corner",), "relative standard uncertainty of the wheel's vertical motion, by the gauges", "1"
)
U_TRAVEL = Variable(("corner",), "standard uncertainty of the travel, inferred", "m")
U_ACCELERATION = Variable(
    ("component",), "standard uncertainty of the specific force of the body, inferred", "m/s2"
)


def completed(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, accept_corner: Collection[str] = ()
) -> xr.Dataset:
    """A conditioned log with accelerations that its gauges show, where it lacks them.

    `log` (elapsed_time, gauge) is as `condition` returns it, `accept_corner` as of `reconstruct`.
    It is returned itself where nothing is lacking, or where the gauges show too little.  Where the
    road slopes, roll and pitch are those against the road; see `along_the_road`.

    Raises DataError: the log is not conditioned.
    Warns PriorWarning: an acceleration is inferred from the gauges; DataWarning: the road slopes.
    """
    require_conditioned(log)
    log = along_the_road(log, car)
    lacks_body, lacks_travel = specific_force(log) is None, not {"roll", "pitch"} <= set(log)
    lacks_travel &= "travel" not in log
    lacks_yaw = "relative_acceleration" in log and not shows_yaw(log)
    no_steer = lacks_steer(log, car)
    if not (lacks_body or lacks_travel or lacks_yaw or no_steer or "indication_rate" in log):
        return log
    with warnings.catch_warnings(), one_thread():
        warnings.simplefilter("ignore")
        gauges = partial(_seen, calibration, car, accept_corner)
        needed = lacks_body or lacks_yaw or no_steer or SHAKEN in log
        wanted = Wanted(needed, "indication_rate" in log, lacks_travel)
        seen = gauges(log, wanted)
        links = _link_forces(seen) if needed else {}
        found = _with_body(log, car, seen, links) if lacks_body and seen else log
        if lacks_body and set(links) == set(CORNERS):
            # Links of wheels that lean with the body pull otherwise than those of a level car.
            seen = gauges(found, wanted)
            links = _link_forces(seen)
            found = _with_body(log, car, seen, links) if seen else found
        if (lacks_yaw or no_steer) and set(links) == set(CORNERS):
            moment = YawMoment.of(car, links)
            inertia = yaw_inertia(found, car, seen, moment) if no_steer else Share()
            change = moment.change(inertia.value)
            if lacks_yaw:
                yaw, u_square = yaw_by_gauges(found, car, change, inertia.u)
                found = _with_yaw(found, car, change, yaw, u_square)
            found = with_steer(found, car, change, inertia.u) if no_steer else found
        elif lacks_body and lacks_yaw and len({name[0] for name in links}) == 1:
            found = _with_yaw_of_some(found, car, links)
        found = with_yaw_along(found, car, seen)
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


def _seen(
    calibration: Calibration,
    car: Vehicle,
    accept_corner: Collection[str],
    log: xr.Dataset,
    wanted: Wanted,
) -> list[Seen]:
    """Forces of links and what follows from them, by the gauges of a conditioned log."""
    prepared = prepare(calibration, car, log, accept_corner=accept_corner)
    return seen_by(prepared, log, wanted)


def _with_body(
    log: xr.Dataset, car: Vehicle, seen: list[Seen], links: dict[str, Floats]
) -> xr.Dataset:
    force, u = (
        _of_all(car, links) if set(links) == set(CORNERS) else body_of_some(log, car, seen, links)
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


def _with_yaw_of_some(log: xr.Dataset, car: Vehicle, links: dict[str, Floats]) -> xr.Dataset:
    """The log where the acceleration of the body is that of these wheels, yaw included.

    Along, a wheel that is accelerated sideways turns about the centre of mass as well.
    """
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    whole = [slice(0, len(relative))]
    band = Band(float(log.attrs["bandwidth"]), float(log.attrs["rate"]), whole)
    speed = log["speed"].to_numpy() if "speed" in log else USUAL_SPEED
    turn = turn_by_speed(log["acceleration"].to_numpy()[:, 1], speed, band)
    if turn is None:
        return log
    u_speed = 0.0 if "speed" in log else U_USUAL_SPEED / USUAL_SPEED
    turn = replace(turn, share=(float(np.hypot(turn.share[0], u_speed)), 0.0))
    for name in links:
        terms, u_terms = turn.terms(arm_of(car, name))
        relative[:, corner_names(log).index(name), 0] += terms[:, 0]
        at = {"corner": name, "component": ["x", "y"]}
        u.loc[at] = np.sqrt(u.loc[at] ** 2 - NO_YAW**2 + (u_terms * [1.0, 0.0]) ** 2)
    return _moved(log, relative, u)


def _with_yaw(
    log: xr.Dataset, car: Vehicle, change: Floats, yaw: Floats, u_square: float
) -> xr.Dataset:
    """The log with the motion of the wheels by the body's `yaw` (sample,) [rad/s] and its change.

    `change` (sample,) [rad/s2]; `u_square` [1] is the relative uncertainty of the square of `yaw`.
    """
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    size, square = rms(change), rms(yaw**2)
    for name in car.corners:
        arm = arm_of(car, name)
        k, at = corner_names(log).index(name), {"corner": name, "component": ["x", "y"]}
        for part in cuts(len(change), BLOCK):
            relative[part, k, :2] += turning(yaw[part], change[part], arm)
        terms = np.array(YAW_SHARE) * size * np.abs(arm[[1, 0]])
        terms = np.hypot(terms, u_square * square * np.abs(arm[:2]))
        u.loc[at] = np.sqrt(u.sel(at).to_numpy() ** 2 - NO_YAW**2 + terms**2)
    return _moved(log, relative, u)


def _moved(log: xr.Dataset, relative: Floats, u: xr.DataArray) -> xr.Dataset:
    """The log with other motion of the wheels (sample, corner, 3) [m/s2]."""
    return log.assign({MOVED: log[MOVED].copy(data=relative), U_MOVED: u})


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
        u[k] = one.spring.u(rms(one.travel))
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

    `hop` (sample,) [m/s2] is by equation (1).  Up to wheel hop a travel that is logged shows the
    same motion; its noise leaves the ratio as it is and makes the uncertainty larger.  A noise
    that hides the motion, within `u_by_travel` [m/s2], says nothing about the damping.
    """
    if not logged(log, "travel", name) or "u_travel" in log:
        return 1.0, U_DAMPING_SHARE
    if HOP * own_step(log["travel"]) > SHOWN:
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


def _hop(log: xr.Dataset, one: Seen, k: int) -> tuple[Floats, float]:
    """Vertical acceleration (sample,) [m/s2] of wheel `k` by (1), and its share beyond the knee."""
    damping, force = DAMPING * one.carried[k], one.link[k][2]
    rate, bandwidth = float(log.attrs["rate"]), float(log.attrs["bandwidth"])
    slow = low_pass(force[:, None], HOP_BAND[0], rate)[:, 0]
    speed = (force - slow) / damping
    hop = one.change[k] / damping - SPRING * speed
    if bandwidth < HOP:
        return hop, USUALLY_BEYOND
    quick = np.maximum(np.abs(speed) - KNEE, 0.0)
    hop[quick > 0.0] *= 1 + BEYOND_SHARE
    return low_pass(hop[:, None], bandwidth, rate)[:, 0], rms(quick) / rms(speed)


def _with_hop(log: xr.Dataset, seen: list[Seen]) -> xr.Dataset:
    """The log with the vertical motion of the wheels by equation (1), if travel shows it worse."""
    relative, u = copied(log[MOVED].to_numpy()), log[U_MOVED].copy(deep=True)
    shaking, shares = log[SHAKEN].copy(deep=True), xr.zeros_like(log[SHAKEN])
    unseen = unseen_share(HOP_BAND[1], min(log.attrs["bandwidth"], 0.5 * log.attrs["rate"]))
    for one in seen:
        lost = one.solver.outputs.lost_of_wheels()[:, 2]
        for k, corner in enumerate(one.solver.assembly.corners):
            if lost[k]:
                continue
            hop, beyond = _hop(log, one, k)
            at = {"corner": corner.name, "component": "z"}
            by_travel = logged(log, "travel", corner.name)
            gain, share = _damping(log, corner.name, hop, float(u.loc[at]))
            if share == U_DAMPING_SHARE:
                share = np.hypot(share, U_BEYOND_SHARE * beyond)
            hop *= gain
            size = rms(hop)
            slow = np.hypot(U_SLOW_WHEEL, np.sqrt(unseen) * size)
            by_gauges = np.hypot(slow, share * size)
            if not np.isfinite(by_gauges) or (by_travel and u.loc[at] <= by_gauges):
                continue
            relative[:, corner_names(log).index(corner.name), 2], u.loc[at] = hop, slow
            shares.loc[corner.name] = share
            if not by_travel:  # whose own motion, with its noise, counts along and sideways already
                aside = {"corner": corner.name, "component": ["x", "y"]}
                u.loc[aside] = np.hypot(u.loc[aside], np.array(SHAKE_SHARE) * size)
                own = {"corner": corner.name}
                shaking.loc[own] = np.hypot(shaking.loc[own], SHAKE_SHARE[1] * size)
    of_hop = stamp(U_HOP_SHARE, shares.to_numpy())
    return _moved(log, relative, u).assign({SHAKEN: shaking, HOP_SHARE: of_hop})
