"""A filter in the logger below the bandwidth of the forces: where it is, and what it took away.

No gauge is quieter than its noise, at no frequency.  Where most of them are, up to half the
sampling rate, the logger filtered what they show, and forces that are faster are missing.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.conditioning.filters import Band, low_pass
from recon.records.scratch import stretches_at

BLOCK, BLOCKS = 128, 96  # samples of a spectrum; spectra, spread over the log
QUIET_SHARE, LEAST = 0.25, 4  # of the spectra, in which the car shakes least
# Of half the sampling rate: where a filter has left next to nothing, and where it has left more.
TOP, BEFORE = 0.9, (0.64, 0.76)
# Of the density of the tares' noise: what is left there, of that and of what is left before.  Noise
# that tares state too large is white all the same.
LEFT, FALLS = 0.25, 0.5
FASTEST = 60.0  # Hz; what shakes a suspension faster is small.  Common practice, no source.
# Motion that outshines the noise makes a filter seem up to a third higher than it is.  At its
# corner, a second one of its kind takes away half of what the first one took.
CORNER, TAKEN = 0.75, 2.0
BELOW = 0.9  # of the bandwidth: filters that are told, whose frequency is known roughly
ENOUGH = 3  # gauges that state their noise


def filter_of_logger(raw: Floats, of_tares: Floats, rate: float) -> float:
    """Frequency [Hz] of a filter in the logger, infinite where none shows or it takes little.

    `raw` (sample, gauge) holds the indications at the sampling `rate` [Hz], `of_tares` (gauge,) the
    standard deviations that the tares state, both in the gauges' units.
    """
    stated = np.flatnonzero(of_tares > 0)
    count = min(BLOCKS, 2 * len(raw) // BLOCK - 1)  # they overlap by half in a short log
    if len(stated) < ENOUGH or count < LEAST:
        return np.inf
    first = np.linspace(0, len(raw) - BLOCK, count).astype(int)
    blocks = stretches_at(raw, first, BLOCK)[..., stated] / of_tares[stated]
    blocks = blocks[np.isfinite(blocks).all(axis=(1, 2))]
    if len(blocks) < LEAST:
        return np.inf
    share, density = _density(blocks)
    top, before = density[share > TOP], density[(share > BEFORE[0]) & (share < BEFORE[1])]
    if top.mean() > min(LEFT, FALLS * before.mean()):
        return np.inf
    # Tares of a logger that filters less have noise of a larger density than the drive.
    above = np.flatnonzero(density[1:] >= LEFT * min(float(density[1:].max()), 1.0)) + 1
    corner = 0.5 * rate * float(share[above[-1]])
    return corner if corner < FASTEST else np.inf


def _density(blocks: Floats) -> tuple[Floats, Floats]:
    """Density (frequency,) [1] of the usual gauge over that of white noise, in quiet `blocks`.

    `blocks` (block, sample, gauge) are in standard deviations of the noise; frequencies are shares
    of half the sampling rate.
    """
    steps = np.diff(blocks, axis=1)  # a car's slow motion would leak into all frequencies
    window = np.hanning(steps.shape[1])
    spectra = np.abs(np.fft.rfft(steps * window[:, None], axis=1)[:, 1:]) ** 2 / np.sum(window**2)
    share = 2.0 * np.fft.rfftfreq(steps.shape[1])[1:]
    spectra /= 4.0 * np.sin(0.5 * np.pi * share[:, None]) ** 2  # what differences do to white noise
    loud = np.median(spectra[:, share > BEFORE[0]], axis=(1, 2))
    quiet = spectra[np.argsort(loud)[: max(int(QUIET_SHARE * len(loud)), LEAST)]]
    return np.asarray(share, dtype=float), np.median(quiet.mean(axis=0), axis=1)


def taken_away(
    values: Floats, band: Band, corner: float, path: str
) -> dict[str, tuple[tuple[str, str], Floats]]:
    """The variable of a log with such a filter that holds what it may lack; none without one.

    `values` (sample, gauge) are indications less their zeros, `corner` [Hz] is as
    `filter_of_logger` finds it.  What is not a number moves nothing.

    Warns DataWarning: the filter lies below the bandwidth.
    """
    if not np.isfinite(corner):
        return {}
    quick = low_pass(values, CORNER * corner, band.rate, band.parts)
    for g in range(values.shape[1]):  # in place: a long log has no room to spare
        quick[:, g] = TAKEN * np.nan_to_num(values[:, g] - quick[:, g])
    if corner < BELOW * band.bandwidth:
        warn(
            f"{path}: the logger seems to filter the gauges at about {corner:.2g} Hz, below the "
            f"bandwidth of {band.bandwidth:.3g} Hz. Faster forces are missing, and intervals hold "
            f"only a part of them. Ask for --bandwidth {0.5 * corner:.2g} (Hz), or set the filter "
            "of the logger higher.",
            DataWarning,
        )
    quick = low_pass(quick, band.bandwidth, band.rate, band.parts, out=quick)
    return {"quick_indication": (("elapsed_time", "gauge"), np.nan_to_num(quick))}
