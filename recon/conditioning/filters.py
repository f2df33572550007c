"""Zero-phase low-pass filter that does not run across gaps, and the noise that it passes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.errors import DataError
from recon.base.threads import THREADS
from recon.records.scratch import room

ORDER = 4  # of each of the two passes
LOWEST_SHARE = 1e-4  # of the sampling rate; double precision does not hold a lower filter
NEARLY = 0.999  # of half the sampling rate; a rate from a median step is known no better
FORGOTTEN = 1e-13  # of a step at the end of a piece
PIECE = 1 << 16  # samples that are filtered at once
BLOCK = 1 << 12  # samples of a spectrum
TOGETHER = 1 << 13  # samples of a stretch whose channels still fit the cache together
DESIGNS = 32  # filters that are kept: answers use a few, many times
EDGE = 15  # samples by which a stretch is continued at both ends
SHORTEST = 32  # samples; a shorter stretch between two gaps cannot be filtered
NONE = np.zeros(0, dtype=np.intp)  # no sample


@dataclass(frozen=True, slots=True)
class Band:
    """How a log is filtered: `bandwidth` [Hz], sampling `rate` [Hz], stretches without a gap.

    A logger that filters, averages or interpolates leaves `alike` samples with the same noise, in
    the gauges and in all other channels.
    """

    bandwidth: float
    rate: float
    parts: list[slice]
    alike: int = 1


def require_bandwidth(bandwidth: float, rate: float, where: str) -> float:
    """Return a bandwidth [Hz] that can be filtered at the sampling rate [Hz].

    Raises DataError: the bandwidth is too low for the rate, which may come from times in a wrong
    unit.
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
    return float(np.sqrt(np.mean(passed(bandwidth, rate) ** 2)))


@lru_cache(maxsize=DESIGNS)
def passed(bandwidth: float, rate: float) -> Floats:
    """Gain (frequency,) [1] of both passes at even steps up to half the sampling rate.

    `bandwidth` and sampling `rate` are in Hz.
    """
    if not is_filtered(bandwidth, rate):
        return np.ones(1)
    from scipy.signal import sosfreqz

    return np.asarray(np.abs(sosfreqz(_sections(bandwidth, rate), worN=4096)[1]) ** 2)


def noise_left(bandwidth: float, before: float, rate: float) -> float:
    """Share of the standard deviation of noise that a low-pass leaves, at most 1.

    The noise was white and is filtered to the bandwidth `before`, the low-pass has `bandwidth`;
    both and the sampling `rate` in Hz.
    """
    return min(zero_phase_gain(bandwidth, rate) / zero_phase_gain(before, rate), 1.0)


