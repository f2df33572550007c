"""Zero-phase low-pass filter that keeps gaps, and the noise it lets through."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from recon.base.arrays import Floats
from recon.records.logs import GAP_STEPS

ORDER = 4  # of each of the two passes
SHORTEST = 32  # samples between two gaps that a filter can still be run over


def zero_phase_gain(bandwidth: float, rate: float) -> float:
    """Share of white noise's standard deviation that passes, for bandwidth in Hz.

    The filter runs forward and backward, so its power gain is |H|^4 of one pass; the mean of
    that over all frequencies up to half the rate is the share of variance that passes.
    """
    if not bandwidth < 0.5 * rate:
        return 1.0
    from scipy.signal import sosfreqz

    response = sosfreqz(_sections(bandwidth, rate), worN=4096)[1]
    return float(np.sqrt(np.mean(np.abs(response) ** 4)))


def stretches(elapsed: Floats) -> list[slice]:
    """Parts of a log between gaps in time; a filter must not run across one.

    A step longer than `GAP_STEPS` median steps is a gap.
    """
    step = np.diff(elapsed)
    edges = np.flatnonzero(step > GAP_STEPS * np.median(step)) + 1
    ends = [0, *edges.tolist(), len(elapsed)]
    return [slice(a, b) for a, b in pairwise(ends)]


def low_pass(
    values: Floats,
    bandwidth: float,
    rate: float,
    parts: list[slice] | None = None,
    out: Floats | None = None,
) -> Floats:
    """Low-passed copy of columns (sample, channel); NaN stays NaN and does not spread.

    The response is -3 dB at `bandwidth` [Hz] after both passes.  Samples without a number are
    bridged by a straight line for the filter only and are NaN again in the result.  Each of
    `parts` (see `stretches`, the whole unless stated) is filtered by itself; parts too short to
    filter are NaN.  `out` takes the result, where the caller has an array for it; it may be
    `values`.
    """
    if not bandwidth < 0.5 * rate:
        return values
    from scipy.signal import sosfiltfilt

    out = np.empty_like(values) if out is None else out
    sections = _sections(bandwidth, rate)
    for part in parts or [slice(0, len(values))]:
        if part.stop - part.start < SHORTEST:
            out[part] = np.nan
            continue
        # Column by column: the filter copies its input for either pass, a column stays in cache.
        for k in range(values.shape[1]):
            column = np.ascontiguousarray(values[part, k])
            good = np.isfinite(column)
            if good.all():
                out[part, k] = sosfiltfilt(sections, column)
            elif good.any():
                sample = np.arange(len(column))
                bridged = np.interp(sample, sample[good], column[good])
                out[part, k] = np.where(good, sosfiltfilt(sections, bridged), np.nan)
            else:
                out[part, k] = np.nan
    return out


def _sections(bandwidth: float, rate: float) -> Floats:
    from scipy.signal import butter

    # Two passes lower the -3 dB point; the design frequency is raised to put it back.
    # |H|^4 = 1/2 at bandwidth: (1 + (b/d)^(2n))^2 = 2, in the warped frequency of the design.
    factor = (np.sqrt(2.0) - 1.0) ** (1 / (2 * ORDER))
    warped = np.tan(np.pi * bandwidth / rate) / factor
    return np.asarray(butter(ORDER, np.arctan(warped) / np.pi * rate, fs=rate, output="sos"))
