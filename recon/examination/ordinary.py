"""Ordinary channels against each other: steer, speeds and accelerations.

None of these comparisons needs a force, and most need a turn or a stop in the drive: a car that
goes straight at one speed shows the sign of nothing.  What a sound car may show is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.kept_results import kept_in
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.car.vehicle import SIDES
from recon.examination.attitude import attitude_agrees
from recon.examination.comparison import Comparison
from recon.examination.motion import LEAST_SPEED, LEAST_TURN, Motion, motion_of, scatter
from recon.examination.term import Term
from recon.examination.view import View

STEER = "steer against yaw rate and speed"
# rad per m/s2: 2 degrees per g, -1 on a tail-heavy car and 5 on a nose-heavy one with road tyres;
# common practice, no source.
UNDERSTEER, U_UNDERSTEER = 0.0035, 0.003
LIMIT_NEAR = 0.9  # g of lateral acceleration, from where front tyres may plough
U_PLOUGH = 0.5  # rad per g beyond it
# rad: rear wheels that steer, crossfall, pull of tyres; the zero of the sensor comes on top
THRUST = 0.005
# Of the steer that a turn needs: share that is not known, and scatter; also by the speed of turns,
# where none is logged, which is 0 to 6 % off on invented cars.
BY_SPEED, BY_TURNS = (0.12, 0.1), (0.15, 0.2)
LEAST_YAW = 0.15  # rad/s
WOBBLE = 0.45  # m/s2, of what a slide or a slope of the road adds
TILT = 0.03  # rad, of an accelerometer
GAIN = 0.06  # of an accelerometer
HUB_ZERO = 0.3  # m/s2
USUAL_BASE = 2.5  # m, wheelbase of a car that does not state it
SHAKES = (1.5, 2.0, 2.5)  # m/s2, of a hub against the body, in short means
TURNS = 1.0  # m/s2, square of the yaw rate times wheelbase or track
SLIP = 0.02  # of the speed, of a rolling wheel
HARD = 0.2  # the same at 10 m/s2 of braking or driving
# A driven wheel that spins: so much faster than the car rolls, while the car gains speed at least
# so quickly (a launch), or than the wheel usually turns at such a speed (out of a corner).  Common
# practice, no source.
SPIN, GAINING = 0.1, 1.0  # of the speed; m/s2
# A wheel that a turn or a stop unloads locks early, and hangs slow after the brakes are off again.
UNLOADS = 2.0  # m/s2, of the body; common practice, no source


def channels_agree(view: View) -> Iterator[Term]:
    """Ordinary channels against each other."""

    def of_log() -> tuple[Term, ...]:
        terms = (comparison.term for comparison in comparisons(view))
        return tuple(replace(term, by_gauges=False) for term in terms)

    yield from kept_in(view.kept, "ordinary channels", of_log)


def comparisons(view: View) -> Iterator[Comparison]:
    """Every comparison of ordinary channels that the log allows."""
    motion = motion_of(view)
    makers: tuple[Callable[[Motion], Iterator[Comparison]], ...] = (
        attitude_agrees,
        _turning,
        speeds_agree,
        _hubs,
        _gravity,
    )
    for make in makers:
        yield from make(motion)


def _turning(motion: Motion) -> Iterator[Comparison]:
    """Yaw rate against sideways acceleration and speed; steer against yaw rate and speed."""
    speed = np.where(motion.moving & ~motion.sliding, motion.speed, np.nan)
    yaw, ones = motion.yaw_rate, np.ones(motion.count)
    _, aside, _ = motion.body
    turned = speed * yaw
    swing = np.abs(motion.jerk[1])
    corners = motion.view.corners
    yield Comparison(
        "sideways acceleration against speed times yaw rate",
        "car",
        (),
        "m/s2",
        aside,
        turned,
        np.hypot(WOBBLE, 0.08 * swing) + 0.1 * scatter(turned) if np.isfinite(turned).any() else 1,
        [0.1 * turned, 0.4 * ones],
        channels=("acceleration_y", "speed", "yaw_rate"),
        shares={"acceleration_y": aside},
    )
    heading = _heading(motion)
    unsure, scattered = BY_SPEED
    if not np.isfinite(motion.speed).any():
        speed, (unsure, scattered) = _speed_of_turns(motion), BY_TURNS
        turned = speed * yaw
    if heading is None or not np.isfinite(turned).any():
        return
    base = USUAL_BASE if motion.stance is None else motion.stance.base
    neutral = base * yaw / speed
    change = np.abs(motion.yaw_change)
    # Front tyres near their limit need much more angle for a little more force, or none.
    plough = U_PLOUGH * np.maximum(np.nan_to_num(np.abs(turned)) / STANDARD_GRAVITY - LIMIT_NEAR, 0)
    jolt = 0.15 * base * np.nan_to_num(change) / speed
    zero = np.hypot(motion.view.prepared.car.sensors.u_steer, THRUST)
    yield Comparison(
        STEER,
        "car",
        corners,
        "rad",
        np.where(motion.at_limit, np.nan, heading),
        neutral + UNDERSTEER * turned,
        np.sqrt(0.012**2 + jolt**2 + plough**2) + scattered * scatter(neutral),
        [unsure * neutral, U_UNDERSTEER * turned, plough * np.sign(turned), zero * ones],
        channels=("steer", "rack", "steering_wheel_angle", "yaw_rate", "speed"),
        shares={motion.view.prepared.session.steer.source: heading},
    )


def _speed_of_turns(motion: Motion) -> Floats:
    """Speed (n,) [m/s] of a car that turns as it is accelerated sideways; NaN where it hardly does.

    For a drive without any speed.
    """
    aside, yaw = motion.body[1], motion.yaw_rate
    turns = (np.abs(yaw) > LEAST_YAW) & (np.abs(aside) > LEAST_TURN)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.where(turns, aside / yaw, np.nan)
    return np.where(speed > LEAST_SPEED, speed, np.nan)


def _heading(motion: Motion) -> Floats | None:
    """Mean heading (n,) [rad] of the steered wheels by the rack as logged.

    A steer that was inferred is no evidence: it follows from yaw rate, or from the gauges.
    """
    out = []
    for part in motion.view.parts.values():
        for corner, own in zip(part.solver.assembly.corners, part.heading, strict=True):
            if corner.steered:
                out.append(own)
    steer = motion.view.prepared.session.steer
    return np.mean(out, axis=0) if out and steer.logged and steer.source != "fixed" else None


def speeds_agree(motion: Motion) -> Iterator[Comparison]:
    """Speed against acceleration ahead; every wheel's speed against the car's."""
    car = motion.view.prepared.car
    speed = np.where(motion.sliding, np.nan, motion.speed)
    felt = motion.body
    ahead = felt[0]
    change = motion.channel("slope_of_speed")
    ones = np.ones(motion.count)
    slide = np.abs(np.nan_to_num(felt[1]))
    yield Comparison(
        "change of speed against acceleration ahead",
        "car",
        (),
        "m/s2",
        np.where(motion.sliding, np.nan, ahead),
        change,
        WOBBLE + 0.12 * slide + 0.1 * np.abs(motion.jerk[0]),
        [0.1 * change, 0.4 * ones],
        channels=("speed", "acceleration_x"),
        shares={"acceleration_x": ahead},
    )
    hard = np.abs(np.nan_to_num(np.where(np.isnan(ahead), motion.speed_change, ahead))) / 10.0
    unloading = np.hypot(10.0 * hard, slide)
    gaining = np.fmax(ahead, change) > GAINING
    yaw = np.nan_to_num(motion.yaw_rate)
    for name, corner in car.corners.items():
        rolled = motion.channel("wheel_speed", name) * corner.wheel.loaded_radius
        usual = _over_usual(rolled, speed, motion.moving)
        hanging = (np.abs(usual) < 1 - SPIN) & (unloading > UNLOADS)
        spinning = (usual > 1 + SPIN) | ((np.abs(rolled) > (1 + SPIN) * np.abs(speed)) & gaining)
        yield Comparison(
            f"wheel speed of {name} against the car's speed",
            name,
            (),
            "m/s",
            np.where(hanging | (spinning & corner.driven), np.nan, rolled),
            speed - yaw * corner.wheel.centre[1],
            0.3 + (SLIP + HARD * hard + 0.01 * slide) * np.abs(speed),
            [0.03 * speed],
            channels=(f"wheel_speed_{name}", "speed"),
        )


def _over_usual(rolled: Floats, speed: Floats, moving: NDArray[np.bool_]) -> Floats:
    """Speed of a wheel over the car's `speed` [m/s], over what that usually is, (n,) [1].

    Another unit or radius makes a wheel faster or slower throughout, and is neither spin nor lock.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(moving, rolled / speed, np.nan)
        known = ratio[np.isfinite(ratio)]
        return np.asarray(ratio / abs(float(np.median(known)) if known.size else np.nan))


