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
LOWEST = -1e9  # edge of a band that does not count


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
    def log_load(self) -> Floats:
        """Logarithm of the load over the reference load (sample,) [1]."""
        return np.asarray(np.log(self.load / REFERENCE_LOAD))

    @cached_property
    def level(self) -> Floats:
        """Logarithm of the force over the reference load, levelled by the load (sample,) [1]."""
        level = np.log(np.maximum(self.force, 1.0) / REFERENCE_LOAD)
        level -= USUAL_EXPONENT * self.log_load
        return np.asarray(level)

    @cached_property
    def band(self) -> NDArray[np.int64]:
        """Band of load of each sample (sample,)."""
        return _band_at(self.log_load)

    @cached_property
    def ratio(self) -> Floats:
        """Logarithm of force over load (sample,) [1], levelled to the middle of the band."""
        return np.asarray(self.level - _level_of(_middles(self.band))[self.band])

    def over(self, law: Law) -> Floats:
        """Force of each sample over an envelope (sample,) [1]."""
        return np.asarray(self.force * np.exp(-law.exponent * self.log_load) / law.force)


def band_of(load: Floats) -> NDArray[np.int64]:
    """Band of each load (load,) [N]; below the first band is the first one, too."""
    return _band_at(np.log(load / REFERENCE_LOAD))


def _band_at(log_load: Floats) -> NDArray[np.int64]:
    place = (log_load - np.log(LOWEST_LOAD / REFERENCE_LOAD)) / np.log(BAND)
    return np.asarray(np.maximum(place, 0.0), dtype=np.int64)


def middle_of(band: NDArray[np.int64]) -> Floats:
    """Load in the middle of bands (band,) [N]."""
    return np.asarray(LOWEST_LOAD * BAND ** (band + 0.5))


def _middles(band: NDArray[np.int64]) -> Floats:
    """Loads in the middle of all bands up to the highest of some [N]."""
    return middle_of(np.arange(int(band.max(initial=0)) + 1))


def _level_of(load: Floats) -> Floats:
    """Logarithm (load,) [1] that levels a force as large as its load (load,) [N]."""
    return np.asarray((1.0 - USUAL_EXPONENT) * np.log(load / REFERENCE_LOAD))


@dataclass(frozen=True, slots=True)
class Bands:
    """Distributions of the logarithm of force over load, by band of load.

    `counts` (band, cell) are numbers of samples; cells are `STEP` wide and begin at `start`.
    `u_noise` (band,) is the noise of a sample, `moved` (band,) shifts all values of a band.
    `weight` (band,) is what the band counts, `least` the lowest logarithm of force over load
    that was hard work.  `counts`, `moved` and `weight` may have draws in front.
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
        return np.asarray(self.start + STEP * (np.arange(self.counts.shape[-1]) + 0.5))

    def place(self, log_load: Floats, level: Floats) -> NDArray[np.int64]:
        """Cell of samples (..., sample), counted through all bands; -1 outside of them.

        `log_load` and `level` (..., sample) [1] are as `Samples` has them.
        """
        bands = band_of(self.load)
        rows = np.full(int(bands.max()) + 2, -1)
        rows[bands] = np.arange(len(bands))
        row = rows[np.minimum(_band_at(log_load), len(rows) - 1)]
        ratio = level - _level_of(self.load)[row]
        cell = np.floor((ratio - self.start) / STEP).astype(np.int64)
        inside = (row >= 0) & (cell >= 0) & (cell < CELLS)
        return np.where(inside, row * CELLS + cell, -1)

    def counted(self, log_load: Floats, level: Floats) -> Floats:
        """Numbers (..., band, cell) [1] of samples (..., sample) in each cell, see `place`."""
        size = len(self.load) * CELLS
        place = self.place(log_load, level).reshape(-1, log_load.shape[-1])
        place += np.where(place >= 0, size * np.arange(len(place))[:, None], 0)
        counts = np.bincount(place[place >= 0], minlength=len(place) * size)
        return counts.reshape(*log_load.shape[:-1], -1, CELLS).astype(float)

    def drawn(self, counts: Floats) -> Bands:
        """Bands with other `counts` (draw, band, cell) [1]; too few left count nothing."""
        enough = (counts * (self.middles >= self.least)).sum(axis=-1) >= FEWEST / 2
        return replace(self, counts=counts, weight=np.where(enough, self.weight, 0.0))

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


@dataclass(frozen=True, slots=True)
class Laws:
    """Envelopes of draws: logarithm of the force [N] at the reference load and exponent (draw,).

    `worked` (draw, band) says which bands they rest on.
    """

    height: Floats
    exponent: Floats
    worked: NDArray[np.bool_]

    @property
    def force(self) -> Floats:
        """Force (draw,) [N] at the reference load."""
        return np.asarray(REFERENCE_LOAD * np.exp(self.height))


def bands_of(samples: Samples, least_use: float) -> tuple[Bands, NDArray[np.int64]] | None:
    """Distributions of the samples by band; None if no band was worked hard for long enough.

    `least_use` is the horizontal force over the load above which a tyre works hard.  The second is
    the cell (sample,) of each sample, see `Bands.place`.
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
        weight=weight_of(number[some], samples.every),
        start=float(np.quantile(ratio[hard], 0.99)) - BELOW,
        least=float(np.log(least_use)),
    )
    place = empty.place(samples.log_load, samples.level)
    counts = np.bincount(place[place >= 0], minlength=empty.counts.size)
    return replace(empty, counts=counts.reshape(empty.counts.shape).astype(float)), place


