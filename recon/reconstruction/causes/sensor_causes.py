"""Errors of travel, steer and acceleration, and of the wheel's mass, droop and loaded radius."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.mechanics.statics import member_matrix, strip_spin
from recon.reconstruction.causes.bench import Bench
from recon.reconstruction.causes.cause import Cause, Source, numbered
from recon.reconstruction.estimator.session import Attitude


def sensor_causes(bench: Bench) -> list[Cause]:
    """Fixed errors of travel, steer and hub accelerometer; unsprung mass, droop, loaded radius."""
    out: list[Cause] = []
    for k in range(bench.features.wheels):
        out += _travel_causes(bench, k)
        out += _acceleration_causes(bench, k)
        out += _weight_causes(bench, k)
    return out + _steer_causes(bench)


def _travel_causes(bench: Bench, k: int) -> list[Cause]:
    corner, features, scale = bench.assembly.corners[k], bench.features, bench.grid.scale[k]
    sensors, loadings = bench.estimator.session.wheels[k], []
    for amount, force, bushes in (
        (sensors.travel, features.forces, 0),
        (sensors.travel_share * scale, features.by_travel(k), features.travel(k)),
    ):
        if amount > 0:
            loadings.append(_travel_loading(bench, k, amount, force, bushes))
    part = "session" if sensors.travel_logged else "assumption"
    return numbered(Source("session", corner.name, "travel"), part, loadings)


def _travel_loading(
    bench: Bench, k: int, amount: float, force: list[int] | slice, bushes: int
) -> Floats:
    """Loading (mode, 3 w, feature) of an error of travel `k` [m], through the features given."""
    loading = bench.blank()
    loading[:, :, force] = bench.slopes[k] * amount
    loading[:, 3 * k + 2, bushes] += bench.assembly.corners[k].bush_rate * amount
    return loading


def attitude_causes(bench: Bench, attitude: Attitude) -> list[Cause]:
    """Roll and pitch of the body turn vehicle into intermediate axes; shared by all corners.

    x_intermediate = Ry(pitch) Rx(roll) x_vehicle, left side up and nose down positive.  Where
    travels are calculated from the lean of the body on its springs, the same error moves the
    loads: the links then hardly turn against the road, and most of it cancels.
    """
    features, wheels = bench.features, bench.estimator.session.wheels
    roll, pitch = (np.zeros((3 * len(wheels), features.size)) for _ in range(2))
    for k in range(len(wheels)):
        x, y, z = (features.force(k, c) for c in range(3))
        roll[3 * k + 1, z], roll[3 * k + 2, y] = -1.0, 1.0
        pitch[3 * k, z], pitch[3 * k + 2, x] = 1.0, -1.0
    out = []
    for axis, (angle, turn, u) in enumerate(
        (("roll", roll, attitude.u_roll), ("pitch", pitch, attitude.u_pitch))
    ):
        moves = [
            _travel_loading(bench, k, own.travel_of_lean[axis], features.forces, 0)
            for k, own in enumerate(wheels)
        ]
        loading = np.sum(moves, axis=0)
        lean = attitude.on_springs[axis] if loading.any() else 0.0
        for what, size, moved in (
            (f"{angle} of the body", np.sqrt(u**2 - lean**2), bench.blank()),
            (f"{angle} on the springs", lean, loading),
        ):
            if size > 0:
                source = Source("session", "", what)
                out.append(Cause(source, attitude.part, moved, turned=size * turn))
    return out


def _steer_causes(bench: Bench) -> list[Cause]:
    """Errors of the steer, fixed and relative, move the loads and turn the tyre axes at once."""
    wheels, features = bench.estimator.session.wheels, bench.features
    if not any(sensors.rack > 0 for sensors in wheels):
        return []
    part = "session" if wheels[0].steer_logged else "assumption"
    out: list[Cause] = []
    of_rack = wheels[0].rack_share * bench.grid.scale[-1] / wheels[0].rack
    for size, places in ((1.0, features.forces), (of_rack, features.by_rack)):
        if size > 0:
            loading, turn = bench.blank(), np.zeros((3 * len(wheels), features.size))
            loading[:, :, places] = size * bench.slopes[-1] * wheels[0].rack
            for k, sensors in enumerate(wheels):
                x, y = places.start + 4 * k, places.start + 4 * k + 1
                turn[3 * k, y], turn[3 * k + 1, x] = sensors.heading * size, -sensors.heading * size
            source = Source("session", "", "steer", len(out))
            out.append(Cause(source, part, loading, steered=turn))
    return out


def _acceleration_causes(bench: Bench, k: int) -> list[Cause]:
    """Error of the hub's specific force, axis by axis; that of the body is shared by corners.

    Along and sideways the gain of the hub's accelerometer acts on what moves the wheel, upwards on
    gravity; `Solver.hub_gain` has what it does where the hub moves up and down.
    """
    out = []
    corner, sensors = bench.assembly.corners[k], bench.estimator.session.wheels[k]
    for axis, source in enumerate(sensors.acceleration_from):
        own, gain = sensors.acceleration[axis], sensors.acceleration_share[axis]
        if axis == 2:
            own, gain = np.hypot(own, gain * STANDARD_GRAVITY), 0.0
        shared = sensors.acceleration_of_body[axis]
        if source == "none":
            own, shared = 0.0, own
        part = "session" if source == "hub" else "assumption"
        for of, what, size, share in ((corner.name, "hub", own, gain), ("", "body", shared, 0.0)):
            loadings = [bench.blank(), bench.blank()]
            for m, at in enumerate(bench.centre):
                per_size = at.forces @ at.hub[:, 3 * k + axis] * corner.unsprung_mass
                loadings[0][m, :, 0] = per_size * size
                usual = share * _asked_of_force(bench, k, m, axis)
                loadings[1][m, :, bench.features.force(k, axis)] = per_size * usual
            name = Source("session", of, f"{what} acceleration {COMPONENTS[axis]}")
            out += numbered(name, part, [one for one in loadings if one.any()])
    return out


def _asked_of_force(bench: Bench, k: int, m: int, axis: int) -> float:
    """Acceleration of a hub along or sideways per newton of its tyre's force [m/s2 per N].

    All hubs have the acceleration of the car, and a tyre's force is its axle's share of what that
    asks for: in mode `m` that of braking or of driving.
    """
    reference = bench.estimator.references[k]
    along = reference.driving if bench.modes[m][k] == "rolling" else reference.braking
    return STANDARD_GRAVITY / (reference.vertical if axis == 1 else along)


def _weight_causes(bench: Bench, k: int) -> list[Cause]:
    """Unsprung mass, droop travel of the tare, loaded radius of wheel `k`."""
    corner, own, tare = bench.assembly.corners[k], slice(3 * k, 3 * k + 3), bench.tare
    unsprung, radius = bench.blank(), bench.blank()
    weight = np.zeros_like(tare.weight)
    weight[own] = [0.0, 0.0, STANDARD_GRAVITY]
    free, held = _lower_contact(bench, k)
    hung = tare.hanging_slopes[k] @ tare.weight * corner.u_droop_travel
    droop = bench.at_design(bench.K @ (hung + tare.by_droop * tare.split[:, k]))
    for m, (at, mode) in enumerate(zip(bench.centre, bench.modes, strict=True)):
        load = (at.hub_loads - tare.hanging) @ weight
        unsprung[m, :, 0] = at.forces @ bench.K @ load * corner.u_unsprung_mass
        for axis in (0, 1):
            share = corner.u_unsprung_mass * _asked_of_force(bench, k, m, axis)
            effect = at.forces @ at.hub[:, 3 * k + axis] * share
            unsprung[m, :, bench.features.force(k, axis)] = effect
        lower = held if mode[k] == "locked" else free
        first = bench.features.force(k, 0)
        effect = -at.forces @ bench.K @ lower * corner.wheel.u_loaded_radius
        radius[m, :, first : first + 3] = effect
    if tare.travel[k] != 0.0:
        droop[:, 3 * k + 2, 0] -= corner.bush_rate * corner.u_droop_travel
    return [
        Cause(Source("car", corner.name, "unsprung mass"), "session", unsprung),
        Cause(Source("car", corner.name, "droop travel"), "session", droop),
        Cause(Source("car", corner.name, "loaded radius"), "assumption", radius),
    ]


def _lower_contact(bench: Bench, k: int) -> tuple[Floats, Floats]:
    """Loads (member, 3) per newton at contact `k` if it is a metre lower: free hub, held hub."""
    here = bench.estimator.design
    wheel = here.wheels[k]
    down = wheel.contact - wheel.hub
    down = down / np.linalg.norm(down)
    moment = np.cross(down, np.eye(3)).T  # columns Fx, Fy, Fz
    per_moment = member_matrix(here)[:, 6 * k + 3 : 6 * k + 6]
    return per_moment @ strip_spin(moment, wheel.spin), per_moment @ moment
