"""The bench: an assembly's estimator at the poses at which effects of errors are worked out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.mechanics.assembly import Assembly
from recon.mechanics.bushes import loads_per_rate
from recon.mechanics.motion import pose
from recon.reconstruction.estimator.assembly_estimator import AssemblyEstimator
from recon.reconstruction.estimator.linear_estimator import AtPose
from recon.reconstruction.estimator.sample_features import Features, Modes
from recon.reconstruction.estimator.tare_load import TareLoad

STEP = 1e-3  # m, for slopes over travel and rack


@dataclass(frozen=True, slots=True)
class Grid:
    """Poses over half of the ranges: `nodes` (node, w + 1) travels and rack [m].

    `scale` (w + 1,) [m] is what features divide them by; `at` holds the estimators of the nodes,
    mode by mode.  `by_travel` (1 + w, node) and `by_pose` (2 + w, node) are least-squares fits of
    values at the nodes: constant, by each travel, and by the rack.
    """

    nodes: Floats
    scale: tuple[float, ...]
    at: list[AtPose]
    by_travel: Floats
    by_pose: Floats

    @classmethod
    def of(cls, nodes: Floats, scale: tuple[float, ...], at: list[AtPose]) -> Grid:
        """The grid at `nodes` (node, w + 1) [m], with its fits."""
        design = np.column_stack([np.ones(len(nodes)), nodes / scale])
        return cls(nodes, scale, at, np.linalg.pinv(design[:, :-1]), np.linalg.pinv(design))

    def over_travel(self, effect: Floats, features: Features) -> Floats:
        """Effects [N] at the nodes (..., node, 3 w) whatever the forces are, as loadings.

        (..., 3 w, feature), constant and by each travel (least squares).
        """
        places = [0, *map(features.travel, range(features.wheels))]
        loading = np.zeros((*effect.shape[:-2], effect.shape[-1], features.size))
        loading[..., places] = np.swapaxes(self.by_travel @ effect, -1, -2)
        return loading

    def over_pose(self, effect: Floats, features: Features) -> Floats:
        """Effects per force at the nodes (..., node, 3 w, 4 w) as loadings (..., 3 w, feature).

        Constant, by each travel, by rack (least squares).
        """
        solved = np.einsum("kn,...nij->k...ij", self.by_pose, effect)
        loading = np.zeros((*effect.shape[:-3], effect.shape[-2], features.size))
        by_travel = map(features.by_travel, range(features.wheels))
        for k, place in enumerate((features.forces, *by_travel, features.by_rack)):
            loading[..., place] = solved[k]
        return loading


@dataclass(frozen=True, slots=True)
class Bench:
    """An assembly of w wheels at the poses that the causes need.

    `centre` holds the estimators at design height, mode by mode; `slopes` (w + 1, mode, 3 w, 4 w)
    are the changes of forces per force and metre of each travel and of the rack, -W dH/dq.
    `twisted` (node, member, w) are loads since the tare per bush rate of each wheel [N per N/m].
    """

    estimator: AssemblyEstimator
    features: Features
    centre: list[AtPose]
    slopes: list[Floats]
    grid: Grid
    twisted: Floats

    @property
    def assembly(self) -> Assembly:
        """Corner or tied axle on the bench."""
        return self.estimator.assembly

    @property
    def modes(self) -> Modes:
        """Modes of the hubs, wheel by wheel."""
        return self.estimator.modes

    @property
    def K(self) -> Floats:
        """Indication per load, (gauge, member) [unit/N]."""
        return self.estimator.K

    @property
    def tare(self) -> TareLoad:
        """Loads at the tare."""
        return self.estimator.tare

    @property
    def pull_pose(self) -> Floats:
        """Travels and rack of the pulls, (wheel and rack,) [m]."""
        at = self.estimator.calibration.conditions
        return np.array([at.travel] * self.features.wheels + [at.rack])

    def blank(self) -> Floats:
        """A loading of zeros, (mode, 3 w, feature) [N]."""
        return np.zeros((len(self.modes), 3 * self.features.wheels, self.features.size))

    def constant(self, indication: Floats) -> Floats:
        """Loading (mode, 3 w, feature) [N] of an indication that no force changes.

        (gauge,), or (node, gauge) where it changes with the pose.
        """
        effects = ((at.forces @ indication[..., None])[..., 0] for at in self.grid.at)
        return np.array([self.grid.over_travel(effect, self.features) for effect in effects])

    def at_design(self, indication: Floats) -> Floats:
        """The same as `constant`, by the estimators of design height alone.

        Indication (gauge,) in the gauges' units to a loading (mode, 3 w, feature) [N].
        """
        loading = self.blank()
        for m, at in enumerate(self.centre):
            loading[m, :, 0] = at.forces @ indication
        return loading


def bench_of(estimator: AssemblyEstimator) -> Bench:
    """Put an assembly on the bench."""
    assembly = estimator.assembly
    w = len(assembly.corners)
    half_t = [0.5 * min(map(abs, corner.travel_range)) for corner in assembly.corners]
    low, high = estimator.rack_range
    half_r = 0.25 * (high - low)
    axes = [np.array([-h, 0.0, h]) for h in half_t]
    axes.append(np.array([-half_r, 0.0, half_r]) if half_r > 0 else np.zeros(1))
    nodes = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=-1)
    moves = STEP * np.eye(w + 1)
    moves[w] *= half_r > 0
    around = np.vstack([np.zeros(w + 1), *(side * move for move in moves for side in (-1, 1))])
    places = np.vstack([around, nodes])
    posed = pose(assembly.mechanism, places[:, :-1], places[:, -1])
    at = estimator.at(posed)
    twisted = np.zeros((len(nodes), len(assembly.members), w))
    if any(corner.u_bush_rate > 0 for corner in assembly.corners):
        at_tare = pose(assembly.mechanism, np.array(estimator.tare.travel))
        twisted = loads_per_rate(posed)[len(around) :] - loads_per_rate(at_tare)
    return Bench(
        estimator=estimator,
        features=Features(w),
        centre=[one.part(0) for one in at],
        slopes=_slopes([one.part(slice(0, len(around))) for one in at]),
        grid=Grid.of(
            nodes,
            scale=(*(2 * h for h in half_t), 2 * half_r if half_r > 0 else 1.0),
            at=[one.part(slice(len(around), None)) for one in at],
        ),
        twisted=twisted,
    )


def _slopes(around: list[AtPose]) -> list[Floats]:
    """`Bench.slopes` from the centre and two poses, before and after, per variable."""
    out = []
    for k in range((len(around[0].H) - 1) // 2):
        slope = []
        for at in around:
            change = (at.H[2 + 2 * k] - at.H[1 + 2 * k])[:, at.known_rows] / (2 * STEP)
            slope.append(-at.part(0).forces @ change)
        out.append(np.array(slope))
    return out
