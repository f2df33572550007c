"""How wrong an envelope may be: fixed errors with their signs, noise, and spread over blocks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.common.shared_errors import measured_of, rows_of_sum
from recon.evaluation.grip.envelope import (
    EXPONENTS,
    REFERENCE_LOAD,
    SHARE,
    STEP,
    USUAL_EXPONENT,
    Bands,
    Law,
    Laws,
    band_of,
    is_wide,
    slope_of,
    slopes_of,
)
from recon.evaluation.grip.moved_samples import MovedSamples
from recon.evaluation.grip.runs_of_set_up import Drives
from recon.evaluation.grip.tyre_envelopes import Envelope, Gate

MOST_SAMPLES, FEWEST_SAMPLES = 600, 3  # in all, and of a band, for effects of fixed errors
CLOSE = 0.1  # of the envelope: samples that stand for it
FEWEST_BLOCKS, BLOCK_TIME = 4, 0.1  # blocks that came near the envelope, s of each
FEWEST_RUNS = 3  # runs that came near it
DRAWS = 30  # of blocks, and of noise: their standard deviation is known to 13 %
U_CORRECTION = 0.2  # of what was taken off for noise
U_METHOD = 0.005  # relative: by so much two programs differ that follow one definition
U_EXPONENT = 0.1  # where few loads were worked and the exponent is the usual one
SEED = 20262


@dataclass(frozen=True, slots=True)
class Blocks:
    """Stretches of drives by which repeats are counted; each drive is one if `runs` is true.

    `number` (sample,) is that of the block of each sample.
    """

    number: NDArray[np.int64]
    runs: bool = False

    @property
    def fewest(self) -> int:
        """Blocks without which nothing is said about repeats."""
        return FEWEST_RUNS if self.runs else FEWEST_BLOCKS


@dataclass(frozen=True, slots=True)
class EnvelopeErrors:
    """An envelope as estimates: logarithm of the force at every load, then the exponent.

    `spread` (load + 1,) is their standard deviation from block to block, NaN if there are fewer
    than needed; `blocks` is the number of blocks that came near the envelope.
    """

    estimate: Estimate
    spread: Floats
    blocks: int

    @property
    def of_set_up(self) -> Estimate:
        """The same for the set-up instead of these runs: with the spread from run to run."""
        return self.estimate.plus_noise(np.nan_to_num(self.spread))


def errors_of(
    drives: Drives, envelopes: list[Envelope], gate: Gate, loads: Floats, blocks: Blocks
) -> list[EnvelopeErrors]:
    """Errors of each of the envelopes, which were found by `gate`, at some `loads` (load,) [N].

    Envelopes are resampled by `blocks`; the estimates of all have the same causes.
    """
    forces = drives.forces[0]
    passed = min(1.0, 2.0 * _bandwidth(forces, gate) / float(forces.attrs["rate_Hz"]))
    effects = _effects(drives, envelopes, gate)
    x = np.log(loads / REFERENCE_LOAD)
    return [
        _errors(envelope, effect, x, passed, blocks)
        for envelope, effect in zip(envelopes, effects, strict=True)
    ]


def _bandwidth(forces: xr.Dataset, gate: Gate) -> float:
    own = float(forces.attrs["bandwidth_Hz"])
    return own if gate.bandwidth is None else min(gate.bandwidth, own)


def _effects(drives: Drives, envelopes: list[Envelope], gate: Gate) -> list[Floats]:
    """Effects (cause, 2 bands) of fixed errors on each envelope, as `_of_drive` has them."""
    near = [_near(envelope) for envelope in envelopes]
    every = [some for bands in near for some in bands]
    corner = np.repeat([e.corner for e in envelopes], [len(bands) for bands in near])
    found = []
    for number, forces in enumerate(drives.forces):
        own = [some[drives.of(some) == number] - drives.first[number] for some in every]
        share = np.array([len(o) / len(e) for o, e in zip(own, every, strict=True)])
        if share.any():
            by_cause = np.tile(share, 2) * _of_drive(forces, own, corner, gate)
            found.append((by_cause, forces))
    if len(drives.forces) == 1:
        rows = found[0][0]
    else:
        none = np.zeros(2 * len(every))
        rows = rows_of_sum([measured_of(Estimate(none, own, none), f) for own, f in found])
    ends = np.cumsum([0, *(len(bands) for bands in near)])
    level, load = np.split(rows, 2, axis=1)
    return [np.hstack([level[:, a:b], load[:, a:b]]) for a, b in pairwise(ends)]


def _of_drive(
    forces: xr.Dataset, groups: list[NDArray[np.int64]], corner: NDArray[np.int64], gate: Gate
) -> Floats:
    """Effect (cause, 2 groups) of the fixed errors of a drive on the means of each group.

    First those on the logarithm of the force, levelled by the load, of every group, then those on
    the logarithm of the load.  A group holds positions (sample,) of the tyre at its `corner`
    (group,).
    """
    most = max(MOST_SAMPLES // max(len(groups), 1), FEWEST_SAMPLES)
    few = [own[np.linspace(0, len(own) - 1, min(most, len(own))).astype(int)] for own in groups]
    size = np.array([len(own) for own in few])
    of = np.repeat(np.arange(len(few)), size)
    tyre = corner[of]
    positions, row = np.unique(np.concatenate(few), return_inverse=True)

    def levels(force: Floats) -> Floats:
        one = force[row, tyre]
        flat = np.log(np.maximum(np.hypot(one[:, 0], one[:, 1]), 1.0))
        load = np.log(np.maximum(one[:, 2], 1.0))
        sums = [np.bincount(of, v, len(size)) for v in (flat - USUAL_EXPONENT * load, load)]
        return np.concatenate(sums) / np.tile(np.maximum(size, 1), 2)

    moved = Alternatives(forces, positions, axes="tyre", bandwidth=gate.bandwidth)
    return moved.estimate(levels, draws=0).by_cause


def _near(envelope: Envelope) -> list[NDArray[np.int64]]:
    """Positions of the samples near the envelope, for each worked band."""
    samples, worked = envelope.samples, envelope.law.worked
    near = np.flatnonzero(envelope.use > 1.0 - CLOSE)
    own = samples.band[near]
    found = [samples.at[near[own == k]] for k in band_of(envelope.bands.load[worked])]
    return [some if len(some) else samples.at[near] for some in found]


def _errors(
    envelope: Envelope, effect: Floats, x: Floats, passed: float, blocks: Blocks
) -> EnvelopeErrors:
    bands, quiet, law = envelope.bands, envelope.quiet, envelope.law
    value = _quantities(law, x)
    number = np.sum(bands.counts * (bands.middles >= bands.least), axis=1)[law.worked]
    independent = np.maximum(passed * number * 2.0 * (1.0 - SHARE), 1.0)
    u_noise = bands.u_noise[law.worked] / np.sqrt(independent)
    u_band = np.hypot(u_noise, STEP / np.sqrt(12.0))  # where in its cell the edge of a band lies
    rng = np.random.default_rng(SEED)
    normal = rng.standard_normal((DRAWS, len(u_band)))
    # Bands are moved together as the causes move them: one at a time, the corners of a quantile
    # regression would count a common shift more than once.
    shares, size, directions = np.linalg.svd(effect, full_matrices=False)
    moves = size[:, None] * directions
    size_of_each = rng.standard_normal((DRAWS, len(moves)))
    level, load = np.split(moves, 2, axis=1)
    moved = _moved(quiet, law, np.concatenate([u_band * normal, level, -level]), x)
    noise, up, down = np.split(moved, np.cumsum([DRAWS, len(moves)]))
    samples = MovedSamples.of(envelope.samples, bands, quiet, law.worked)
    together = samples.laws(size_of_each @ level, size_of_each @ load, u_noise * normal)
    # An exponent that was found is no draw of one that was assumed, and an envelope that does not
    # reach a load says nothing of the force there.
    found = (together.exponent == USUAL_EXPONENT) == (law.exponent == USUAL_EXPONENT)
    alike = np.column_stack([samples.covers(together, x), found])
    taken_off = U_CORRECTION * (_quantities(slope_of(bands), x) - value)
    by_direction = (up - down) / 2
    # Errors that act at once move samples into other cells and bands, and other bands come near
    # the envelope.
    one_by_one = noise + size_of_each @ by_direction
    every = np.where(alike, _quantities(together, x), np.nan)
    mean = np.nansum(every, axis=0) / np.maximum(alike.sum(axis=0), 1)
    square = np.nansum((every - mean) ** 2, axis=0) / np.maximum(alike.sum(axis=0), 1)
    bends = np.maximum(square - np.var(one_by_one, axis=0), 0.0)
    noise = np.sqrt(np.var(noise, axis=0) + bends + taken_off**2)
    estimate = Estimate(value, shares @ by_direction, noise)
    estimate = estimate.plus_noise(np.append(np.full(len(x), U_METHOD), 0.0))
    at_end = np.isclose(law.exponent, EXPONENTS).any()  # of the range that is searched
    if at_end or not is_wide(bands.load):  # found there, or assumed
        middle = float(np.mean(np.log(bands.load[law.worked] / REFERENCE_LOAD)))
        estimate = estimate.plus_noise(np.append(U_EXPONENT * np.abs(x - middle), U_EXPONENT))
    return EnvelopeErrors(estimate, *_spread(envelope, x, blocks))


def _quantities(law: Law | Laws, x: Floats) -> Floats:
    """Logarithm of the force at every load, then the exponent; of each draw, (draw, quantity)."""
    power = np.asarray(law.exponent)[..., None]
    return np.concatenate([np.log(law.force)[..., None] + power * x, power], axis=-1)


def _moved(quiet: Bands, law: Law, moves: Floats, x: Floats) -> Floats:
    """Quantities (draw, quantity) with the worked bands moved by `moves` (draw, band)."""
    moved = np.zeros((len(moves), len(quiet.load)))
    moved[:, law.worked] = moves
    return _quantities(slopes_of(replace(quiet, moved=moved)), x)


def _spread(envelope: Envelope, x: Floats, blocks: Blocks) -> tuple[Floats, int]:
    """Standard deviation of the quantities over draws of the blocks, and their number.

    Of runs it is widened by Student's factor, as few of them show little of their scatter.
    """
    bands, samples, place = envelope.bands, envelope.samples, envelope.place
    block, size = blocks.number[samples.at], bands.counts.size
    near = envelope.use > 1.0 - CLOSE
    seconds = np.bincount(block[near], minlength=int(block.max()) + 1) * samples.every
    hard = (place >= 0) & (samples.ratio >= bands.least) & (seconds[block] >= BLOCK_TIME)
    number = np.bincount(block[hard] * size + place[hard], minlength=len(seconds) * size)
    counts = number.reshape(len(seconds), size).astype(float)
    counts = counts[counts.any(axis=1)]
    count = len(counts)
    if count < blocks.fewest:
        return np.full(len(x) + 1, np.nan), count
    chosen = np.random.default_rng(SEED).integers(count, size=(DRAWS, count))
    times = np.array([np.bincount(some, minlength=count) for some in chosen])
    some = bands.drawn((times @ counts).reshape(DRAWS, *bands.counts.shape))
    drawn = _quantities(slopes_of(some), x)
    drawn = drawn[np.isfinite(drawn).all(axis=1)]
    wider = few_runs(count) if blocks.runs else 1.0
    return np.asarray(wider * np.std(drawn, axis=0, ddof=1)), count


def few_runs(count: int) -> float:
    """Factor by which a bootstrap of `count` runs is widened for a coverage factor of 1.96 [1]."""
    from scipy.stats import t

    half = float(t.ppf(0.975, count - 1)) / COVERAGE_FACTOR
    return half * float(np.sqrt(count / (count - 1)))
