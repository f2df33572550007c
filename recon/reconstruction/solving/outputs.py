"""Outputs of an assembly: its forces, and sums of forces where those are not known one by one.

All of them are rows of one matrix, outputs = A @ forces, so that values, variances and shares of
what is not known follow from the forces' own by the same products.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import PriorWarning, RankError, warn
from recon.base.words import enumerated
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly
from recon.planning.combinations import NOT_KNOWN, together
from recon.planning.observability import Observability, observe
from recon.planning.questions import FORCES
from recon.reconstruction.estimator.linear_estimator import AtPose

NEARLY = 0.05  # of a force: a sum with weights that are so close to one is the total
NO_CURE = "none among the loads of the file; describe sections that bend to have them judged"


@dataclass(frozen=True, slots=True)
class Outputs:
    """Rows of A, (output, 3 w): outputs = A @ forces [N], Fx, Fy, Fz wheel after wheel.

    The first 3 w rows are the forces themselves; behind them stand known sums, with their words in
    `sums`.  `lost` are places of forces that are not known, `reason` names them with the cheapest
    cure.  `hidden` (3 w, 3 w) [N2] is the covariance of the lost forces in vehicle axes, with each
    other and with known ones, zero among those.
    """

    rows: Floats
    sums: tuple[str, ...]
    lost: tuple[int, ...]
    reason: str
    hidden: Floats

    @property
    def wheels(self) -> int:
        """Number of wheels."""
        return self.rows.shape[1] // 3

    @property
    def weights(self) -> Floats:
        """Rows of the known sums alone, (k, 3 w) [1]."""
        return self.rows[3 * self.wheels :]

    @property
    def known(self) -> Floats:
        """The rows (output, 3 w) [1] with zeros for forces that are not known."""
        out = self.rows.copy()
        out[list(self.lost)] = 0.0
        return out

    @property
    def groups(self) -> list[slice]:
        """Rows whose covariance matters: x and y of a wheel; z and every sum stand alone."""
        bounds = [k for w in range(self.wheels) for k in (3 * w, 3 * w + 2)]
        bounds += range(3 * self.wheels, len(self.rows) + 1)
        return [slice(*pair) for pair in pairwise(bounds)]

    @property
    def totals_known(self) -> bool:
        """True where the gauges show the sum of each component over all wheels."""
        lost = list(self.lost)
        totals, known = np.tile(np.eye(3), self.wheels)[:, lost], self.weights[:, lost]
        left = totals - totals @ np.linalg.pinv(known) @ known
        return bool(np.all(np.abs(left) < NEARLY))

    def lost_of_wheels(self) -> NDArray[np.bool_]:
        """True where a force is not known, (w, 3)."""
        out = np.zeros((self.wheels, 3), dtype=bool)
        out.flat[list(self.lost)] = True
        return out

    def leak(self, turn: NDArray) -> Floats:
        """Variance (output, sample) [N2] that lost forces bring into outputs in turned axes.

        `turn` (3, 3, sample) leads from vehicle axes to others.  Gauges know an output in the axes
        of the body; in axes that roll and pitch turn, it takes in a little of what they do not
        know.  Where errors cancel nothing is taken off: `hidden` is that of design height.
        """
        if not np.any(self.hidden):
            return np.zeros((len(self.rows), 1))
        by_wheel = self.rows.reshape(len(self.rows), self.wheels, 3)
        turned = np.einsum("kwi,ijn->kwjn", by_wheel, turn).reshape(*self.rows.shape, -1)
        return leak_of(self.hidden, turned, self.rows)

    def leak_by_wheel(self, turn: NDArray) -> NDArray:
        """The same for the forces of each wheel in axes of its own, `turn` (w, 3, 3, sample).

        Returns (w, 3, sample) [N2].
        """
        if not np.any(self.hidden):
            return np.zeros((self.wheels, 3, 1))
        blocks = self.hidden.reshape(self.wheels, 3, self.wheels, 3)
        return np.array([leak_of(blocks[w, :, w], turn[w], np.eye(3)) for w in range(self.wheels)])


def leak_of(hidden: Floats, turned: NDArray, rows: Floats) -> Floats:
    """Growth of the variance of rows (k, force) by being `turned` (k, force, sample), >= 0.

    `hidden` (force, force) [N2] is the covariance of the forces.
    """
    level = np.einsum("kin,ij,kjn->kn", turned, hidden, turned, optimize=True)
    body = np.einsum("ki,ij,kj->k", rows, hidden, rows)
    return np.asarray(np.maximum(level - body[:, None], 0.0))


def outputs_of(
    car: Vehicle, assembly: Assembly, gauges: tuple[str, ...], covariance: Floats, design: AtPose
) -> Outputs:
    """Judge the forces of an assembly by their covariance at its usual load.

    `covariance` (3 w, 3 w) [N2] is that of the forces with open priors; `design` the estimator at
    design height.

    Raises RankError: no force component is seen by the gauges; the message names the cure.
    Warns PriorWarning: some are not seen: they are NaN in the result, with reason and cure.
    """
    u = np.sqrt(np.diag(covariance))
    identity = np.eye(len(u))
    lost = tuple(int(k) for k in np.flatnonzero(u > NOT_KNOWN))
    if not lost:
        return Outputs(identity, (), (), "", np.zeros_like(identity))
    names = assembly.per_wheel(FORCES)
    gauged = tuple(
        on for g, on in zip(assembly.gauges, assembly.gauged, strict=True) if g.name in gauges
    )
    cure = _cure(observe(car, assembly.name, gauged=gauged), lost)
    unknown = enumerated(names[k] for k in lost)
    where = assembly.title
    sums = together(covariance, names, tuple(names[k] for k in lost))
    if len(lost) == len(names) and not (assembly.tied and sums):
        raise RankError(
            where=where,
            found=f"{len(gauged)} gauges ({', '.join(gauged)}) leave {unknown} unknown, u up to "
            f"{np.max(u):.0f} N",
            needed="gauges that see at least one force component",
            do=f"Cheapest cure: {cure}. `recon observe` shows what each further gauge buys.",
        )
    reason = (
        f"{where}: {unknown} not known with gauges on {', '.join(gauged)} (u {np.max(u):.0f} N), "
        f"given as NaN; cheapest cure: {cure}"
    )
    if sums:
        reason += f"; but {'; '.join(s.words for s in sums)}"
    warn(reason, PriorWarning)
    weights = [[s.weights.get(name, 0.0) for name in names] for s in sums]
    rows = np.vstack([identity, *weights])
    return Outputs(rows, tuple(s.words for s in sums), lost, reason, _hidden(design, lost))


def _hidden(design: AtPose, lost: tuple[int, ...]) -> Floats:
    """`Outputs.hidden`, for lost forces as large as a tyre's are."""
    rows = design.force_rows
    known = np.setdiff1d(np.arange(len(rows)), lost)
    out = design.C[np.ix_(rows, rows)].copy()
    out[np.ix_(known, known)] = 0.0
    return out


def _cure(found: Observability, lost: tuple[int, ...]) -> str:
    """Cheapest cure that gauges alone promise, or else the gauge that helps most.

    With its map's uncertainty an assembly may know less than its gauges alone let expect.
    """
    further = found.with_
    helps = min(further, key=lambda member: float(np.max(further[member][list(lost)])), default="")
    gauges = found.cure or ((helps,) if helps and not found.lost else ())
    return f"gauge {' and '.join(gauges)}" if gauges else NO_CURE
