"""Which one of the pulls contradicts the others: the one without which they agree."""

from __future__ import annotations

import warnings

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, ReconWarning
from recon.calibration.applied import Pull
from recon.calibration.crosstalk_fit import first_guess
from recon.calibration.evidence_against import DISAGREE
from recon.calibration.gross_errors import fit_without_gross
from recon.calibration.noise import largest_indication, noise_of
from recon.calibration.prior import BridgePrior, bridge_prior
from recon.calibration.solution import JointFit
from recon.mechanics.assembly import Assembly

MOST = 3  # pulls without which all others are fitted anew; a pull far off stands out by then


def lacks_without(
    path: str, assembly: Assembly, pulls: list[Pull], prior: BridgePrior, fit: JointFit
) -> Floats:
    """Cost over degrees of freedom without each pull (pull,) [1]; NaN where none would be left.

    Where the `pulls` contradict each other and to first order no single one is why, they are
    fitted anew: a pull that is far off bends the fit too much for the first order.
    """
    lacks = np.array([fit.lack_without(p) for p in range(len(pulls))])
    if fit.lack_of_fit[0] > DISAGREE and DISAGREE < np.nanmin(lacks, initial=np.inf) < np.inf:
        others = [pulls[:p] + pulls[p + 1 :] for p in range(len(pulls))]
        rough = [_rough(rest, prior) for rest in others]
        for p in np.argsort(rough)[:MOST].tolist():
            lacks[p] = _lack(path, assembly, others[p])
            if lacks[p] <= DISAGREE:
                break
    return lacks


def _rough(pulls: list[Pull], prior: BridgePrior) -> float:
    """Sum of squares that least squares on the wrenches as written leave [1]."""
    K, size = first_guess(pulls, prior), largest_indication(pulls)
    left = [(pull.loads(pull.wrench()) @ K.T - pull.indication) / size for pull in pulls]
    return float(np.sum(np.square(np.concatenate(left))))


def _lack(path: str, assembly: Assembly, pulls: list[Pull]) -> float:
    """Cost over degrees of freedom of a fit to these pulls alone."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)  # told of all the pulls
        try:
            prior = bridge_prior(path, assembly, pulls)
            return fit_without_gross(pulls, prior, noise_of(pulls))[0].lack_of_fit[0]
        except DataError:  # what a missing pull showed, a gauge's answer for one, is lost with it
            return float("inf")