def weight_of(number: Floats | NDArray[np.int64], every: float) -> Floats:
    """Weight (..., band) [1] of bands by the `number` of their samples, each for `every` [s]."""
    return np.where(number >= FEWEST, np.minimum(number * every, ENOUGH), 0.0)


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
    laws = slopes_of(quiet)
    return Law(float(laws.force[0]), float(laws.exponent[0]), laws.worked[0])


def slopes_of(quiet: Bands) -> Laws:
    """Power laws of all draws by quantile regression; NaN where no band of a draw counts."""
    x = np.log(quiet.load / REFERENCE_LOAD)
    values, share, number = _shares(quiet)
    edge = np.atleast_2d(_quantiles(values, share))
    weight = np.broadcast_to(quiet.weight, edge.shape)
    wide = is_wide(quiet.load, weight > 0.0)
    least, most = (np.where(wide, end, USUAL_EXPONENT) for end in EXPONENTS)
    spread = quiet.u_noise / np.sqrt(np.maximum((1.0 - SHARE) * number, 1.0))
    worked = _touching(x, edge, spread, weight, (least, most))
    points, shares = _near_edge(values, share, edge)
    weights = shares * np.where(worked, weight, 0.0)[..., None]
    loads = np.broadcast_to(x[:, None], points.shape)
    loads, points, weights = (v.reshape(len(edge), -1) for v in (loads, points, weights))
    height, exponent = quantile_line(loads, points, weights, SHARE, (least, most))
    return Laws(height, exponent, worked)


def edges_of(bands: Bands) -> Floats:
    """Logarithm of the force (..., band) that the stated share of hard work stays below [1]."""
    return _quantiles(*_shares(bands)[:2])


def _shares(bands: Bands) -> tuple[Floats, Floats, Floats]:
    """Logarithms of force (..., band, cell) in the bands, shares of hard work there, its number."""
    x = np.log(bands.load / REFERENCE_LOAD)
    counts = bands.counts * (bands.middles >= bands.least)
    number = counts.sum(axis=-1)
    share = counts / np.maximum(number, 1e-12)[..., None]
    return bands.middles + (bands.moved + x)[..., None], share, number


def _near_edge(values: Floats, share: Floats, edge: Floats) -> tuple[Floats, Floats]:
    """Values near the `edge` (draw, band) of each distribution and their shares, (draw, band, k).

    What lies far below only matters by its weight, which the last one carries.
    """
    values, share = (np.broadcast_to(each, (*edge.shape, CELLS)) for each in (values, share))
    low = edge[..., None] - 0.2
    far = values < low
    first, last = np.sum(far, axis=-1), CELLS - np.argmax(share[..., ::-1] > 0.0, axis=-1)
    cell = first[..., None] + np.arange(max(int((last - first).max()), 1))
    kept, inside = np.minimum(cell, CELLS - 1), cell < CELLS
    near = np.where(inside, np.take_along_axis(share, kept, axis=-1), 0.0)
    below = np.where(far, share, 0.0).sum(axis=-1, keepdims=True)
    points = np.concatenate([np.take_along_axis(values, kept, axis=-1), low], axis=-1)
    return points, np.concatenate([near, below], axis=-1)


def _touching(
    x: Floats, edge: Floats, spread: Floats, weight: Floats, slopes: tuple[Floats, Floats]
) -> NDArray[np.bool_]:
    """Bands (draw, band) whose edge comes near the line above all edges that most come near.

    What stays clear of that line was not worked at the limit, and how far does not matter.  The
    `spread` (draw, band) of an edge keeps one band of few noisy samples from lifting the line.
    """
    edge = np.where(weight > 0.0, edge, LOWEST)
    rest = edge - np.linspace(slopes[0], slopes[1], 51)[..., None] * x
    gap = np.maximum((rest - spread).max(axis=-1, keepdims=True) - rest, 0.0)
    lost = np.einsum("cdb,db->cd", np.minimum(gap, NEAR), weight)
    return np.asarray(gap[np.argmin(lost, axis=0), np.arange(len(edge))] <= NEAR)


def is_wide(load: Floats, some: NDArray[np.bool_] | bool = True) -> NDArray[np.bool_]:
    """Whether bands of load (band,) [N] are far enough apart to tell the exponent.

    Of each draw only `some` (draw, band) count.
    """
    load = np.broadcast_to(load, np.broadcast_shapes(load.shape, np.shape(some)))
    most = load.max(axis=-1, where=some, initial=0.0)
    return np.asarray(most >= NARROW * load.min(axis=-1, where=some, initial=np.inf))


def _quantiles(values: Floats, weight: Floats) -> Floats:
    """Quantiles of distributions (...,) with cells (..., cell), even within each cell."""
    below = np.cumsum(weight, axis=-1)
    at = np.sum(below <= SHARE, axis=-1, keepdims=True).clip(1, weight.shape[-1] - 1)
    own = (np.take_along_axis(below, at, axis=-1) - SHARE)[..., 0]
    rest = own / np.maximum(np.take_along_axis(weight, at, axis=-1)[..., 0], 1e-300)
    values = np.broadcast_to(values, np.broadcast_shapes(values.shape, weight.shape))
    shape = (*values.shape[:-1], 1)
    value = np.take_along_axis(values, np.broadcast_to(at, shape), axis=-1)[..., 0]
    return np.asarray(value + STEP * (0.5 - rest.clip(0.0, 1.0)))


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
    return float(_quantiles(middles, counts / counts.sum()))
