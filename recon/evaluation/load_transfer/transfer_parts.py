"""Lateral load transfer of an axle in parts: through springs, through links, of the wheels.

With g the load of the spring per force at the contact, the vertical force of a tyre is, in
vehicle axes,

    Fz  =  S / gz  -  (gx Fx + gy Fy + gT T) / gz  -  (m g_hub . f) / gz,

S / gz being what springs, bars and dampers carry (elastic), the second term what the links pass by
themselves (geometric: it acts at once and rolls nothing), and the third the unsprung mass.  One
row of statics is enough: a bar shares the load of the spring, not its sum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import SIDES, Vehicle
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.answer_labels import Labelled, limits
from recon.evaluation.common.estimate import Estimate, combined
from recon.evaluation.links.loads_per_force import LinkMap
from recon.evaluation.load_transfer.body_motion import Body, Y
from recon.evaluation.load_transfer.centre_of_mass_height import Assumptions
from recon.evaluation.load_transfer.jackknife import with_groups
from recon.evaluation.load_transfer.vertical_loads import Loads
from recon.mechanics.assembly import Assembly, assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.moved_points import moved_points

PARTS = ("elastic", "geometric", "unsprung")
SIGN = {"left": -0.5, "right": 0.5}  # of a corner in the transfer of its axle


def obstacle(car: Vehicle | None, corners: list[str]) -> str:
    """Why the parts cannot be given, with the remedy; "" if nothing is in the way."""
    if car is None:
        return "name the vehicle file (--vehicle), for its hardpoints"
    for name in corners:
        if car.axle_of(name):
            return f"{name} is part of an axle that ties both wheels; only single wheels have parts"
        if len(_spring_rows(assembly_of(car, name))) != 1:
            return f"{name} has several springs; describe one for the wheel"
    return ""


def _spring_rows(assembly: Assembly) -> list[int]:
    """Rows of the springs of a corner among the loads of its supports."""
    owner = assembly.mechanism.owner
    return [r for r, place in enumerate(owner) if assembly.supports[place].kind == "spring"]


@dataclass(frozen=True, slots=True)
class Ratios:
    """Forces of a corner per vertical force at the contact, (sample, 4): Fx, Fy, Fz, T.

    `hub` (sample, 3) [kg] is per specific force of the hub; `moved` (coordinate,) [1] the change
    of the ratio of Fy per standard uncertainty of a hardpoint.
    """

    force: Floats
    hub: Floats
    moved: Floats


def ratios_of(car: Vehicle, name: str, means: xr.Dataset) -> Ratios:
    """Ratios of a corner at the samples of short means of the forces."""
    assembly = assembly_of(car, name)
    links = replace(LinkMap.of(car, assembly), rows=(_spring_rows(assembly)[0],))
    k = corner_names(means).index(name)
    travel = means["travel"].to_numpy()[:, k].astype(float)
    rack = means["rack"].to_numpy().astype(float) if assembly.steered else np.zeros(len(travel))
    mode = np.round(means["hub_mode"].to_numpy()[:, k]).astype(np.int64)[None]
    force, hub = np.split(links.per_force(travel[None], rack, mode)[0].T, [4], axis=1)
    points, u, centres = moved_points(assembly)
    at = pose(assembly.mechanism, travel.mean()[None], 0.0, points=points, centres=centres)
    apart = links.per_unknown(at, ("rolling",))[0][:, 0]
    ratio = apart[:, 1] / apart[:, 2]
    return Ratios(force / force[:, 2:3], hub / force[:, 2:3], (ratio[1:] - ratio[0]) * u[1:])


def parts_of(car: Vehicle, means: xr.Dataset, loads: Loads, alternatives: Alternatives) -> Estimate:
    """Transfer per lateral acceleration (axle, part) [kg], in the order of `PARTS`.

    The car has four wheels by themselves, each with one spring.  `means` are short means of the
    forces that entered, `loads` their motion and the fit, `alternatives` those of these means.
    """
    corners = corner_names(means)
    ratios = [ratios_of(car, name, means) for name in corners]
    torque = means["hub_moment"].to_numpy().astype(float)
    specific = _in_body(np.column_stack([
        loads.body.acceleration, np.full(len(torque), STANDARD_GRAVITY)
    ])[:, None], loads.body)[:, 0]  # fmt: skip
    sides = [(a, name, SIGN[side]) for a, pair in enumerate(SIDES.values())
             for name, side in zip(pair, SIGN, strict=True)]  # fmt: skip

    def series(force: Floats, at: NDArray[np.int64] | slice = slice(None)) -> Floats:
        """Transfer by sample, axle and part [N], linear in the forces."""
        own = _in_body(force, loads.body if isinstance(at, slice) else loads.body.at(at))
        out = np.zeros((len(own), len(SIDES), len(PARTS)))
        for axle, name, sign in sides:
            k = corners.index(name)
            ratio, hub = ratios[k].force[at], ratios[k].hub[at]
            geometric = -np.einsum("ni,ni->n", ratio[:, :2], own[:, k, :2])
            geometric -= ratio[:, 3] * torque[at, k]
            unsprung = -np.einsum("ni,ni->n", hub, specific[at])
            elastic = own[:, k, 2] - geometric - unsprung
            out[:, axle] += sign * np.stack([elastic, geometric, unsprung], axis=1)
        return out.reshape(len(out), -1)

    def slopes(force: Floats, at: NDArray[np.int64] | slice = slice(None)) -> Floats:
        some = loads if isinstance(at, slice) else loads.at(at)
        inverse = np.linalg.pinv(some.columns(some.acceleration(force, Assumptions())))
        return np.asarray((inverse @ series(force, at))[1 + Y])

    best = alternatives.best
    if loads.body.by_forces:
        estimate = alternatives.estimate(slopes)
    else:  # accelerations do not follow from the forces, so that all is linear in them
        share = np.linalg.pinv(loads.columns(loads.acceleration(best, Assumptions())))[1 + Y]
        estimate = alternatives.estimate(_weighed(series, share, best.shape), together=True)
    by_cause = estimate.by_cause.copy().reshape(-1, len(SIDES), len(PARTS))
    columns = loads.columns(loads.acceleration(best, Assumptions()))
    sideways = (np.linalg.pinv(columns) @ _in_body(best, loads.body)[..., Y])[1 + Y]
    causes = means["cause_name"].to_numpy().astype(str)
    for axle, name, sign in sides:
        k = corners.index(name)
        passed = sign * ratios[k].moved * sideways[k]  # by springs instead of links
        places = np.flatnonzero(causes == f"{name} hardpoints")
        by_cause[places, axle, 0] += passed
        by_cause[places, axle, 1] -= passed
    estimate = replace(estimate, by_cause=by_cause.reshape(estimate.by_cause.shape))
    return with_groups(estimate, loads.time, lambda at: slopes(best[at], at))


def _weighed(
    series: Callable[[Floats], Floats], share: Floats, shape: tuple[int, ...]
) -> Callable[[Floats], Floats]:
    """Sums of a series with the weights `share` (sample,), for many alternatives at once.

    `series` (sample, quantity) is linear in forces of that `shape` (sample, corner, component) [N];
    a force is given to it once, instead of each alternative.
    """
    nothing = series(np.zeros(shape))
    units = np.eye(shape[1] * shape[2]).reshape(-1, 1, *shape[1:])
    each = np.array([series(np.broadcast_to(unit, shape)) - nothing for unit in units])
    weights = (each * share[:, None]).reshape(-1, nothing.shape[1])  # samples of a force in turn
    return lambda force: (
        np.moveaxis(force, 1, -1).reshape(len(force), -1) @ weights + share @ nothing
    )


def _in_body(values: Floats, body: Body) -> Floats:
    """Vectors (sample, ..., 3) of level axes turned into those of the body, as `_level` has it."""
    roll, pitch = (angle[:, None] for angle in (body.roll, body.pitch))
    x, y, z = np.moveaxis(values, -1, 0)
    along, upward = np.cos(pitch) * x - np.sin(pitch) * z, np.sin(pitch) * x + np.cos(pitch) * z
    across = np.cos(roll) * y + np.sin(roll) * upward
    return np.stack([along, across, np.cos(roll) * upward - np.sin(roll) * y], axis=-1)


def labelled_parts(parts: Estimate) -> Labelled:
    """Transfer in parts (axle, part) and the share of each in its axle, as variables."""
    shape = (len(SIDES), len(PARTS))

    def shares(of: Floats) -> Floats:
        by_axle = of.reshape(shape)
        return np.asarray((by_axle / by_axle.sum(axis=1, keepdims=True)).ravel())

    dims = ("axle", "part")
    words = "lateral load transfer of an axle per acceleration, in vehicle axes: through springs "
    words += "(elastic), through links (geometric), of the wheels (unsprung)"
    share = "share of the part in the transfer of the axle"
    return limits("transfer_part", parts, dims, "kg", words, shape) | limits(
        "transfer_part_share", combined(shares, parts), dims, "1", share, shape
    )