def _hubs(motion: Motion) -> Iterator[Comparison]:
    """Acceleration of every hub against the body's, axis by axis; else against another hub's."""
    car = motion.view.prepared.car
    body = motion.view.channel("acceleration")
    if body is None:
        yield from _hubs_alike(motion)
        return
    yaw, change = np.nan_to_num(motion.yaw_rate), np.nan_to_num(motion.yaw_change)
    ones, jerk = np.ones(motion.count), np.abs(motion.jerk)
    for name, corner in car.corners.items():
        hub = motion.view.channel("hub_acceleration", name)
        if hub is None:
            continue
        x, y = np.array(corner.wheel.centre[:2]) - np.array(car.centre_of_mass[:2])
        moved = np.array([-change * y - yaw**2 * x, change * x - yaw**2 * y, 0.0 * yaw])
        for k, axis in enumerate(COMPONENTS):
            expected = body[:, k] + moved[k]
            tilted = [TILT * body[:, j] for j in range(3) if j != k]
            yield Comparison(
                f"{axis} acceleration of hub {name} against the body's",
                name,
                (name,),
                "m/s2",
                hub[:, k],
                expected,
                _shaken(hub[:, k] - expected, k) + 0.02 * jerk[k],
                [GAIN * expected, HUB_ZERO * ones, *tilted],
                channels=(f"hub_acceleration_{name}_{axis}", f"acceleration_{axis}"),
                shares={f"hub_acceleration_{name}_{axis}": hub[:, k]},
            )


