"""A tare: which load it carried, how well that is known, and what gauges show of it.

A tare is no zero load.  With the wheel hanging, its unsprung weight pulls on the links; on a pad
they carry the wheel's share of the car.  What was taken off with the zero has to be put back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.calibrated import CornerCalibration
from recon.mechanics.assembly import Assembly
from recon.mechanics.bushes import bush_loads
from recon.mechanics.live_axle import hub_columns, inside_of
from recon.mechanics.motion import Pose, pose
from recon.mechanics.moved_points import moved_points
from recon.mechanics.statics import member_matrix, road_columns, spring_share
from recon.mechanics.uneven_wheels import tied_loads, twist_is_stated, twist_loads

# A wheel on a pad; common practice, no source.
PAD_SCRUB = 200.0  # N; tyres hold side and fore-aft forces
PAD_SHARE = 0.005  # relative standard uncertainty of a pad's reading
PAD_TRAVEL = 0.005  # m; the car stands near design height, nobody wrote the travel
# Share of the usual load that bar or beam and springs may have against each other at the tare,
# where the rate of a bar is not stated: as much as a usual bar has if the droop of both wheels is
# known to 3 mm, some 160 N in its drop links; no source.
TARE_SPLIT = 0.15
STEP = 1e-3  # m, for slopes over travel


@dataclass(frozen=True, slots=True)
class Tare:
    """State in which the zeros of an assembly were taken.

    Wheels `hanging`, or standing on `pads` of which each carried `pad_load` [N].
    """

    state: str = "hanging"
    pad_load: float = float("nan")

    def __str__(self) -> str:
        """The tare in words."""
        on_pads = f"a tare on pads of {self.pad_load:.0f} N"
        return on_pads if self.on_pads else "a tare with wheels hanging"

    @property
    def on_pads(self) -> bool:
        """True where the wheel stood on a pad."""
        return self.state == "pads"


@dataclass(frozen=True, slots=True)
class TareLoad:
    """Loads of an assembly of w wheels at its tare.

    `indication` (gauge,) is what gauges show of them, taken off with the zero.  `effects`
    (gauge, k) are signed indications per standard uncertainty of what a tare on pads leaves open.
    `travel` (w,) [m] is where the wheels were.  `weight` (3 w,) [N] is the unsprung weight, which
    acts at the wheel centres; `hanging` (member, 3 w) are loads per newton there with the wheels
    hanging, `hanging_slopes` (w, member, 3 w) the same per metre of each travel.  `split`
    (member, w) [N] are loads of one standard uncertainty that bar or beam and springs may have
    against each other; they are those of each droop travel's own uncertainty if they are
    `by_droop`.  `bound` (move, member) are the same of each point that may be elsewhere, in the
    order of `moved_points`, where rates are stated.  `twist` (member, k) are those of both that no
    pull shows alone.  `beyond_pulls` (gauge,) is what gauges show more than at the tares of the
    pulls, where the wheels hung at the pulls' pose.
    """

    indication: Floats
    effects: Floats
    travel: tuple[float, ...]
    weight: Floats
    hanging: Floats
    hanging_slopes: Floats
    split: Floats
    bound: Floats
    twist: Floats
    by_droop: bool
    beyond_pulls: Floats


def tare_load(
    assembly: Assembly, calibration: CornerCalibration, tare: Tare, usual: tuple[float, ...]
) -> TareLoad:
    """Loads of a tare from the geometry and the weights that the vehicle file states.

    `calibration` has K (gauge, member) [unit/N] of the assembly, and the pose of its pulls; `usual`
    (w,) [N] is the usual vertical load of each wheel.
    """
    w, K = len(assembly.corners), calibration.K
    droop = np.array([c.hanging_travel for c in assembly.corners])
    at = pose(assembly.mechanism, droop + STEP * np.eye(w + 1, w, k=-1))
    per_force = _per_weight(at)
    hanging = per_force[0]
    weight = _weight(assembly)
    by_droop, held = twist_is_stated(assembly.mechanism), np.zeros(len(assembly.members))
    bound = np.zeros((0, len(held)))
    if by_droop:
        held, split, bound = _tied(assembly, droop)
        twist = np.hstack([split, bound.T])
    else:
        split = spring_share(at)[0][:, 2::6] * TARE_SPLIT * np.array(usual)
        twist = split if "torsion" in assembly.mechanism.kinds else split[:, :0]
    carried = hanging @ weight + bush_loads(assembly, at)[0] + held
    effects = np.zeros((len(K), 0))
    if tare.on_pads:
        carried = standing(assembly, np.array([tare.pad_load]))
        effects = _pad_effects(assembly, K, tare.pad_load)
    return TareLoad(
        indication=K @ carried,
        effects=effects,
        travel=(0.0,) * w if tare.on_pads else tuple(map(float, droop)),
        weight=weight,
        hanging=hanging,
        hanging_slopes=(per_force[1:] - hanging) / STEP,
        split=split,
        bound=bound,
        twist=twist,
        by_droop=by_droop,
        beyond_pulls=K @ (carried - hanging_at_pulls(assembly, calibration)),
    )


def _tied(assembly: Assembly, droop: Floats) -> tuple[Floats, Floats, Floats]:
    """Loads that bars and bound links hold with the wheels hanging at `droop` (w,) [m].

    Loads (member,), and those of one standard uncertainty of each droop travel (member, w) and of
    each point (move, member) [N, N m].
    """
    mechanism = assembly.mechanism
    u_droop = np.array([c.u_droop_travel for c in assembly.corners])
    points, u, centres = moved_points(assembly)
    moved = tied_loads(pose(mechanism, droop, points=points, centres=centres))
    split = twist_loads(mechanism, droop) * u_droop
    return moved[0], split, (moved[1:] - moved[0]) * u[1:, None]


def hanging_at_pulls(assembly: Assembly, calibration: CornerCalibration) -> Floats:
    """Loads (member,) [N] of wheels that hang at the pose of the pulls: weight, bushes, binding."""
    of = calibration.conditions
    at = pose(assembly.mechanism, np.full(len(assembly.corners), of.travel), of.rack)
    loads = _per_weight(at) @ _weight(assembly) + bush_loads(assembly, at)
    held = tied_loads(at) if twist_is_stated(assembly.mechanism) else 0.0
    return np.asarray(loads + held)


def _weight(assembly: Assembly) -> Floats:
    """Unsprung weight at the wheel centres, (3 w,) [N]."""
    weights = [[0.0, 0.0, -c.unsprung_mass * STANDARD_GRAVITY] for c in assembly.corners]
    return np.concatenate(weights)


def _per_weight(at: Pose) -> Floats:
    """Loads (..., member, 3 w) per newton of the weights that hang on the wheels."""
    members = member_matrix(at)
    return hub_columns(at.mechanism, members, inside_of(at, members))


def standing(assembly: Assembly, pads: Floats) -> Floats:
    """Loads (member,) [N] of an assembly at design height whose tyres carry `pads` (w,) [N]."""
    here = pose(assembly.mechanism, 0.0)
    wrenches = []
    for wheel, force in zip(here.wheels, pads, strict=True):
        up = np.array([0.0, 0.0, float(force)])
        wrenches += [up, np.cross(wheel.contact - wheel.hub, up)]
    loads = member_matrix(here) @ np.concatenate(wrenches)
    return np.asarray(loads + _per_weight(here) @ _weight(assembly))


def scrub_effects(assembly: Assembly, K: Floats) -> Floats:
    """Effects (gauge, 2 w) [unit] of `PAD_SCRUB` held fore and aft and sideways by each wheel.

    `K` (gauge, member) [unit/N].
    """
    at = pose(assembly.mechanism, np.zeros(len(assembly.corners)))
    passes = [False] * len(assembly.corners)
    per_force = K @ member_matrix(at) @ road_columns(at, hub_passes_spin=passes)
    sideways = [6 * k + axis for k in range(len(passes)) for axis in (0, 1)]
    return np.asarray(PAD_SCRUB * per_force[:, sideways])


def _pad_effects(assembly: Assembly, K: Floats, pad: float) -> Floats:
    """Signed effects (gauge, 4) of what a tare on pads leaves open.

    Forces that the pad holds sideways and fore and aft, the pad's own error, and the height at
    which the car stood.
    """
    travel = np.array([-PAD_TRAVEL, 0.0, PAD_TRAVEL])
    at = pose(assembly.mechanism, travel[:, None])
    per_force = K @ member_matrix(at) @ road_columns(at, hub_passes_spin=False)[..., :3]
    scrub = PAD_SCRUB * per_force[1, :, :2]
    share = PAD_SHARE * pad * per_force[1, :, 2]
    height = 0.5 * pad * (per_force[2, :, 2] - per_force[0, :, 2])
    return np.column_stack([scrub, share, height])
