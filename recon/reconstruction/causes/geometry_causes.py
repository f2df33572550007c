"""Causes from uncertain geometry: hardpoints, wheel centres, compliances, axles that wind up.

The pulls hold K G at their pose, whatever the geometry is: a geometry that is off changes K there
so that its product with G stays, and H only elsewhere.  Its effect on the forces is therefore
small near the pulls' pose and grows with the distance from it.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.mechanics.assembly import Assembly
from recon.mechanics.live_axle import ahead, hub_columns, inside_of
from recon.mechanics.motion import pose
from recon.mechanics.moved_points import absolute_map, moved_points, wrench_per_load
from recon.mechanics.softness import soft_changes
from recon.mechanics.statics import inside_matrix, load_matrix, member_matrix, road_columns
from recon.reconstruction.causes.bench import Bench
from recon.reconstruction.causes.cause import Cause, Source, numbered
from recon.reconstruction.estimator.assembly_estimator import typical_unknowns
from recon.reconstruction.estimator.linear_estimator import loads_of

BRAKING = 1  # place of braking in `typical_unknowns`


def geometry_causes(bench: Bench) -> list[Cause]:
    """Hardpoints and wheel centres: they matter where the pose differs from the pulls'.

    The pulls hold K G at their pose, whatever the points are, so a changed point changes K by
    K G(p0) G(p)^-1 there, and H elsewhere.  So it changes what the tare takes off for the weight
    of the hanging wheels and for links that bind there, and what this weight does in the drive.
    """
    moves, u, centres = moved_points(bench.assembly)
    droop = [*(c.hanging_travel for c in bench.assembly.corners), 0.0]
    places = np.vstack([_from_pull_pose(bench), droop])[None]
    posed = pose(
        bench.assembly.mechanism,
        places[..., :-1],
        places[..., -1],
        points=moves[:, None],
        centres=centres[:, None],
    )
    members = member_matrix(posed)
    inside = inside_of(posed, members)
    absolute = absolute_map(posed, members)
    at_pulls, arms = absolute[:, 0], bench.assembly.arms[:, None]
    # A mechanism may have more members than its wheels' wrenches, or fewer: the least change of K.
    taken_up = (at_pulls[:1] - at_pulls) @ wrench_per_load(at_pulls / arms) / arms.T
    K = bench.K + bench.K @ taken_up  # (move, gauge, member)
    of_weight = K[:, None] @ hub_columns(posed.mechanism, members, inside) @ bench.tare.weight
    of_weight = of_weight[:, 1:-1] - of_weight[:, -1:]  # more than at the tare
    out = []
    for m, mode in enumerate(bench.modes):
        loads, _ = loads_of(posed, bench.estimator.columns, mode, members, inside)
        H = K[:, None] @ loads[:, 1:-1]
        base = bench.grid.at[m]
        effect = -base.forces[None] @ (H - H[0:1])[..., base.known_rows]  # (move, node, 3 w, 4 w)
        constant = -base.forces[None] @ (of_weight - of_weight[0:1])[..., None]
        loading = bench.grid.over_pose(effect, bench.features)
        out.append(loading + bench.grid.over_travel(constant[..., 0], bench.features))
    stacked = np.stack(out, axis=1)[1:]  # (move, mode, 3 w, feature)
    stacked = (stacked.T * u[1:]).T
    for move, bound in enumerate(bench.tare.bound):
        stacked[move] += bench.at_design(bench.K @ bound)
    source = Source("car", bench.assembly.name, "hardpoints")
    return numbered(source, "assumption", stacked)


def compliance_causes(bench: Bench) -> list[Cause]:
    """Stated compliances, where supports share loads by them; see `soft_changes`.

    To first order the pulls change K by dK G(p0) = -K dG(p0), so H by K dG + dK G elsewhere, and
    so what the tare takes off for the weight of the hanging wheels.
    """
    if not bench.assembly.mechanism.shares_loads:
        return []
    droop = [*(c.hanging_travel for c in bench.assembly.corners), 0.0]
    places = np.vstack([_from_pull_pose(bench), droop])
    posed = pose(bench.assembly.mechanism, places[:, :-1], places[:, -1])
    changes = soft_changes(bench.assembly, posed)
    if not changes:
        return []
    members = member_matrix(posed)
    inside = inside_of(posed, members)
    of_hubs = hub_columns(posed.mechanism, members, inside)
    absolute = absolute_map(posed, members)[0]
    out: dict[str, list[Floats]] = {name: [] for name in changes}
    for name, change in changes.items():
        at_pulls = absolute_map(posed, change)[0]
        held = bench.K @ at_pulls @ wrench_per_load(absolute)  # -dK (gauge, member)
        more_of_hubs = hub_columns(posed.mechanism, change, change)
        hanging = (bench.K @ more_of_hubs - held @ of_hubs)[-1] @ bench.tare.weight
        for m, mode in enumerate(bench.modes):
            loads, _ = loads_of(posed, bench.estimator.columns, mode, members, inside)
            more, _ = loads_of(posed, bench.estimator.columns, mode, change)
            base = bench.grid.at[m]
            dH = (bench.K @ more - held @ loads)[1:-1]
            effect = -base.forces @ dH[..., base.known_rows]
            loading = bench.grid.over_pose(effect, bench.features)
            loading[:, 0] = bench.centre[m].forces @ hanging
            out[name].append(loading)
    return [
        Cause(
            Source("car", bench.assembly.name, f"{name} compliance"),
            "assumption",
            np.array(loading),
        )
        for name, loading in out.items()
    ]


def wind_up_causes(bench: Bench) -> list[Cause]:
    """An axle turns on links that give while it brakes, and bridges on its tubes turn with it.

    They measure forces in the axes of the axle, which are taken to be those of the design.  The
    angle grows with the longitudinal force and is that of usual braking at its size.  It turns a
    usual load into a longitudinal force, and this one into a vertical force, which so grows with
    the square of the longitudinal one: it is that of a hard stop, in which a rear axle brakes less
    than its load at rest would allow.  An axle whose hubs pass no torque hardly turns.  In pulls
    all hubs are held, and what turns is the weight that hangs: the map keeps that for good.
    """
    w, assembly = bench.features.wheels, bench.assembly
    carrying = {wheel.body for wheel in assembly.mechanism.wheels}
    if w == 1 or carrying.isdisjoint(cut.body for cut in assembly.mechanism.sections):
        return []
    angle = abs(wind_up(assembly, bench.estimator.usual_load))
    braking, _, load, *_ = typical_unknowns((1.0,))[BRAKING]
    loading = bench.blank()
    for k, corner in enumerate(assembly.corners):
        along, own = bench.features.force(k, 0), bench.estimator.references[k]
        hanging = corner.unsprung_mass * STANDARD_GRAVITY / own.vertical
        turns = np.array([mode[k] != "rolling" or corner.final_drive != 0 for mode in bench.modes])
        loading[:, 3 * k, along] = angle * load / braking * np.where(turns, 1.0, hanging)
        loading[turns, 3 * k + 2, along] = -angle * own.braking / own.vertical
    return [Cause(Source("car", assembly.name, "wind-up"), "assumption", loading)]


def shaft_causes(bench: Bench) -> list[Cause]:
    """The couple of the propeller shaft on a live axle of which nobody knows when it was braked.

    It comes with the force that drives a tyre, and not with one that brakes it: of the forces in
    that mode any may be either.  A propeller shaft's torque is that of the wheel over the ratio.
    """
    loading, out = bench.blank(), []
    for k, corner in enumerate(bench.assembly.corners):
        if not corner.final_drive or bench.estimator.session.wheels[k].braking_known:
            continue
        wheel = bench.estimator.design.wheels[k]
        way = corner.wheel.loaded_radius / corner.final_drive * ahead(wheel.spin)
        per_force = inside_matrix(bench.estimator.design)[:, 6 * k + 3 : 6 * k + 6] @ way
        for m, (at, mode) in enumerate(zip(bench.centre, bench.modes, strict=True)):
            if mode[k] == "braked":
                loading[m, :, bench.features.force(k, 0)] = at.forces @ bench.K @ per_force
        out = [Cause(Source("car", bench.assembly.name, "propeller shaft"), "assumption", loading)]
    return out


def wind_up(assembly: Assembly, usual: tuple[float, ...]) -> float:
    """Pitch [rad] of a tied axle in usual braking, front end down positive, by the links that give.

    `usual` (wheel,) [N] are loads of its wheels.  The sum over links of compliance times load times
    load per unit of pitch moment: unit load method, from memory.  Springs hold the wheels' travel.
    """
    mechanism, wheels = assembly.mechanism, range(len(usual))
    at = pose(mechanism, np.zeros(len(usual)), 0.0)
    loads = load_matrix(at)
    under = loads @ road_columns(at, hub_passes_spin=True) @ typical_unknowns(usual)[BRAKING]
    per_moment = np.mean([loads[:, 6 * k + 4] for k in wheels], axis=0)
    gives = np.array([mechanism.kinds[support] != "spring" for support in mechanism.owner])
    return float(np.sum(np.nan_to_num(mechanism.compliance) * under * per_moment * gives))


def _from_pull_pose(bench: Bench) -> Floats:
    """Travels and rack (1 + node, wheel + 1): the pulls' own, then the nodes."""
    return np.vstack([bench.pull_pose, bench.grid.nodes])