def _hubs_alike(motion: Motion) -> Iterator[Comparison]:
    """Accelerations that two hubs share in every turn, but for what its rate squared adds.

    A yaw acceleration makes no difference ahead on one side of the car, nor sideways on one axle.
    """
    ones = np.ones(motion.count)
    axles = tuple(SIDES.values())
    for k, pairs in enumerate((zip(*axles, strict=True), axles)):
        axis = COMPONENTS[k]
        for pair in pairs:
            first, second = (motion.view.channel("hub_acceleration", name) for name in pair)
            if first is None or second is None:
                continue
            channels = tuple(f"hub_acceleration_{name}_{axis}" for name in pair)
            yield Comparison(
                f"{axis} acceleration of hub {pair[0]} against that of hub {pair[1]}",
                pair[0],
                pair,
                "m/s2",
                first[:, k],
                second[:, k],
                sqrt(2.0) * SHAKES[k],
                [GAIN * second[:, k], HUB_ZERO * ones, TURNS * ones],
                channels=channels,
                shares={channels[0]: first[:, k], channels[1]: -second[:, k]},
            )


def _shaken(difference: Floats, k: int) -> float:
    """Spread [m/s2] of a hub's acceleration along one axis; on a rough road as much as it shows.

    Wrong signs, axes and units move the mean of the upward one, whose scatter says nothing.
    """
    return float(np.hypot(SHAKES[k], scatter(difference))) if k == 2 else SHAKES[k]


def _gravity(motion: Motion) -> Iterator[Comparison]:
    """Upward acceleration against gravity, body and hubs."""
    ones = np.ones(motion.count)
    for corner in (None, *motion.view.prepared.car.corners):
        name = "hub_acceleration" if corner else "acceleration"
        place = f"hub {corner}" if corner else "the body"
        found = motion.view.channel(name, corner)
        if found is None:
            continue
        yield Comparison(
            f"upward acceleration of {place} against gravity",
            corner or "car",
            motion.view.corners if corner is None else (corner,),
            "m/s2",
            found[:, 2],
            STANDARD_GRAVITY * ones,
            _shaken(found[:, 2], 2),
            [0.5 * ones],
            channels=(f"{name}_{corner}_z" if corner else f"{name}_z",),
        )
