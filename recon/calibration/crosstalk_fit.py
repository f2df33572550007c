"""The joint fit of K: errors of the pulls' lines, gains and load readings are unknowns too.

Model of step i of pull p, indications y (gauge,), geometry G (member, wrench):

    y = K (G w + geometry * loads not taken up) + friction * held back,                     (1)
        w = sum over devices (load (1 + gain) + reading) column(offsets, angles)
            + (falling - branch / 2) * hysteresis * wrench at the peak

`branch` says which side of a loop between rising and falling loads is the true one: 0 the
rising branch, 1 the middle.  It is one unknown per corner, known only to lie between the two.
A loop that grows with the pull is `hysteresis`.  Friction in the joints of a link does not: it is
as wide in every pull, and its sign is that of the load's last change (`held_back`).

Every unknown that is not K has a prior and is shared by all steps of its pull (offsets, angles,
hysteresis), by all pulls (friction), by those of its device (gain), by those that turn about the
bearing (the wheel centre's place) or by nothing (reading).  K has a prior where the bridge's slope
is known.  Where pulls are made at several poses, points and compliances that are off (geometry) are
unknowns too: K takes up their effect at one pose, so its prior moves with them, and not what
changes on the way to others.
The sum of squared standardised residuals and priors is made least by Gauss-Newton steps, halved
where they go too far; the covariance is the inverse of the normal matrix at the end.

Source: errors-in-variables least squares with priors as pseudo-observations, in the sense of
JCGM 102:2011 (GUM Supplement 2), from memory; Gauss-Newton as in any textbook on least squares.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.calibration.applied import Pull
from recon.calibration.noise import PullNoise, largest_indication
from recon.calibration.prior import BridgePrior
from recon.calibration.solution import Block, JointFit, Key, Rows

BRANCH_PRIOR = (0.5, 1 / np.sqrt(12.0))  # anything between the rising branch and the middle
HYSTERESIS_PRIOR = 0.01  # of the pull's peak, common practice for bearings, no source
# Half-width of a joint's friction as a share of the gauge's largest indication, and the share of it
# that a load must reach for friction to slip; common practice, no source.
FRICTION_PRIOR, SLIPS = 0.003, 0.1
FRICTION: Key = ("friction",)
GEOMETRY: Key = ("geometry",)
SETTLED = 1e-5  # standard uncertainties that the last step still moves the unknowns together
MOST_STEPS = 400  # ten to twenty are usual, some hundred along a flat valley
# A loop as small as its noise does not say on which of its sides the truth lies, so the last steps
# creep along a flat valley.  Less than this after all steps changes nothing that anybody reads.
NEARLY_SETTLED = 1e-3  # standard uncertainties
HALVINGS = 12  # of a step that raises the cost
ROUNDING = 1e-12  # of the cost


class Step(NamedTuple):
    """A load step, by its pull and its place within the pull."""

    pull: int
    step: int


def joint_fit(
    pulls: list[Pull], prior: BridgePrior, noise: PullNoise, left_out: Step | None = None
) -> JointFit:
    """Fit K (gauge, member) and the pulls' own errors together.

    `left_out` is one load step that is not used.

    Raises DataError: the steps of the fit do not come to rest.
    """
    problem = Problem(pulls, prior, noise, left_out)
    deviation = problem.settled()
    rows = list(problem.rows(deviation))
    normal = problem.normal(rows)[0]
    return JointFit(
        blocks=problem.blocks,
        deviation=deviation,
        covariance=np.asarray(np.linalg.pinv(normal, rcond=1e-13, hermitian=True)),
        shape=prior.shape,
        noise=noise.scatter,
        cost=problem.cost(deviation, rows),
        rows=rows,
        prior_factor=problem.prior_factor,
    )


class Problem:
    """Residuals of (1) and of the priors, with their derivatives by all deviations."""

    def __init__(
        self, pulls: list[Pull], prior: BridgePrior, noise: PullNoise, left_out: Step | None = None
    ) -> None:
        self.pulls, self.shape = pulls, prior.shape
        # Columns of the lines: per newton, and its change per standard uncertainty of the line.
        self.columns = [[_whitened(pull, d) for d in range(len(pull.devices))] for pull in pulls]
        used = [np.ones(pull.load.shape[1], dtype=bool) for pull in pulls]
        if left_out is not None:
            used[left_out.pull][left_out.step] = False
        self.whitening = [noise.whitening(*each) for each in zip(pulls, used, strict=True)]
        guess = first_guess(pulls, prior)
        # What no pull loads is as large as its prior: in a smaller unit it would drown in rounding.
        either = np.maximum(np.abs(guess), np.where(np.isfinite(prior.u), prior.u, 0.0))
        slope = np.maximum(np.max(either, axis=1, keepdims=True), 1e-30)
        self.held_back = held_back(pulls)
        self.blocks = _blocks(pulls, np.broadcast_to(slope, self.shape).ravel())
        own = self.blocks["K",]
        size = max(block.place.stop for block in self.blocks.values())
        self.start, self.target = np.zeros(size), np.zeros(size)
        self.start[own.place] = guess.ravel() / own.scale
        # K is the bridges' one but for its prior's uncertainty, and for what it takes up.
        self.prior_factor = np.zeros((size, own.scale.size))
        self.prior_factor[own.place] = np.diag(own.scale / prior.u.ravel())
        by_geometry = (prior.taken_up / prior.u).reshape(-1, own.scale.size)
        self.prior_factor[self.blocks[GEOMETRY].place] = -by_geometry
        self.precision = np.eye(size)
        self.precision[own.place, own.place] = 0.0
        self.precision += self.prior_factor @ self.prior_factor.T
        self.target[own.place] = prior.mean.ravel() / own.scale

    def settled(self) -> Floats:
        """Deviations (unknown,) [1] of least cost, in standard uncertainties of their priors.

        Raises DataError: the steps do not come to rest.
        """
        at = self.start
        rows = list(self.rows(at))
        cost = self.cost(at, rows)
        past: list[tuple[Floats, Floats]] = []  # the last points and their steps
        for _ in range(MOST_STEPS):
            normal, gradient = self.normal(rows, at)
            step = np.asarray(-np.linalg.solve(normal, gradient), dtype=np.float64)
            moves = float(np.sqrt(abs(step @ gradient)))
            if moves < SETTLED:
                return at + step
            past = [*past[-2:], (at, step)]
            for trial in (_accelerated(past, normal), *(step / 2**k for k in range(HALVINGS))):
                rows = list(self.rows(at + trial))
                found = self.cost(at + trial, rows)
                if found <= cost * (1 + ROUNDING):
                    break
            at, cost = at + trial, found
        if moves < NEARLY_SETTLED:
            return at
        raise DataError(
            where=f"pulls of {', '.join(dict.fromkeys(pull.corner for pull in self.pulls))}",
            found=f"the fit still moves by {moves:.2g} standard uncertainties after {MOST_STEPS} "
            "steps",
            needed="pulls that one set of slopes can nearly explain",
            do="Look for exchanged columns, wrong units or wrong points in the pull sheet.",
        )

    def cost(self, at: Floats, rows: list[Rows]) -> float:
        """Sum of squares of residuals and priors at the deviations `at` (unknown,) [1]."""
        off = at - self.target
        return float(off @ self.precision @ off) + sum(float(r.residual @ r.residual) for r in rows)

    def normal(self, rows: list[Rows], at: Floats | None = None) -> tuple[Floats, Floats]:
        """Normal matrix (unknown, unknown) and half the gradient of the cost (unknown,)."""
        normal = self.precision.copy()
        gradient = self.precision @ ((0.0 if at is None else at) - self.target)
        for r in rows:
            normal[np.ix_(r.places, r.places)] += r.jacobian.T @ r.jacobian
            gradient[r.places] += r.jacobian.T @ r.residual
        return normal, gradient

    def rows(self, at: Floats) -> Iterator[Rows]:
        """Rows of every pull at the deviations `at` (unknown,) [1]."""
        own, joints = self.blocks["K",], self.blocks.get(FRICTION)
        K, scale = own.value(at).reshape(self.shape), own.scale.reshape(self.shape)
        each = np.eye(len(K))[:, :, None]
        for p, pull in enumerate(self.pulls):
            load, places, slopes = self._loads(p, pull, at)
            seen = load @ K.T
            by_K = each * scale * load[:, None, None, :]
            by_rest = np.moveaxis(slopes @ K.T, 0, -1)  # (step, gauge, k)
            jacobian = [by_K.reshape(*seen.shape, -1), by_rest]
            places = np.concatenate([np.arange(K.size), places])
            if joints is not None:
                seen += self.held_back[p] * joints.value(at)
                jacobian.append(each[..., 0] * (self.held_back[p] * joints.scale)[:, None])
                places = np.concatenate([places, np.arange(joints.place.start, joints.place.stop)])
            whitening = self.whitening[p]
            slope = np.einsum("gst,tgk->sgk", whitening, np.concatenate(jacobian, axis=-1))
            yield Rows(
                residual=np.einsum("gst,tg->sg", whitening, seen - pull.indication).ravel(),
                jacobian=slope.reshape(seen.size, -1),
                places=places,
            )

    def _loads(self, p: int, pull: Pull, at: Floats) -> tuple[Floats, NDArray[np.intp], Floats]:
        """Member loads (step, member) of (1), the unknowns in them (k,), (k, step, member)."""
        wrench, places, slopes = self._wrench(p, pull, at)
        load, slopes = pull.loads(wrench), slopes @ pull.members.T
        block = self.blocks[GEOMETRY]
        load += np.tensordot(block.value(at), pull.geometry.loads, axes=1)
        places = np.concatenate([places, np.arange(block.place.start, block.place.stop)])
        return load, places, np.concatenate([slopes, pull.geometry.loads])

    def _wrench(self, p: int, pull: Pull, at: Floats) -> tuple[Floats, NDArray[np.intp], Floats]:
        """Wrench (step, 6) of (1), the unknowns in it (k,), its change with each (k, step, 6)."""
        steps = pull.load.shape[1]
        wrench = np.zeros((steps, 6))
        varied: list[tuple[Block, Floats]] = []
        for d, device in enumerate(pull.devices):
            line, gain, reading = (
                self.blocks[key] for key in (("line", p, d), ("gain", device), ("reading", p, d))
            )
            columns = self.columns[p][d]
            column = columns[:, 0] + columns[:, 1:] @ line.value(at)
            load = pull.load[d] * (1 + gain.value(at)) + reading.value(at)
            wrench += load[:, None] * column
            varied += [
                (line, load[:, None] * columns[:, 1:].T[:, None]),
                (gain, (pull.load[d][:, None] * column)[None]),
                (reading, np.eye(steps)[:, :, None] * column),
            ]
        if ("hysteresis", p) in self.blocks:
            loop, branch = self.blocks["hysteresis", p], self.blocks["branch",]
            # Loops follow the lines as written.
            largest = pull.load[:, np.argmax(np.sum(pull.load, axis=0))]
            peak = largest @ [columns[:, 0] for columns in self.columns[p]]
            slope = (pull.falling - 0.5 * branch.value(at))[:, None] * peak
            wrench += loop.value(at) * slope
            by_branch = np.broadcast_to(-0.5 * loop.value(at) * peak, (1, steps, 6))
            varied += [(loop, slope[None]), (branch, by_branch)]
        if not pull.wheel.turns_hub:
            # The bearing passes nothing about an axis through the true wheel centre, which lies
            # beside the written one by these three.
            hub = self.blocks["hub", pull.corner]
            beside = np.zeros((3, 6, 6))
            spin = pull.wheel.spin
            beside[:, 3:, :3] = -spin[:, None] * np.cross(spin, np.eye(3))[:, None]
            turned = np.eye(6) + np.tensordot(hub.value(at), beside, axes=1)
            varied = [(block, change @ turned.T) for block, change in varied]
            varied.append((hub, wrench @ np.swapaxes(beside, 1, 2)))
            wrench = wrench @ turned.T
        places = [np.arange(block.place.start, block.place.stop) for block, _ in varied]
        changes = [block.scale[:, None, None] * change for block, change in varied]
        return wrench, np.concatenate(places), np.concatenate(changes)


def signs(pulls: list[Pull]) -> list[Floats]:
    """Sign of each gauge's load in each pull (gauge,) [1], less than 1 where friction may stick."""
    slips = np.maximum(SLIPS * largest_indication(pulls), np.finfo(float).tiny)
    return [np.clip(pull.peak / slips, -1.0, 1.0) for pull in pulls]


