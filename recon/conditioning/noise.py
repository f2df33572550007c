"""Noise of single samples, as a log shows it.

Differences of the sixth order keep white noise and hardly pass what a car does: of the shaking of a
wheel at 20 Hz, logged at 100 Hz, they pass 9 % of the amplitude; those of second order pass 56 %.
"""

from __future__ import annotations

import warnings
from functools import cache
from math import comb

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.conditioning.zero import ENOUGH_SAMPLES
from recon.records.scratch import at_rows

ORDER = 6
BLOCK = 300  # differences, whose median is known to some 10 %
QUIET_SHARE = 0.25  # of the blocks, in which the car shakes least
# Times the noise that the tares state: of most gauges of an assembly, or of one alone, which may as
# well shake more than the others or be plugged in another's place.
MOST_LOUDER, ONE_LOUDER = 1.5, 3.0
# Noise that was filtered before it was logged: of what the tares state, differences show less than
# `HARDLY`.  Differences of samples farther apart show more, until thrice as far brings little more.
HARDLY, NEARLY_ALL = 0.5, 0.9
MOST_ALIKE = 30  # samples: noise below 17 Hz in a log at 1 kHz
LOOKED_AT = 24  # blocks of neighbours, by which it is found out; they give the noise to 3 %


def scatter(values: Floats) -> Floats:
    """Standard deviation (channel,) of what differences from sample to sample show in `values`.

    `values` is (sample, channel) in any unit; the result has the same unit.  Fast motion counts as
    noise, so this is an upper estimate.
    """
    return _deviation(_differences(values))


def noise_of_drive(of_tares: Floats, raw: Floats) -> tuple[Floats, int]:
    """Standard deviation (gauge,) of single indications in a drive, in the gauges' units.

    The second number is after how many samples the noise has a new value: 1 where it is white.

    `raw` (sample, gauge) holds the indications of one assembly, `of_tares` (gauge,) the standard
    deviations that its tares state.  These stand unless the log contradicts them: a running engine
    adds noise that tares do not have.  Where the tares state none, it is all that the log shows.
    A standard deviation of 0 is that of gauges without noise, and stands.
    """
    alike = _samples_alike(of_tares, raw)
    differences, stated = _differences(raw[::alike]), np.isfinite(of_tares)
    seen = np.where(of_tares > 0, _beside_others(differences), 0.0)
    louder = seen > MOST_LOUDER * of_tares
    least = MOST_LOUDER if 2 * np.count_nonzero(louder) > len(louder) else ONE_LOUDER
    noise = np.where(seen > least * of_tares, seen, of_tares)
    return np.where(stated, noise, _deviation(differences)), alike


def share_passed(gain: float, alike: Floats | int) -> Floats:
    """Share (gauge,) of the noise's standard deviation that a filter passes, of white noise `gain`.

    Noise of which `alike` (gauge,) samples are alike has that many times the density of white one.
    """
    return np.minimum(gain * np.sqrt(alike), 1.0)


def _samples_alike(of_tares: Floats, raw: Floats) -> int:
    """After how many samples the noise has a new value: 1 where it is white.

    Low-passes of loggers, means and interpolation leave little noise between neighbours and all of
    it at the frequencies of the forces.  A drive is no quieter than its tares, so that is where
    noise is that differences do not show.  `of_tares` (gauge,) and `raw` (sample, gauge) are those
    of one assembly, in the gauges' units.
    """
    stated = of_tares > 0
    if not stated.any():
        return 1

    @cache
    def share(step: int) -> float:
        seen = _beside_others(_in_blocks(raw[::step]))[stated] / of_tares[stated]
        return float(np.nanmedian(seen)) if np.isfinite(seen).any() else np.nan

    if not share(1) < HARDLY:
        return 1
    return next(
        (s for s in range(1, MOST_ALIKE) if not share(s) < NEARLY_ALL * min(share(3 * s), 1.0)),
        MOST_ALIKE,
    )


def _beside_others(differences: Floats) -> Floats:
    """Standard deviation (gauge,) of the noise of gauges on one assembly, in their units.

    `differences` are (sample, gauge).  Shaking reaches several gauges at once and noise only one.
    So this is what the other gauges do not explain by least squares, in the quarter of the log in
    which they move least, or all of it where jolts spoil the least squares.  NaN for a gauge
    without numbers.
    """
    noise = np.full(differences.shape[1], np.nan)
    moving = np.flatnonzero(np.isfinite(differences).any(axis=0))
    differences = differences[np.isfinite(differences[:, moving]).all(axis=1)][:, moving]
    count = len(differences) // BLOCK
    if count == 0 or not len(moving):
        return noise
    blocks = differences[: count * BLOCK].reshape(count, BLOCK, -1)
    sizes = np.median(np.abs(blocks), axis=1)
    usual = np.median(sizes, axis=0)
    sizes = np.divide(sizes, usual, out=np.ones_like(sizes), where=usual > 0).mean(axis=1)
    quiet = blocks[np.argsort(sizes)[: max(int(QUIET_SHARE * count), 1)]].reshape(-1, len(moving))
    for k, g in enumerate(moving):
        others = np.delete(quiet, k, axis=1)
        explained = others @ np.linalg.lstsq(others, quiet[:, k], rcond=None)[0]
        noise[g] = _deviation(np.column_stack([quiet[:, k], quiet[:, k] - explained])).min()
    return noise


def tell_of_noise(noise: Floats, of_tares: Floats, gauges: tuple[str, ...], path: str) -> None:
    """One warning if `noise` (gauge,) exceeds that of the tares in `path`, in the same units."""
    louder = np.flatnonzero(noise > of_tares)
    if len(louder) == 0:
        return
    g = louder[np.argmax(noise[louder] / of_tares[louder])]
    warn(
        f"{path}: noise in the drive exceeds that of the tares in {len(louder)} of {len(gauges)} "
        f"gauges, most in {gauges[g]}: {noise[g]:.2g} instead of {of_tares[g]:.2g} (column "
        "'sd'). The intervals use the noise of the drive. It may come from the engine (tares with "
        "the engine running would show it) or from shaking faster than the log can follow.",
        DataWarning,
    )


def _differences(values: Floats) -> Floats:
    """Differences (sample, channel), scaled to the noise of one sample.

    Some ten thousand of them, spread over the log, give the noise to one percent.
    """
    apart = max(len(values) // ENOUGH_SAMPLES, 1)
    return _differences_at(np.arange(_order(values), len(values), apart), values)


def _in_blocks(values: Floats) -> Floats:
    """The same in some blocks of neighbours, which are brought in from memory more quickly."""
    first, last = _order(values), len(values) - BLOCK
    if last <= first + LOOKED_AT * BLOCK:
        return _differences(values)
    starts = np.linspace(first, last, LOOKED_AT).astype(int)
    return _differences_at((starts[:, None] + np.arange(BLOCK)).ravel(), values)


def _order(values: Floats) -> int:
    """Order of the differences, which is lower in a log of a few samples."""
    return max(min(len(values) - 1, ORDER), 2)


def _differences_at(at: NDArray[np.int64], values: Floats) -> Floats:
    order = _order(values)
    weights = np.array([(-1) ** k * comb(order, k) for k in range(order + 1)])
    total = sum(w * at_rows(values, at - back) for back, w in enumerate(weights))
    return np.asarray(total / np.linalg.norm(weights))


def _deviation(differences: Floats) -> Floats:
    """Standard deviation (channel,) of (sample, channel), by a median that jumps do not move."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a channel without a number has no noise
        return np.asarray(1.4826 * np.nanmedian(np.abs(differences), axis=0))
