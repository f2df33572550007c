"""The grouped-prior fit of K: pulls' directions, points, gains and readings are unknowns too.

Model of step i of pull p, indications y (gauge), geometry G (member, wrench):

    y = K G w,   w = sum over devices (load (1 + gain) + reading) column(offsets, angles)   (1)
                     + (falling - branch / 2) * hysteresis * wrench at the peak

`branch` says which side of a loop between rising and falling loads is the true one: 0 the
rising branch, 1 the middle.  One unknown per corner; nobody knows beforehand.

Each unknown that is not K has a prior, shared by all steps of its pull (offsets, angles,
hysteresis), by all pulls of its device (gain), by all pulls that turn about the bearing (the wheel
centre's place) or by nothing (reading).  K has a prior where the
bridge's slope is known.  The joint least squares problem is solved by scipy's trust-region
Gauss-Newton with the exact Jacobian; its inverse normal matrix is the covariance.

Source: errors-in-variables least squares with parameters' priors as pseudo-observations,
JCGM 102:2011 (GUM Supplement 2) gives the propagation; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.uncertainty import common_scale
from recon.calibration.pulls import Pull

BRANCH_PRIOR = (0.5, 1 / np.sqrt(12.0))  # anything between the rising branch and the middle
HYSTERESIS_PRIOR = 0.01  # of the pull's peak, common practice for bearings, no source
CELL_RESOLUTION = 0.5  # N; a hundredth of a small load step, keeps tiny loads from deciding


@dataclass(frozen=True, slots=True)
class Prior:
    """Prior of K: `mean` and `u` (gauge, member) [unit/N]; u is infinite where nothing is known."""

    mean: Floats
    u: Floats


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each unknown stands in the vector of unknowns."""

    shape: tuple[int, int]
    devices: tuple[str, ...]
    line: dict[tuple[int, int], int]  # (pull, device) -> first of four
    hysteresis: dict[int, int]
    branch: int  # -1 where no pull was lowered in steps
    hub: dict[str, int]  # corner -> first of three; none where every pull was held by a brake
    gain: dict[str, int]
    reading: dict[tuple[int, int], int]  # (pull, device) -> first of its steps
    size: int


@dataclass(frozen=True, slots=True)
class Fit:
    """Result of one fit; `covariance` is that of all unknowns in the order of `layout`."""

    unknowns: Floats
    covariance: Floats
    layout: Layout
    cost: float
    residual: Floats  # (all steps, gauge) standardised
    noise: Floats  # (gauge,)
    gains: dict[str, float]  # standard uncertainty of each device's gain, relative
    terms: tuple[Floats, Floats, Floats]  # residuals, Jacobian, scale of the unknowns

    @property
    def K(self) -> Floats:
        """K (gauge, member) [unit/N]."""
        n = self.layout.shape[0] * self.layout.shape[1]
        return self.unknowns[:n].reshape(self.layout.shape)

    def line_corrections(self, pulls: list[Pull], p: int) -> Floats:
        """Estimated offsets [m] and angles [rad] of the lines of pull `p`, (device, 4)."""
        out = []
        for d, line in enumerate(pulls[p].lines):
            at = self.layout.line[p, d]
            out.append(np.linalg.cholesky(line.covariance) @ self.unknowns[at : at + 4])
        return np.array(out)

    def influence(self, p: int, pulls: list[Pull]) -> Floats:
        """Change of K (gauge, member) [unit/N] if pull `p` were left out, to first order."""
        residual, jacobian, scale = self.terms
        steps = [pull.load.shape[1] for pull in pulls]
        gauges = self.layout.shape[0]
        first = gauges * sum(steps[:p])
        rows = slice(first, first + gauges * steps[p])
        part = jacobian[rows]
        normal = jacobian.T @ jacobian - part.T @ part
        change = np.linalg.lstsq(normal, part.T @ residual[rows], rcond=1e-13)[0] * scale
        return change[: self.K.size].reshape(self.layout.shape)


def gauge_scale(pulls: list[Pull]) -> Floats:
    """Scale of each gauge of the corner, (gauge,); see `common_scale`."""
    return common_scale(np.max([np.abs(p.indication).max(axis=0) for p in pulls], axis=0))


def noise_of(pulls: list[Pull]) -> Floats:
    """Standard uncertainty of one tared indication per gauge, Type A.

    A pull moves its gauges along one pattern per device, whatever its loads: what is left
    across those patterns is noise and wander of the zero.
    """
    scale = gauge_scale(pulls)
    square = np.zeros(len(scale))
    freedom = 0.0
    for pull in pulls:
        y = pull.indication / scale
        left, size, right = np.linalg.svd(y, full_matrices=False)
        rank = len(pull.devices)
        rest = y - (left[:, :rank] * size[:rank]) @ right[:rank]
        square += np.sum(rest**2, axis=0)
        freedom += max(y.shape[0] - rank, 0) * max(1 - rank / y.shape[1], 0)
    if freedom < 3:
        return np.full_like(square, np.nan)
    # Few steps per gauge: half of the weight goes to the mean of all gauges of the corner.
    own = square / freedom
    return np.sqrt(0.5 * own + 0.5 * np.mean(own)) * scale


