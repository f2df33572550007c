"""One mistyped load per corner: named by pull and line, and left out of the fit.

A mistyped load is a reading that its own pull contradicts: the joint fit gives every reading
its own error, and an error far beyond its prior stands out whatever the map is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.calibration.applied import Pull
from recon.calibration.crosstalk_fit import HYSTERESIS_PRIOR, Step, joint_fit
from recon.calibration.noise import PullNoise, gauge_scale
from recon.calibration.prior import BridgePrior
from recon.calibration.solution import JointFit

TINY = 1e-12  # N squared, so that a member that no pull loads has no slope
GROSS = 5.0  # standard uncertainties: one false alarm in 1.7 million normal readings


@dataclass(frozen=True, slots=True)
class GrossError:
    """A load left out: where it stands, what was written, what the gauges say it was."""

    pull: str
    line: int
    device: str
    written: float
    implied: float
    standardised: float
    left_out: bool

    def sentence(self, corner: str) -> str:
        """Plain words for the summary."""
        end = "left out of the fit" if self.left_out else "still in the fit: check the sheet"
        # Helps where the sheet is in another unit than N.
        times = f"{self.implied / self.written:.2f} times it, " if self.written else ""
        return (
            f"{corner}, pull '{self.pull}', line {self.line}: {self.device} load written as "
            f"{self.written:.0f} N, the gauges say {self.implied:.0f} N "
            f"({times}{self.standardised:.0f} standard uncertainties); {end}"
        )


def own_slopes(pulls: list[Pull]) -> Floats:
    """Indication per load of each gauge's own member, cross-talk aside, (gauge,) [unit/N]."""
    own = np.concatenate([p.loads(p.wrench()) @ p.own.T for p in pulls])
    seen = np.concatenate([p.indication for p in pulls])
    return np.asarray(np.sum(own * seen, axis=0) / np.maximum(np.sum(own**2, axis=0), TINY))


def within_pull(pull: Pull, scale: Floats, slopes: Floats) -> Floats:
    """How far each written load contradicts its own pull, in standard uncertainties, (step,).

    A pull with one device moves its gauges along one pattern; the size of that pattern over
    the load is the same at every step but for reading and hysteresis.  No map is needed: what the
    rise of the wheel adds, which is no such pattern, is taken off by the `slopes` (gauge,).
    `scale` (gauge,) makes gauges of different units comparable.
    """
    if len(pull.devices) != 1:
        return np.zeros(pull.load.shape[1])
    seen = (pull.indication - slopes * (pull.moved @ pull.own.T)) / scale
    pattern = np.linalg.svd(seen, full_matrices=False)[2][0]
    size = seen @ pattern
    load = pull.load[0]
    if np.count_nonzero(load) < 3:
        return np.zeros(len(load))
    implied = size / np.median(size[load > 0] / load[load > 0])
    peak = np.max(np.abs(implied))
    u = np.hypot(pull.u_reading(implied), HYSTERESIS_PRIOR * peak)
    return (load - implied) / u


@dataclass(frozen=True, slots=True)
class Suspect:
    """A load reading by pull, device and step, with its standardised error."""

    at: Step
    device: int
    score: float


def standardised_readings(fit: JointFit) -> list[Suspect]:
    """Estimated error of each reading over its standard uncertainty, the largest first."""
    out = []
    for (_, p, d), block in fit.of_kind("reading").items():
        # Deviations have a prior of one: what the gauges saw of it is what the fit took away.
        spread = 1 - np.diag(fit.covariance)[block.place]
        # A reading that its gauges hardly see cannot be judged.
        for i in np.flatnonzero(spread > 1e-3):
            score = float(fit.deviation[block.place][i] / np.sqrt(spread[i]))
            out.append(Suspect(Step(int(p), int(i)), int(d), score))
    return sorted(out, key=lambda s: -abs(s.score))


def fit_without_gross(
    pulls: list[Pull], prior: BridgePrior, noise: PullNoise, most: float = GROSS
) -> tuple[JointFit, tuple[GrossError, ...]]:
    """Fit, leave out the one reading that is grossly wrong (if any), name the rest.

    A reading may be wrong by `most` of its own standard uncertainties.
    """
    scale, slopes = gauge_scale(pulls), own_slopes(pulls)
    worst = max(
        (
            Suspect(Step(p, i), 0, float(score))
            for p, pull in enumerate(pulls)
            for i, score in enumerate(within_pull(pull, scale, slopes))
        ),
        key=lambda s: abs(s.score),
    )
    if abs(worst.score) <= most:
        fit = joint_fit(pulls, prior, noise)
        suspects = standardised_readings(fit)
        if not suspects or abs(suspects[0].score) <= most:
            return fit, ()
        worst = suspects[0]
    best = joint_fit(pulls, prior, noise, worst.at)
    errors = [_named(pulls, best, worst, left_out=True)]
    named: set[int] = set()
    for rest in standardised_readings(best):
        # A slip spoils its neighbours' scores too: only the worst of a pull is named.
        if abs(rest.score) > most and rest.at.pull not in named and rest.at != worst.at:
            named.add(rest.at.pull)
            errors.append(_named(pulls, best, rest, left_out=False))
    return best, tuple(errors)


def _named(pulls: list[Pull], fit: JointFit, suspect: Suspect, *, left_out: bool) -> GrossError:
    pull, d, i = pulls[suspect.at.pull], suspect.device, suspect.at.step
    return GrossError(
        pull=pull.name,
        line=int(pull.line_of_file[i]),
        device=pull.devices[d],
        written=float(pull.load[d, i]),
        implied=_implied_load(pull, fit, d, i),
        standardised=abs(suspect.score),
        left_out=left_out,
    )


def _implied_load(pull: Pull, fit: JointFit, device: int, step: int) -> float:
    """The load that makes the fitted map agree best with the row's indications."""
    H = fit.K @ pull.members / fit.noise[:, None]
    columns = np.array([pull.columns(line)[:, 0] for line in pull.lines])
    others = np.delete(np.arange(len(pull.lines)), device)
    seen = (pull.indication[step] - fit.K @ pull.moved[step]) / fit.noise
    rest = seen - H @ (pull.load[others, step] @ columns[others])
    pattern = H @ columns[device]
    return float(pattern @ rest / (pattern @ pattern))
