"""Zero-phase low-pass filter that does not run across gaps, and the noise that it passes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.records.scratch import room

ORDER = 4  # of each of the two passes
LOWEST_SHARE = 1e-4  # of the sampling rate; double precision does not hold a lower filter
NEARLY = 0.999  # of half the sampling rate; a rate from a median step is known no better
FORGOTTEN = 1e-13  # of a step at the end of a piece
PIECE = 1 << 16  # samples that are filtered at once
TOGETHER = 1 << 13  # samples of a stretch whose channels still fit the cache together
DESIGNS = 32  # filters that are kept: answers use a few, many times
SHORTEST = 32  # samples; a shorter stretch between two gaps cannot be filtered


@dataclass(frozen=True, slots=True)
class Band:
    """How a log is filtered: `bandwidth` [Hz], sampling `rate` [Hz], stretches without a gap."""

    bandwidth: float
    rate: float
    parts: list[slice]


def require_bandwidth(bandwidth: float, rate: float, where: str) -> float:
    """Return a bandwidth [Hz] that can be filtered at the sampling rate [Hz].

    Raises
    ------
    DataError
        The bandwidth is too low for the rate, which may come from times in a wrong unit.
    """
    if bandwidth >= LOWEST_SHARE * rate:
        return bandwidth
    raise DataError(
        where,
        f"a bandwidth of {bandwidth:g} Hz at {rate:g} samples per second",
        f"a bandwidth of at least {LOWEST_SHARE * rate:g} Hz",
        "Ask for a higher bandwidth, or correct the unit of time if the rate is wrong.",
    )


def is_filtered(bandwidth: float, rate: float) -> bool:
    """Whether a bandwidth [Hz] lies below half the sampling rate [Hz], so that there is a filter.

    Half a rate of 100.0000002 Hz is 50 Hz to any user.
    """
    return bandwidth < NEARLY * 0.5 * rate


@lru_cache(maxsize=DESIGNS)
def zero_phase_gain(bandwidth: float, rate: float) -> float:
    """Share of the standard deviation of white noise that the filter passes.

    `bandwidth` and sampling `rate` are in Hz.  The filter runs forward and backward, so its power
    gain is |H|^4, H being the response of one pass; its mean over all frequencies up to half the
    sampling rate is the share of the variance that passes.
    """
    if not is_filtered(bandwidth, rate):
        return 1.0
    from scipy.signal import sosfreqz

    response = sosfreqz(_sections(bandwidth, rate), worN=4096)[1]
    return float(np.sqrt(np.mean(np.abs(response) ** 4)))


def low_pass(
    values: Floats,
    bandwidth: float,
    rate: float,
    parts: list[slice] | None = None,
    out: Floats | None = None,
) -> Floats:
    """Low-pass each channel of `values`; NaN stays NaN and does not spread.

    NaN samples are bridged by a straight line for the filter and set to NaN again afterwards.

    Parameters
    ----------
    values : (sample, channel)
        Any unit.
    bandwidth : float
        Frequency of -3 dB after both passes.  [Hz]
    rate : float
        Sampling rate.  [Hz]
    parts : list of slice, optional
        Stretches that are filtered separately, see `on_time_base`; the whole log if omitted.
        Stretches shorter than `SHORTEST` become NaN.
    out : (sample, channel), optional
        Array for the result; it may be `values`.

    Returns
    -------
    (sample, channel)
        `values` itself if the bandwidth is half the sampling rate or more.
    """
    if not is_filtered(bandwidth, rate):
        return values
    out = room(values.shape[::-1]).T if out is None else out
    sections = _sections(bandwidth, rate)
    for part in parts or [slice(0, len(values))]:
        if part.stop - part.start < SHORTEST:
            out[part] = np.nan
            continue
        if part.stop - part.start <= TOGETHER and np.isfinite(values[part]).all():
            out[part] = zero_phase(sections, values[part])
            continue
        # Column by column and in place: a long log has no room to spare.
        for k in range(values.shape[1]):
            column = out[part, k]
            column[:] = values[part, k]
            missing = np.flatnonzero(~np.isfinite(column))
            if missing.size == len(column):
                column[:] = np.nan
                continue
            column[missing] = _bridge(column, missing)
            zero_phase(sections, column, column)
            column[missing] = np.nan
    return out


def _bridge(column: Floats, missing: NDArray[np.intp]) -> Floats:
    """Straight lines at the samples `missing` from a column (sample,), in its unit."""
    beside = np.union1d(missing - 1, missing + 1)
    beside = beside[(beside >= 0) & (beside < len(column))]
    good = beside[np.isfinite(column[beside])]
    return np.interp(missing, good, column[good]) if missing.size else column[:0]


def zero_phase(sections: Floats, column: Floats, out: Floats | None = None) -> Floats:
    """Filter columns (sample, ...) [any unit] forward and backward, piece by piece.

    Around each piece so many samples are filtered with it that what happens at their ends has
    decayed to `FORGOTTEN`; a long column needs no more memory than a short one, and each piece
    fits the cache.  `sections` (section, 6) [1] are those of the filter; `out` may be `column`.
    """
    from scipy.signal import sosfiltfilt

    around = _around(sections.tobytes())
    piece = max(PIECE, 8 * around)
    out = np.empty_like(column) if out is None else out
    before = column[:0]  # samples in front of a piece, which may have been filtered by now
    for start in range(0, len(column), piece):
        end = min(start + piece, len(column))
        own = np.concatenate([before, column[start : end + around]])
        within = slice(len(before), len(before) + end - start)
        out[start:end] = sosfiltfilt(sections, own, axis=0)[within]
        before = own[: within.stop][-max(around, SHORTEST) :]
    return out


@lru_cache(maxsize=DESIGNS)
def _around(sections: bytes) -> int:
    """Samples in which what happens at the ends of a piece decays to `FORGOTTEN`."""
    from scipy.signal import sos2zpk

    slowest = float(np.max(np.abs(sos2zpk(np.frombuffer(sections).reshape(-1, 6).copy())[1])))
    return int(np.log(FORGOTTEN) / np.log(slowest)) + 1


@lru_cache(maxsize=DESIGNS)
def _sections(bandwidth: float, rate: float) -> Floats:
    from scipy.signal import butter

    # Two passes lower the -3 dB frequency, so the design frequency d of one pass is raised:
    # |H|^4 = 1/2 at the bandwidth b means (1 + (b/d)^(2n))^2 = 2, in warped frequencies.
    factor = (np.sqrt(2.0) - 1.0) ** (1 / (2 * ORDER))
    warped = np.tan(np.pi * bandwidth / rate) / factor
    return np.asarray(butter(ORDER, np.arctan(warped) / np.pi * rate, fs=rate, output="sos"))