def layout_of(pulls: list[Pull], members: int) -> Layout:
    """Place every unknown."""
    gauges = pulls[0].indication.shape[1]
    at = gauges * members
    line, hysteresis, reading = {}, {}, {}
    for p, pull in enumerate(pulls):
        for d in range(len(pull.devices)):
            line[p, d] = at
            at += 4
    for p, pull in enumerate(pulls):
        if np.any(pull.falling):
            hysteresis[p] = at
            at += 1
    branch = at if hysteresis else -1
    at += 1 if hysteresis else 0
    hub = {}
    for corner in dict.fromkeys(pull.corner for pull in pulls if not pull.turns_hub):
        hub[corner] = at
        at += 3
    devices = tuple(sorted({d for pull in pulls for d in pull.devices}))
    gain = {d: at + i for i, d in enumerate(devices)}
    at += len(devices)
    for p, pull in enumerate(pulls):
        for d in range(len(pull.devices)):
            reading[p, d] = at
            at += pull.load.shape[1]
    return Layout((gauges, members), devices, line, hysteresis, branch, hub, gain, reading, at)


def fit_map(
    pulls: list[Pull], prior: Prior, noise: Floats, left_out: frozenset[tuple[int, int]]
) -> Fit:
    """Fit K and the pulls' own errors jointly; `left_out` holds (pull, step) not to be used.

    Returns
    -------
    Fit
        With the covariance of all unknowns, noise and priors taken at their stated values.
    """
    from scipy.optimize import least_squares

    problem = _Problem(pulls, prior, noise, left_out)
    start = np.zeros(problem.layout.size)
    start[: prior.mean.size] = problem.first_guess().ravel()
    start[prior.mean.size :] = problem.mean[prior.mean.size :]
    answer = least_squares(
        problem.residual,
        start / problem.scale,
        jac=problem.jacobian,
        method="trf",
        x_scale=1.0,
        xtol=1e-9,
        ftol=1e-9,
        gtol=1e-6,
    )
    residual, jacobian = problem.terms(answer.x)
    normal = jacobian.T @ jacobian
    covariance = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
    steps = sum(pull.load.shape[1] for pull in pulls)
    gauges = problem.layout.shape[0]
    return Fit(
        unknowns=answer.x * problem.scale,
        covariance=covariance * np.outer(problem.scale, problem.scale),
        layout=problem.layout,
        cost=float(residual @ residual),
        residual=residual[: steps * gauges].reshape(steps, gauges),
        noise=noise,
        gains={d: float(problem.u[at]) for d, at in problem.layout.gain.items()},
        terms=(residual, jacobian, problem.scale),
    )


