"""How wrong an envelope may be: fixed errors with their signs, noise, and spread over blocks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.grip.envelope import (
    CELLS,
    EXPONENTS,
    REFERENCE_LOAD,
    SHARE,
    USUAL_EXPONENT,
    Bands,
    Law,
    band_of,
    is_wide,
    slope_of,
)
from recon.evaluation.grip.tyre_envelopes import Envelope, Gate

if TYPE_CHECKING:
    import xarray as xr

MOST_SAMPLES, FEWEST_SAMPLES = 600, 3  # in all, and of a band, for effects of fixed errors
CLOSE = 0.1  # of the envelope: samples that stand for it
FEWEST_BLOCKS, BLOCK_TIME = 4, 0.1  # blocks that came near the envelope, s of each
DRAWS = 30  # of blocks, and of noise: their standard deviation is known to 13 %
U_CORRECTION = 0.2  # of what was taken off for noise
U_METHOD = 0.005  # relative: by so much two programs differ that follow one definition
U_EXPONENT = 0.1  # where few loads were worked and the exponent is the usual one
SEED = 20262


@dataclass(frozen=True, slots=True)
class EnvelopeErrors:
    """An envelope as estimates: logarithm of the force at every load, then the exponent.

    `spread` (load + 1,) is their standard deviation from block to block, NaN if there are fewer
    than `FEWEST_BLOCKS`; `blocks` is the number of blocks that came near the envelope.
    """

    estimate: Estimate
    spread: Floats
    blocks: int


def errors_of(
    forces: xr.Dataset,
    envelopes: list[Envelope],
    gate: Gate,
    loads: Floats,
    blocks: NDArray[np.int64],
) -> list[EnvelopeErrors]:
    """Errors of envelopes at some loads.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    envelopes : list of Envelope
    gate : Gate
        By which they were found.
    loads : (load,)
        Vertical forces. [N]
    blocks : (sample,)
        Number of the block of each sample of `forces`; envelopes are resampled by blocks.

    Returns
    -------
    list of EnvelopeErrors
        One for each envelope.
    """
    passed = min(1.0, 2.0 * _bandwidth(forces, gate) / float(forces.attrs["rate_Hz"]))
    effects = _effects(forces, envelopes, gate)
    x = np.log(loads / REFERENCE_LOAD)
    return [
        _errors(envelope, effect, x, passed, blocks[envelope.samples.at])
        for envelope, effect in zip(envelopes, effects, strict=True)
    ]


def _bandwidth(forces: xr.Dataset, gate: Gate) -> float:
    own = float(forces.attrs["bandwidth_Hz"])
    return own if gate.bandwidth is None else min(gate.bandwidth, own)


def _effects(forces: xr.Dataset, envelopes: list[Envelope], gate: Gate) -> list[Floats]:
    """Effect (cause, band) of fixed errors on the logarithm of the force in each worked band."""
    chosen = [_near(envelope) for envelope in envelopes]
    groups = max(sum(len(bands) for bands in chosen), 1)
    most = max(MOST_SAMPLES // groups, FEWEST_SAMPLES)
    at, corner, group, first = [], [], [], [0]
    for envelope, bands in zip(envelopes, chosen, strict=True):
        for number, some in enumerate(bands, start=first[-1]):
            few = some[np.linspace(0, len(some) - 1, min(most, len(some))).astype(int)]
            at.append(few)
            corner.append(np.full(len(few), envelope.corner))
            group.append(np.full(len(few), number))
        first.append(first[-1] + len(bands))
    positions, row = np.unique(np.concatenate(at), return_inverse=True)
    tyre, of = np.concatenate(corner), np.concatenate(group)
    size = np.bincount(of)

    def levels(force: Floats) -> Floats:
        one = force[row, tyre]
        flat = np.maximum(np.hypot(one[:, 0], one[:, 1]), 1.0)
        level = np.log(flat) - USUAL_EXPONENT * np.log(np.maximum(one[:, 2], 1.0))
        return np.asarray(np.bincount(of, level) / size)

    moved = Alternatives(forces, positions, axes="tyre", bandwidth=gate.bandwidth)
    by_cause = moved.estimate(levels, draws=0).by_cause
    return [by_cause[:, a:b] for a, b in pairwise(first)]


def _near(envelope: Envelope) -> list[NDArray[np.int64]]:
    """Positions of the samples near the envelope, for each worked band."""
    samples, worked = envelope.samples, envelope.law.worked
    near = np.flatnonzero(envelope.use > 1.0 - CLOSE)
    own = samples.band[near]
    found = [samples.at[near[own == k]] for k in band_of(envelope.bands.load[worked])]
    return [some if len(some) else samples.at[near] for some in found]


def _errors(
    envelope: Envelope, effect: Floats, x: Floats, passed: float, block: NDArray[np.int64]
) -> EnvelopeErrors:
    bands, quiet, law = envelope.bands, envelope.quiet, envelope.law
    value = _quantities(law, x)
    number = np.sum(bands.counts * (bands.middles >= bands.least), axis=1)[law.worked]
    independent = np.maximum(passed * number * 2.0 * (1.0 - SHARE), 1.0)
    u_band = bands.u_noise[law.worked] / np.sqrt(independent)
    drawn = u_band * np.random.default_rng(SEED).standard_normal((DRAWS, len(u_band)))
    noise = np.std([_moved(quiet, law, move, x) for move in drawn], axis=0)
    taken_off = U_CORRECTION * (_quantities(slope_of(bands), x) - value)
    estimate = Estimate(value, _by_cause(effect, quiet, law, x), np.hypot(noise, taken_off))
    estimate = estimate.plus_noise(np.append(np.full(len(x), U_METHOD), 0.0))
    if not is_wide(bands.load):
        middle = float(np.mean(np.log(bands.load[law.worked] / REFERENCE_LOAD)))
        estimate = estimate.plus_noise(np.append(U_EXPONENT * np.abs(x - middle), U_EXPONENT))
    elif law.exponent in EXPONENTS:
        estimate = estimate.plus_noise(np.append(0.0 * x, U_EXPONENT))
    spread, blocks = _spread(envelope, x, block)
    return EnvelopeErrors(estimate, spread, blocks)


def _quantities(law: Law, x: Floats) -> Floats:
    """Logarithm of the force at every load, then the exponent."""
    return np.append(np.log(law.force) + law.exponent * x, law.exponent)


def _by_cause(effect: Floats, quiet: Bands, law: Law, x: Floats) -> Floats:
    """Effect (cause, quantity) of causes with an `effect` (cause, band) on the worked bands.

    Bands are moved together as the causes move them: one at a time, the corners of a quantile
    regression would count a common shift more than once.
    """
    shares, size, directions = np.linalg.svd(effect, full_matrices=False)
    half = [
        (_moved(quiet, law, move, x) - _moved(quiet, law, -move, x)) / 2
        for move in size[:, None] * directions
    ]
    return np.asarray(shares @ np.array(half))


def _moved(quiet: Bands, law: Law, move: Floats, x: Floats) -> Floats:
    """Quantities with the worked bands moved by `move` (band,)."""
    moved = np.zeros(len(quiet.load))
    moved[law.worked] = move
    return _quantities(slope_of(replace(quiet, moved=moved)), x)


def _spread(envelope: Envelope, x: Floats, block: NDArray[np.int64]) -> tuple[Floats, int]:
    """Standard deviation of the quantities over draws of the blocks, and their number."""
    bands, samples = envelope.bands, envelope.samples
    near = envelope.use > 1.0 - CLOSE
    seconds = np.bincount(block[near], minlength=int(block.max()) + 1) * samples.every
    place = bands.place(samples)
    hard = (place >= 0) & (samples.ratio >= bands.least) & (seconds[block] >= BLOCK_TIME)
    size = bands.counts.size
    numbers, block = np.unique(block[hard], return_inverse=True)
    if len(numbers) < FEWEST_BLOCKS:
        return np.full(len(x) + 1, np.nan), len(numbers)
    cells, count = np.unique(block * size + place[hard], return_counts=True)
    rng = np.random.default_rng(SEED)
    drawn = []
    for _ in range(DRAWS):
        times = np.bincount(rng.integers(len(numbers), size=len(numbers)), minlength=len(numbers))
        counts = np.bincount(cells % size, count * times[cells // size], minlength=size)
        some = bands.some(counts.reshape(-1, CELLS).astype(float))
        if some is not None:
            drawn.append(_quantities(slope_of(some), x))
    return np.asarray(np.std(drawn, axis=0, ddof=1)), len(numbers)
