"""Linear model of a metric over runs: set-up, blocks and covariates; what is confounded.

A run is one sample, however many samples its log has.  The model is

    metric = mean of its block + effect of the set-up + slopes of covariates + scatter,

fitted by least squares.  The effect is a weighted sum of the metric of all runs; the same weights
carry errors that runs have in common (see `comparability`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from recon.base.arrays import Floats

CONFOUNDED = 0.5  # share of the set-up that one covariate explains: it explains as much as the rest
BALANCED = 0.01  # share of the set-up below which the order of runs is balanced within blocks
WEAK = 1e-9  # of a column that is left when others are taken off: it says nothing new


@dataclass(frozen=True, slots=True)
class Design:
    """How the runs were made.

    `second` (run,) is 1 for runs of the second set-up and 0 for those of the first, `block` (run,)
    numbers blocks, and `covariates` hold one or more columns (run, column) by name: a number of
    each run, or a 0/1 column for each choice but one.
    """

    second: Floats
    block: Floats
    covariates: Mapping[str, Floats] = field(default_factory=dict)

    @property
    def runs(self) -> int:
        """Number of runs."""
        return len(self.second)

    @property
    def blocks(self) -> Floats:
        """One column (run, block) [1] of 0 and 1 for each block."""
        return np.asarray(self.block[:, None] == np.unique(self.block), dtype=float)

    @property
    def others(self) -> Floats:
        """Columns (run, column) of everything beside the set-up, in the unit of each covariate [1].

        Covariates count from their mean.
        """
        columns = [c - c.mean(axis=0) for c in self.covariates.values()]
        return np.column_stack([self.blocks, *columns])

    def explained(self, covariate: Floats) -> float:
        """Share of the set-up within blocks that a covariate (run, column) [1] explains, 0 to 1."""
        within = _without(self.blocks, self.second)
        if within @ within < WEAK * self.runs:
            return 1.0
        left = _without(np.column_stack([self.blocks, covariate]), self.second)
        return float(1.0 - left @ left / (within @ within))


@dataclass(frozen=True, slots=True)
class Fitted:
    """Effect of the second set-up against the first, in the unit of the metric.

    `weights` (run,) give the effect from the metric of each run; `scatter` is the standard
    deviation of one run, and `degrees` the degrees of freedom that it has.
    """

    effect: float
    weights: Floats
    scatter: float
    degrees: int

    @property
    def u(self) -> float:
        """Standard uncertainty of the effect due to the scatter of runs."""
        return float(self.scatter * np.linalg.norm(self.weights))


def weights_of(design: Design) -> Floats:
    """Weights (run,) [1] whose sum with the metric of the runs is the effect of the set-up.

    NaN where blocks and covariates explain the set-up completely.
    """
    left = _without(design.others, design.second)
    size = left @ left
    if size < WEAK * design.runs:
        return np.full(design.runs, np.nan)
    return np.asarray(left / size)


def degrees_of(design: Design) -> int:
    """Degrees of freedom that are left for the scatter of runs."""
    columns = np.column_stack([design.second, design.others])
    return design.runs - int(np.linalg.matrix_rank(columns))


def fitted(values: Floats, design: Design) -> Fitted:
    """Fit the model to the `values` (run,) of a metric, in any unit [1].

    The scatter is NaN where no degree of freedom is left.
    """
    weights, degrees = weights_of(design), degrees_of(design)
    effect = float(weights @ values)
    left = _without(np.column_stack([design.second, design.others]), values)
    scatter = np.sqrt(left @ left / degrees) if degrees > 0 else np.nan
    return Fitted(effect, weights, float(scatter), degrees)


def slope_of(values: Floats, design: Design, name: str) -> tuple[float, float]:
    """Slope of a metric over a covariate and its standard uncertainty by the scatter of runs.

    `values` (run,) are those of the metric, in any unit [1]; `name` is a covariate of one column.
    Set-up, blocks and the other covariates are taken off.  NaN where runs do not part them.
    """
    own = design.covariates[name][:, 0]
    rest = {other: c for other, c in design.covariates.items() if other != name}
    others = replace(design, covariates=rest).others
    left = _without(np.column_stack([others, design.second]), own)
    size = left @ left
    if size < WEAK * max(float(own @ own), 1.0):
        return np.nan, np.nan
    fit = fitted(values, design)
    return float(left @ values / size), float(fit.scatter / np.sqrt(size))


def _without(columns: Floats, values: Floats) -> Floats:
    """Rest of `values` (run,) when the best combination of `columns` is taken off."""
    left = values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    return np.asarray(left)