class _Problem:
    """Residuals and exact Jacobian of (1) in unknowns divided by their scale."""

    def __init__(
        self,
        pulls: list[Pull],
        prior: Prior,
        noise: Floats,
        left_out: frozenset[tuple[int, int]],
    ) -> None:
        self.pulls, self.prior, self.noise = pulls, prior, noise
        self.layout = layout_of(pulls, prior.mean.shape[1])
        self.columns = [[pull.columns(line) for line in pull.lines] for pull in pulls]
        self.weight = [
            np.array([(p, i) not in left_out for i in range(pull.load.shape[1])], dtype=float)
            for p, pull in enumerate(pulls)
        ]
        self.u = self._prior_u()
        self.mean = np.concatenate([prior.mean.ravel(), np.zeros(len(self.u) - prior.mean.size)])
        if self.layout.branch >= 0:
            self.mean[self.layout.branch] = BRANCH_PRIOR[0]
        # K in units of each gauge's largest slope, everything else in units of its prior.
        self.scale = np.where(np.isfinite(self.u), self.u, 1.0)
        n = prior.mean.size
        slopes = np.maximum(np.max(np.abs(self.first_guess()), axis=1), 1e-30)
        self.scale[:n] = np.repeat(slopes, prior.mean.shape[1])
        self.factor = [np.linalg.cholesky(self._line_covariance(p, d)) for p, d in self.layout.line]

    def _line_covariance(self, p: int, d: int) -> Floats:
        return self.pulls[p].lines[d].covariance

    def _prior_u(self) -> Floats:
        u = np.full(self.layout.size, np.inf)
        u[: self.prior.u.size] = self.prior.u.ravel()
        for at in self.layout.line.values():
            u[at : at + 4] = 1.0  # whitened by the Cholesky factor of the line's covariance
        for at in self.layout.hysteresis.values():
            u[at] = HYSTERESIS_PRIOR
        if self.layout.branch >= 0:
            u[self.layout.branch] = BRANCH_PRIOR[1]
        for corner, at in self.layout.hub.items():
            u[at : at + 3] = next(p.u_hub for p in self.pulls if p.corner == corner)
        for device, at in self.layout.gain.items():
            u[at] = max(
                pull.u_gain[pull.devices.index(device)]
                for pull in self.pulls
                if device in pull.devices
            )
        for (p, d), at in self.layout.reading.items():
            pull = self.pulls[p]
            u[at : at + pull.load.shape[1]] = np.hypot(pull.u_step * pull.load[d], CELL_RESOLUTION)
        return u

    def first_guess(self) -> Floats:
        """K by plain least squares on the written-down wrenches, prior rows included."""
        loads = np.concatenate([pull.loads(pull.wrench()) for pull in self.pulls])
        seen = np.concatenate([pull.indication for pull in self.pulls])
        out = np.zeros_like(self.prior.mean)
        for g in range(out.shape[0]):
            known = np.isfinite(self.prior.u[g])
            # The weight of a row: what 1 % of the largest indication would be.
            unit = 0.01 * np.max(np.abs(seen[:, g])) + 1e-30
            a = np.vstack([loads / unit, np.diag(np.where(known, 1 / self.prior.u[g], 0.0))])
            b = np.concatenate(
                [seen[:, g] / unit, np.where(known, self.prior.mean[g] / self.prior.u[g], 0.0)]
            )
            out[g] = np.linalg.lstsq(a, b, rcond=None)[0]
        return out

    def residual(self, scaled: Floats) -> Floats:
        return self.terms(scaled)[0]

    def jacobian(self, scaled: Floats) -> Floats:
        return self.terms(scaled)[1]

    def terms(self, scaled: Floats) -> tuple[Floats, Floats]:
        x = scaled * self.scale
        layout = self.layout
        n = self.prior.mean.size
        K = x[:n].reshape(layout.shape)
        rows, jacobians = [], []
        for p, pull in enumerate(self.pulls):
            residual, jacobian = self._pull_terms(p, pull, K, x)
            rows.append(residual)
            jacobians.append(jacobian)
        known = np.isfinite(self.u)
        eye = np.diag(self.scale / np.where(known, self.u, 1.0))[known]
        rows.append(((x - self.mean) / np.where(known, self.u, 1.0))[known])
        jacobians.append(eye)
        return np.concatenate(rows), np.concatenate(jacobians)

    def _pull_terms(self, p: int, pull: Pull, K: Floats, x: Floats) -> tuple[Floats, Floats]:
        steps = pull.load.shape[1]
        gauges, members = K.shape
        wrench = np.zeros((steps, 6))
        slopes: list[tuple[int, Floats]] = []  # (unknown, d wrench / d unknown (step, 6))
        parts = []
        for d, device in enumerate(pull.devices):
            at, gain, reading = (
                self.layout.line[p, d],
                self.layout.gain[device],
                self.layout.reading[p, d],
            )
            root = self.factor[list(self.layout.line).index((p, d))]
            columns = self.columns[p][d]
            column = columns[:, 0] + columns[:, 1:] @ (root @ x[at : at + 4])
            load = pull.load[d] * (1 + x[gain]) + x[reading : reading + steps]
            wrench += load[:, None] * column
            parts.append(pull.load[d][:, None] * columns[:, 0])  # loops follow the written line
            for k in range(4):
                slopes.append((at + k, load[:, None] * (columns[:, 1:] @ root[:, k])))
            slopes.append((gain, pull.load[d][:, None] * column))
            for i in range(steps):
                slope = np.zeros((steps, 6))
                slope[i] = column
                slopes.append((reading + i, slope))
        if p in self.layout.hysteresis:
            at = self.layout.hysteresis[p]
            whole = np.sum(parts, axis=0)
            peak = whole[np.argmax(np.sum(pull.load, axis=0))]
            branch = x[self.layout.branch]
            slope = (pull.falling - 0.5 * branch)[:, None] * peak
            wrench += x[at] * slope
            slopes.append((at, slope))
            slopes.append((self.layout.branch, np.tile(-0.5 * x[at] * peak, (steps, 1))))
        if not pull.turns_hub:
            # The bearing passes nothing about an axis through the true wheel centre, which lies
            # beside the written one by these three.
            first = self.layout.hub[pull.corner]
            for k in range(3):
                about = np.cross(np.eye(3)[k], wrench[:, :3]) @ pull.spin
                slope = np.concatenate([np.zeros((steps, 3)), np.outer(about, pull.spin)], axis=1)
                wrench += x[first + k] * slope
                slopes.append((first + k, slope))
        weight = self.weight[p][:, None] / self.noise  # (step, gauge)
        member_load = pull.loads(wrench)
        residual = (member_load @ K.T - pull.indication) * weight
        jacobian = np.zeros((steps, gauges, self.layout.size))
        for g in range(gauges):
            jacobian[:, g, g * members : (g + 1) * members] = member_load
        H = K @ pull.members
        for at, slope in slopes:
            jacobian[:, :, at] += slope @ H.T
        jacobian *= weight[:, :, None] * self.scale
        return residual.ravel(), jacobian.reshape(steps * gauges, -1)
