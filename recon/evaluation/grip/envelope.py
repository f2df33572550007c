"""Envelope of the horizontal force of a tyre against its vertical force, from many samples.

The envelope is the power law `F = F0 (Fz / Fz0)^n` that 97.5 % of the hard-worked samples stay
below.  Bands of load count alike, so the time that was spent at a load does not bend it, and the
noise of the forces is taken off before any quantile is read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.evaluation.grip.deconvolution import without_noise
from recon.evaluation.grip.quantile_line import quantile_line

SHARE = 0.975  # of the worked samples below the envelope
REFERENCE_LOAD = 3000.0  # N, Fz0
LOWEST_LOAD = 800.0  # N, lower edge of the first band
BAND = 1.15  # ratio of the edges of a band of load
USUAL_EXPONENT = 0.85  # levels loads within a band, and stands where few loads were worked
EXPONENTS = (0.5, 1.0)  # range searched: more load never gives more force per load (published)
STEP = 0.01  # of the logarithm of force over load
BELOW, CELLS = 1.0, 140  # reach of the grid below the top, and its cells
FEWEST = 40  # samples of a band: 97.5 % of them is below the largest
ENOUGH = 1.0  # s in a band, beyond which it counts no more
NEAR = 0.05  # of the envelope: bands that stay farther below were not worked at the limit
NARROW = 1.5  # ratio of loads below which the exponent is assumed
ROUNDS, POOLED_ROUNDS = 60, 400


@dataclass(frozen=True)
class Samples:
    """Samples of one tyre in one direction, (sample,) each.

    `load` and `force` (vertical and horizontal) [N]; `u_noise` is the standard uncertainty of the
    logarithm of the force, levelled by the load, from noise.  `at` are positions along
    `elapsed_time`; `every` [s] is the time that a sample stands for.  `held` samples more were at
    the friction limit.
    """

    load: Floats
    force: Floats
    u_noise: Floats
    at: NDArray[np.int64]
    every: float
    held: int = 0

    @cached_property
    def band(self) -> NDArray[np.int64]:
        """Band of load of each sample (sample,)."""
        return band_of(self.load)

    @cached_property
    def ratio(self) -> Floats:
        """Logarithm of force over load (sample,) [1], levelled to the middle of the band."""
        force = np.log(np.maximum(self.force, 1.0) / self.load)
        return np.asarray(force + (1.0 - USUAL_EXPONENT) * np.log(self.load / middle_of(self.band)))


def band_of(load: Floats) -> NDArray[np.int64]:
    """Band of each load (load,) [N]; below the first band is the first one, too."""
    place = np.log(np.maximum(load, LOWEST_LOAD) / LOWEST_LOAD) / np.log(BAND)
    return np.asarray(place, dtype=np.int64)


def middle_of(band: NDArray[np.int64]) -> Floats:
    """Load in the middle of bands (band,) [N]."""
    return np.asarray(LOWEST_LOAD * BAND ** (band + 0.5))


@dataclass(frozen=True, slots=True)
class Bands:
    """Distributions of the logarithm of force over load, by band of load.

    `counts` (band, cell) are numbers of samples; cells are `STEP` wide and begin at `start`.
    `u_noise` (band,) is the noise of a sample, `moved` (band,) shifts all values of a band.
    `weight` (band,) is what the band counts, `least` the lowest logarithm of force over load
    that was hard work.
    """

    load: Floats
    counts: Floats
    u_noise: Floats
    moved: Floats
    weight: Floats
    start: float
    least: float

    @property
    def middles(self) -> Floats:
        """Logarithm of force over load in the middle of each cell (cell,) [1]."""
        return np.asarray(self.start + STEP * (np.arange(self.counts.shape[1]) + 0.5))

    def place(self, samples: Samples) -> NDArray[np.int64]:
        """Cell of each sample (sample,), counted through all bands; -1 outside of them."""
        bands = band_of(self.load)
        row = np.searchsorted(bands, samples.band).clip(0, len(bands) - 1)
        cell = np.floor((samples.ratio - self.start) / STEP).astype(np.int64)
        inside = (bands[row] == samples.band) & (cell >= 0) & (cell < CELLS)
        return np.where(inside, row * CELLS + cell, -1)

    def some(self, counts: Floats) -> Bands | None:
        """Bands with enough left by other `counts` (band, cell) [1]; None if there are none."""
        enough = (counts * (self.middles >= self.least)).sum(axis=1) >= FEWEST / 2
        if not enough.any():
            return None
        one = {name: getattr(self, name)[enough] for name in ("load", "u_noise", "moved", "weight")}
        return replace(self, counts=counts[enough], **one)

    def quiet(self) -> Bands:
        """The same without noise."""
        return replace(self, counts=without_noise(self.counts, self.u_noise, STEP, ROUNDS))


@dataclass(frozen=True, slots=True)
class Law:
    """Envelope: force [N] at the reference load, exponent, and which bands it rests on."""

    force: float
    exponent: float
    worked: NDArray[np.bool_]

    def at(self, load: Floats) -> Floats:
        """Force (load,) [N] at vertical forces [N]."""
        return np.asarray(self.force * (load / REFERENCE_LOAD) ** self.exponent)


def bands_of(samples: Samples, least_use: float) -> Bands | None:
    """Distributions of the samples by band; None if no band was worked hard for long enough.

    `least_use` is the horizontal force over the load above which a tyre works hard.
    """
    ratio, band = samples.ratio, samples.band
    hard = ratio >= np.log(least_use)
    if not hard.any():
        return None
    number = np.bincount(band[hard])
    square = np.bincount(band[hard], samples.u_noise[hard] ** 2)
    some = np.flatnonzero(number >= FEWEST)
    if not some.size:
        return None
    empty = Bands(
        load=middle_of(some),
        counts=np.zeros((len(some), CELLS)),
        u_noise=np.sqrt(square[some] / number[some]),
        moved=np.zeros(len(some)),
        weight=np.minimum(number[some] * samples.every, ENOUGH),
        start=float(np.quantile(ratio[hard], 0.99)) - BELOW,
        least=float(np.log(least_use)),
    )
    place = empty.place(samples)
    counts = np.bincount(place[place >= 0], minlength=empty.counts.size)
    return replace(empty, counts=counts.reshape(-1, CELLS).astype(float))


def law_of(bands: Bands, quiet: Bands | None = None) -> Law:
    """Envelope of the bands; `quiet` are the same without noise, if they are at hand.

    The slope follows from the bands.  The level is then read once more from all worked bands
    together, because many samples lose their noise more exactly than few.
    """
    quiet = bands.quiet() if quiet is None else quiet
    law = slope_of(quiet)
    if not (bands.u_noise > STEP / 2).any():
        return law
    height = _pooled_height(bands, law) - _pooled_height(quiet, law, raw=False)
    return replace(law, force=float(law.force * np.exp(height)))


def slope_of(quiet: Bands) -> Law:
    """Power law by quantile regression on distributions without noise."""
    x = np.log(quiet.load / REFERENCE_LOAD)
    middles = quiet.middles
    values = middles + (quiet.moved + x)[:, None]
    counts = quiet.counts * (middles >= quiet.least)
    number = counts.sum(axis=1)
    weight = counts / np.maximum(number, 1e-12)[:, None]
    edge = _quantiles(values, weight)
    slopes = EXPONENTS if is_wide(quiet.load) else (USUAL_EXPONENT, USUAL_EXPONENT)
    spread = quiet.u_noise / np.sqrt(np.maximum((1.0 - SHARE) * number, 1.0))
    worked = _touching(x, edge, spread, quiet.weight, slopes)
    near = values[worked] >= edge[worked, None] - 0.2
    share = (weight * quiet.weight[:, None])[worked]
    # What lies far below only matters by its weight.
    below = np.where(near, 0.0, share).sum(axis=1)
    points = np.concatenate([values[worked][near], edge[worked] - 0.2])
    loads = np.concatenate([np.broadcast_to(x[worked, None], near.shape)[near], x[worked]])
    weights = np.concatenate([share[near], below])
    height, slope = quantile_line(loads, points, weights, SHARE, slopes)
    return Law(float(REFERENCE_LOAD * np.exp(height)), slope, worked)


def _touching(
    x: Floats, edge: Floats, spread: Floats, weight: Floats, slopes: tuple[float, float]
) -> NDArray[np.bool_]:
    """Bands (band,) whose edge comes near the line above all edges that most bands come near.

    What stays clear of that line was not worked at the limit, and how far does not matter.  The
    `spread` (band,) of an edge keeps one band of few noisy samples from lifting the line.
    """
    choices = np.linspace(*slopes, 51)[:, None]
    rest = edge - choices * x
    gap = np.maximum((rest - spread).max(axis=1, keepdims=True) - rest, 0.0)
    lost = np.minimum(gap, NEAR) @ weight
    return np.asarray(gap[int(np.argmin(lost))] <= NEAR)


def is_wide(load: Floats) -> bool:
    """Whether bands of load (band,) [N] are far enough apart to tell the exponent."""
    return float(load.max() / load.min()) >= NARROW


def _quantiles(values: Floats, weight: Floats) -> Floats:
    """Quantile of each distribution (row,) with cells (row, cell), even within each cell."""
    below, row = np.cumsum(weight, axis=1), np.arange(len(weight))
    at = np.sum(below <= SHARE, axis=1).clip(1, weight.shape[1] - 1)
    rest = (below[row, at] - SHARE) / np.maximum(weight[row, at], 1e-300)
    return np.asarray(values[row, at] + STEP * (0.5 - rest.clip(0.0, 1.0)))


def _pooled_height(bands: Bands, law: Law, *, raw: bool = True) -> float:
    """Quantile of all worked bands together, as logarithm above the law."""
    line = np.log(law.at(bands.load) / bands.load)
    share = bands.weight / np.maximum(bands.counts.sum(axis=1), 1e-12)
    counts, start = np.zeros(CELLS), -BELOW
    for k in np.flatnonzero(law.worked):
        place = (bands.middles + bands.moved[k] - line[k] - start) / STEP - 0.5
        first = np.floor(place).astype(np.int64)
        for cell, part in ((first, 1 - (place - first)), (first + 1, place - first)):
            inside = (cell >= 0) & (cell < CELLS)
            np.add.at(counts, cell[inside], (share[k] * bands.counts[k] * part)[inside])
    if raw:
        weight = bands.weight[law.worked]
        noise = np.sqrt(np.average(bands.u_noise[law.worked] ** 2, weights=weight))
        counts = without_noise(counts[None], np.array([noise]), STEP, POOLED_ROUNDS)[0]
    middles = np.asarray(start + STEP * (np.arange(CELLS) + 0.5), dtype=float)
    least = float(np.average((bands.least - line)[law.worked], weights=bands.weight[law.worked]))
    counts = counts * (middles >= least)
    return float(_quantiles(middles[None], (counts / counts.sum())[None])[0])
