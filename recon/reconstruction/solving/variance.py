"""Variances of outputs from all causes, quickly: sums over causes are taken once, not per sample.

The effect of a cause is linear in the features of a sample, so that the sum of squares over all
causes is a sum over products of two features, with coefficients that are the same at every sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.reconstruction.causes.cause import Cause
from recon.reconstruction.estimator.sample_features import Products, Singles, Turns
from recon.reconstruction.solving.outputs import Outputs
from recon.records.forces import PARTS


@dataclass(frozen=True, slots=True)
class Squares:
    """Coefficients (mode, part, output + w, product) of the `products` of features [N2].

    Behind the variances of the outputs stand the covariances of x and y of the w wheels.
    """

    products: Products
    coefficients: Singles


def squares_of(outputs: Outputs, causes: list[Cause]) -> Squares:
    """Sums over all causes of the squares of their effects, and of x times y.

    Causes that turn the tyre axes are left to `late_effect`.  Forces that the gauges do not see
    are left out; known sums of them are outputs of their own.
    """
    known, every = outputs.known, Products.all_of(outputs.wheels)
    x = 3 * np.arange(outputs.wheels)
    rows = np.arange(len(known))
    first, second = np.append(rows, x), np.append(rows, x + 1)
    sums = np.zeros((len(causes[0].loading), len(PARTS), len(first), every.size))
    for p, part in enumerate(PARTS):
        own = [_intermediate(c) for c in causes if c.part == part and c.steered is None]
        for m in range(len(sums) if own else 0):
            effects = np.swapaxes(known @ np.array(own)[:, m], 0, 1)  # (output, cause, feature)
            pairs = np.swapaxes(effects[first], 1, 2) @ effects[second]
            sums[m, p] = every.collected(pairs)
    products, used = every.needed(np.any(sums, axis=(0, 1, 2)))
    return Squares(products, sums[..., used].astype(np.float32))


def _intermediate(cause: Cause) -> Floats:
    return cause.loading if cause.turned is None else cause.loading + cause.turned


def variances_of(
    outputs: Outputs, squares: Squares, products: Singles, turns: Turns
) -> tuple[Singles, Singles]:
    """Variances (part, output, sample) [N2] of the outputs in intermediate axes, part by part.

    Also the covariances (part, w, sample) of x and y of every wheel.  `outputs` and `squares` are
    as `squares_of` has them, at `products` (product, sample) and their `modes_in_turn`.
    """
    count = len(outputs.rows)
    by_mode = squares.coefficients.reshape(len(squares.coefficients), -1, len(products))
    out = np.empty((by_mode.shape[1], products.shape[1]), dtype=np.float32)
    for m, chosen in turns:
        if isinstance(chosen, slice):
            np.matmul(by_mode[m], products[:, chosen], out=out[:, chosen])
        else:
            out[:, chosen] = by_mode[m] @ products[:, chosen]
    parts = out.reshape(len(PARTS), -1, products.shape[1])
    variance = parts[:, :count]
    # Rounding could leave a sum of squares below zero.
    return np.maximum(variance, 0.0, out=variance), parts[:, count:]


def late_effect(outputs: Outputs, cause: Cause, features: Singles, turns: Turns) -> Singles:
    """Effect (output, sample) [N] on the loads of a cause that turns axes as well."""
    out = np.empty((len(outputs.rows), features.shape[1]), dtype=np.float32)
    for m, chosen in turns:
        loading = (outputs.rows @ cause.loading[m]).astype(np.float32)
        out[:, chosen] = loading @ features[:, chosen]
    return out