def held_back(pulls: list[Pull]) -> list[Floats]:
    """Change of the tared indications per half-width of each joint's friction, (step, gauge) [1].

    Rising loads read low, falling ones high, and so does the tare after them, which the next pull
    begins with.  Pulls are in their order in time, and steps taken as evenly spaced.
    """
    out, left = [], np.zeros(len(pulls[0].peak))
    for pull, sign in zip(pulls, signs(pulls), strict=True):
        steps = len(pull.falling)
        late = (np.arange(steps)[:, None] + 1) / (steps + 1)
        tare = left * (1 - late) + sign * late
        out.append(np.where(pull.falling, 1.0, -1.0)[:, None] * sign - tare)
        left = sign
    return out


def _accelerated(past: list[tuple[Floats, Floats]], normal: Floats) -> Floats:
    """Next step (unknown,), from the last one and how steps changed before it.

    The product of `branch` and hysteresis, whose second derivative Gauss-Newton leaves out, bends
    the cost along two directions and makes plain steps shrink slowly along those.  The changes of
    the last three steps show both: Anderson's mixing of depth two, in the metric of the normal
    matrix, from memory.
    """
    points, steps = (np.array(which) for which in zip(*past, strict=True))
    turns, moves = np.diff(steps, axis=0), np.diff(points, axis=0)
    share = np.linalg.lstsq(turns @ normal @ turns.T, turns @ normal @ steps[-1], rcond=1e-12)[0]
    return np.asarray(steps[-1] - (moves + turns).T @ share)


