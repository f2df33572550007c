"""One mistyped load per corner: named by pull and line, and left out of the fit.

A mistyped load is a reading that its own pull contradicts: the joint fit gives every reading
its own error, and an error far beyond its prior stands out whatever the map is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.calibration.fit import (
    CELL_RESOLUTION,
    HYSTERESIS_PRIOR,
    Fit,
    Prior,
    fit_map,
    gauge_scale,
)
from recon.calibration.pulls import Pull

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
        return (
            f"{corner}, pull '{self.pull}', line {self.line}: {self.device} load written as "
            f"{self.written:.0f} N, the gauges say {self.implied:.0f} N "
            f"({self.standardised:.0f} standard uncertainties); {end}"
        )


def within_pull(pull: Pull, scale: Floats) -> Floats:
    """How far each written load contradicts its own pull, in standard uncertainties, (step,).

    A pull with one device moves its gauges along one pattern; the size of that pattern over
    the load is the same at every step but for reading and hysteresis.  No map is needed.
    `scale` (gauge,) makes gauges of different units comparable.
    """
    if len(pull.devices) != 1:
        return np.zeros(pull.load.shape[1])
    seen = pull.indication / scale
    pattern = np.linalg.svd(seen, full_matrices=False)[2][0]
    size = seen @ pattern
    load = pull.load[0]
    if np.count_nonzero(load) < 3:
        return np.zeros(len(load))
    implied = size / np.median(size[load > 0] / load[load > 0])
    peak = np.max(np.abs(implied))
    u = np.hypot(np.hypot(pull.u_step * implied, CELL_RESOLUTION), HYSTERESIS_PRIOR * peak)
    return (load - implied) / u


def standardised_readings(pulls: list[Pull], fit: Fit) -> dict[tuple[int, int, int], float]:
    """Estimated error of each reading over its standard uncertainty, by (pull, device, step)."""
    out = {}
    for (p, d), at in fit.layout.reading.items():
        pull = pulls[p]
        prior = np.hypot(pull.u_step * pull.load[d], CELL_RESOLUTION)
        for i in range(pull.load.shape[1]):
            spread = prior[i] ** 2 - fit.covariance[at + i, at + i]
            # A reading that its gauges hardly see cannot be judged.
            if spread > 1e-3 * prior[i] ** 2:
                out[p, d, i] = float(fit.unknowns[at + i] / np.sqrt(spread))
    return out


def fit_without_gross(
    pulls: list[Pull], prior: Prior, noise: Floats
) -> tuple[Fit, tuple[GrossError, ...]]:
    """Fit, leave out the one reading that is grossly wrong (if any), name the rest."""
    scale = gauge_scale(pulls)
    alone = [np.abs(within_pull(pull, scale)) for pull in pulls]
    p = int(np.argmax([np.max(scores) for scores in alone]))
    place, score = (p, 0, int(np.argmax(alone[p]))), float(np.max(alone[p]))
    fit = None
    if score <= GROSS:
        fit = fit_map(pulls, prior, noise, frozenset())
        suspects = _suspects(pulls, fit)
        if not suspects:
            return fit, ()
        place, score = suspects[0], abs(standardised_readings(pulls, fit)[suspects[0]])
    best = fit_map(pulls, prior, noise, frozenset({(place[0], place[2])}))
    errors = [_named(pulls, best, place, score, left_out=True)]
    scores = standardised_readings(pulls, best)
    told: set[int] = set()
    for rest in _suspects(pulls, best):
        # A slip spoils its neighbours' scores too: the worst of a pull stands for the pull.
        if rest[0] not in told and (rest[0], rest[2]) != (place[0], place[2]):
            told.add(rest[0])
            errors.append(_named(pulls, best, rest, abs(scores[rest]), left_out=False))
    return best, tuple(errors)


def _suspects(pulls: list[Pull], fit: Fit) -> list[tuple[int, int, int]]:
    scores = standardised_readings(pulls, fit)
    return sorted((s for s in scores if abs(scores[s]) > GROSS), key=lambda s: -abs(scores[s]))


def _named(
    pulls: list[Pull], fit: Fit, place: tuple[int, int, int], score: float, *, left_out: bool
) -> GrossError:
    p, d, i = place
    pull = pulls[p]
    return GrossError(
        pull=pull.name,
        line=int(pull.line_of_file[i]),
        device=pull.devices[d],
        written=float(pull.load[d, i]),
        implied=_implied_load(pull, fit, d, i),
        standardised=score,
        left_out=left_out,
    )


def _implied_load(pull: Pull, fit: Fit, device: int, step: int) -> float:
    """The load that makes the fitted map agree best with the row's indications."""
    H = fit.K @ pull.members / fit.noise[:, None]
    columns = np.array([pull.columns(line)[:, 0] for line in pull.lines])
    others = np.delete(np.arange(len(pull.lines)), device)
    rest = pull.indication[step] / fit.noise - H @ (pull.load[others, step] @ columns[others])
    pattern = H @ columns[device]
    return float(pattern @ rest / (pattern @ pattern))