def low_pass(
    values: Floats,
    bandwidth: float,
    rate: float,
    parts: list[slice] | None = None,
    out: Floats | None = None,
) -> Floats:
    """Low-pass each channel of `values`; NaN stays NaN and does not spread.

    NaN samples are bridged by a straight line for the filter and set to NaN again afterwards.

    `values` (sample, channel) are in any unit, `bandwidth` [Hz] is the frequency of -3 dB after
    both passes, `rate` [Hz] the sampling rate.  Stretches `parts`, see `on_time_base`, are filtered
    separately; those shorter than `SHORTEST` become NaN.  The result (sample, channel) goes to
    `out`, which may be `values`; it is `values` itself if the bandwidth is half the sampling rate
    or more.
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
            out[part] = zero_phase(sections, values[part].astype(float, copy=False))
            continue
        columns = [(values[part, k], out[part, k]) for k in range(values.shape[1])]
        with ThreadPoolExecutor(THREADS) as pool:  # spectra hold no lock
            list(pool.map(partial(_pass_column, sections), *zip(*columns, strict=True)))
    return out


def _pass_column(sections: Floats, values: Floats, out: Floats) -> None:
    """Filter `values` (sample,) [any unit] in `out`: a long log has no room to spare."""
    out[:] = values
    # A sum costs little and is finite only where every sample is: the usual case.
    missing = NONE if np.isfinite(out.sum()) else np.flatnonzero(~np.isfinite(out))
    if missing.size == len(out):
        out[:] = np.nan
        return
    out[missing] = _bridge(out, missing)
    zero_phase(sections, out, out)
    out[missing] = np.nan


def stretches_near(at: NDArray[np.int64], band: Band) -> list[slice]:
    """Stretches that are enough to low-pass for the samples `at` (sample,) [1].

    What lies beyond them changes the result there by `FORGOTTEN` of a step.
    """
    if not is_filtered(band.bandwidth, band.rate):
        return band.parts
    around = max(_around(_sections(band.bandwidth, band.rate).tobytes()), SHORTEST)
    near = np.zeros(band.parts[-1].stop, dtype=bool)
    for place in at.tolist():
        near[max(place - around, 0) : place + around + 1] = True
    return [
        slice(part.start + first, part.start + end)
        for part in band.parts
        for first, end in runs(near[part])
    ]


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
    around = _around(sections.tobytes())
    step = _block(around) - 2 * around
    piece = max(PIECE, 8 * around) // step * step  # so that whole blocks fill it
    out = np.empty_like(column) if out is None else out
    before = column[:0]  # samples in front of a piece, which may have been filtered by now
    for start in range(0, len(column), piece):
        end = min(start + piece, len(column))
        own = np.concatenate([before, column[start : end + around]])
        within = slice(len(before), len(before) + end - start)
        quick = column.ndim == 1 and len(own) > max(TOGETHER, 8 * around)
        passed = _by_spectrum(sections, own, around) if quick else _both_ways(sections, own)
        if quick and start == 0:
            passed[:around] = _both_ways(sections, own[: 2 * around])[:around]
        if quick and end + around >= len(column):
            passed[-around:] = _both_ways(sections, own[-2 * around :])[-around:]
        out[start:end] = passed[within]
        before = own[: within.stop][-max(around, SHORTEST) :]
    return out


def _by_spectrum(sections: Floats, column: Floats, around: int) -> Floats:
    """Filter a column (sample,) [any unit] block by block, but for `around` samples at its ends.

    A third of the time that recursion takes: the two passes are one product with the square of
    the response.
    """
    from scipy.fft import irfft, rfft

    size = _block(around)
    step = size - 2 * around
    count = -(-(len(column) - 2 * around) // step)
    out = np.empty(count * step + 2 * around)
    missing = len(out) - len(column)
    if missing:
        column = np.concatenate([column, np.zeros(missing)])
    spectrum = rfft(np.lib.stride_tricks.sliding_window_view(column, size)[::step], axis=1)
    spectrum *= _gain(sections.tobytes(), size)
    middle = out[around:-around].reshape(count, step)
    middle[:] = irfft(spectrum, size, axis=1)[:, around:-around]
    return out[: len(out) - missing]


def _block(around: int) -> int:
    """Samples of a spectrum, of which `around` at either end are of no use."""
    return max(BLOCK, 1 << (4 * around).bit_length())


@lru_cache(maxsize=DESIGNS)
def _gain(sections: bytes, size: int) -> Floats:
    """Gain (frequency,) [1] of both passes at the frequencies of a spectrum of `size` samples."""
    from scipy.signal import sosfreqz

    shape = np.frombuffer(sections).reshape(-1, 6)
    angle = np.linspace(0.0, np.pi, size // 2 + 1)
    return np.asarray(np.abs(sosfreqz(shape, worN=angle)[1]) ** 2)


def _both_ways(sections: Floats, column: Floats) -> Floats:
    """Filter columns (sample, ...) [any unit] forward and backward, `EDGE` odd samples around.

    As `scipy.signal.sosfiltfilt` does it, but the state of a filter at rest is worked out once.
    """
    from scipy.signal import sosfilt

    first, last = column[:1], column[-1:]
    before, after = column[EDGE:0:-1], column[-2 : -EDGE - 2 : -1]
    values = np.concatenate([2 * first - before, column, 2 * last - after])
    rest = _at_rest(sections.tobytes()).reshape(-1, 2, *[1] * (column.ndim - 1))
    for _ in range(2):
        values = sosfilt(sections, values, axis=0, zi=rest * values[:1])[0][::-1]
    return np.asarray(values[EDGE:-EDGE])


@lru_cache(maxsize=DESIGNS)
def _at_rest(sections: bytes) -> Floats:
    """State (section, 2) [1] of a filter that has long been given ones."""
    from scipy.signal import sosfilt_zi

    return np.asarray(sosfilt_zi(np.frombuffer(sections).reshape(-1, 6)))


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