def _whitened(pull: Pull, d: int) -> Floats:
    """Column (6,) of a device's line, and its change per standard uncertainty, as (6, 5)."""
    columns = pull.columns(pull.lines[d])
    root = np.linalg.cholesky(pull.lines[d].covariance)
    return np.column_stack([columns[:, 0], columns[:, 1:] @ root])


def _blocks(pulls: list[Pull], slopes: Floats) -> dict[Key, Block]:
    """Every unknown of the fit; `slopes` (gauge * member,) are the scales of K."""
    found: dict[Key, tuple[Floats, Floats]] = {("K",): (np.zeros_like(slopes), slopes)}

    def add(key: Key, u: Floats | float, n: int = 1, mean: float = 0.0) -> None:
        found[key] = (np.full(n, mean), np.broadcast_to(np.asarray(u, dtype=float), (n,)))

    for p, pull in enumerate(pulls):
        for d, device in enumerate(pull.devices):
            add(("line", p, d), 1.0, 4)  # in standard uncertainties of the line
            add(("reading", p, d), pull.u_reading(pull.load[d]), pull.load.shape[1])
            known = found.get(("gain", device), (0.0, [0.0]))[1][0]
            add(("gain", device), max(known, pull.u_gain[d]))
        if np.any(pull.falling):
            add(("hysteresis", p), HYSTERESIS_PRIOR)
            add(("branch",), BRANCH_PRIOR[1], mean=BRANCH_PRIOR[0])
        if not pull.wheel.turns_hub:
            add(("hub", pull.corner), pull.wheel.u_hub, 3)
    if ("branch",) in found:
        largest = largest_indication(pulls)
        add(FRICTION, FRICTION_PRIOR * largest, len(largest))
    add(GEOMETRY, 1.0, len(pulls[0].geometry.loads))
    ends = np.cumsum([len(scale) for _, scale in found.values()]).tolist()
    return {
        key: Block(slice(end - len(scale), end), middle, scale)
        for end, (key, (middle, scale)) in zip(ends, found.items(), strict=True)
    }


def first_guess(pulls: list[Pull], prior: BridgePrior) -> Floats:
    """K (gauge, member) [unit/N] by least squares on the written wrenches, with prior rows."""
    loads = np.concatenate([pull.loads(pull.wrench()) for pull in pulls])
    seen = np.concatenate([pull.indication for pull in pulls])
    out = np.zeros(prior.shape)
    weight = 1 / prior.u  # zero where nothing is known
    for g in range(len(out)):
        # The weight of a row: what 1 % of the largest indication would be.
        unit = 0.01 * np.max(np.abs(seen[:, g])) + 1e-30
        a = np.vstack([loads / unit, np.diag(weight[g])])
        b = np.concatenate([seen[:, g] / unit, prior.mean[g] * weight[g]])
        out[g] = np.linalg.lstsq(a, b, rcond=None)[0]
    return out
