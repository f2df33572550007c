"""Motion faster than half the sampling rate, which a slow log shows as slower motion.

Unless a logger filters before it samples, all that is faster folds into the band of the forces.
What gauges show just below half the rate tells how much: about half of it has folded there, as the
motion of a car does not end at half the rate of its logger.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.filters import Band, is_filtered, low_pass, passed, zero_phase_gain

# Of half the sampling rate, from where all that is seen counts as such motion; a filter of the
# logger should have taken it away.
FROM = 0.8
FASTEST = 125.0  # Hz; what shakes a suspension faster is small.  Common practice, no source.
# Times its noise that a gauge shows there, but for a twentieth of the drive, from where the user is
# told, and gauges that show it: motion reaches more than one.
MUCH, SEVERAL, USUAL = 4.0, 2, 0.95


def quick_indication(
    values: Floats, band: Band, noise: Floats, gauges: tuple[str, ...], path: str
) -> dict[str, tuple[tuple[str, str], Floats]]:
    """The variable of a slow log that holds its quickest motion; none if the log is fast enough.

    `values` (sample, gauge) are indications less their zeros, `noise` (gauge,) that of single
    samples, both in each gauge's unit.  White noise has the standard deviation there that it has
    in the band; what is not a number moves nothing.

    Warns DataWarning: several gauges shake just below half the sampling rate.
    """
    if 0.5 * band.rate > FASTEST or not is_filtered(band.bandwidth, band.rate):
        return {}
    quick = low_pass(values, 0.5 * FROM * band.rate, band.rate, band.parts)
    gain = zero_phase_gain(band.bandwidth, band.rate)
    usual = np.empty(len(gauges))
    for g in range(len(gauges)):  # column by column and in place: a long log has no room to spare
        own = np.nan_to_num((values[:, g] - quick[:, g]) / _noise_above())
        usual[g] = np.quantile(np.abs(own), USUAL) / COVERAGE_FACTOR
        quick[:, g] = gain * own
    _tell(usual / np.where(noise > 0, noise, np.nan), gauges, path, band.rate)
    return {"quick_indication": (("elapsed_time", "gauge"), quick)}


@lru_cache(maxsize=1)
def _noise_above() -> float:
    """Share of the standard deviation of white noise above `FROM` of half the sampling rate."""
    return float(np.sqrt(np.mean((1.0 - passed(0.5 * FROM, 1.0)) ** 2)))


def _tell(times: Floats, gauges: tuple[str, ...], path: str, rate: float) -> None:
    much = np.flatnonzero(times > MUCH)
    if len(much) < SEVERAL:
        return
    most = much[np.argmax(times[much])]
    warn(
        f"{path}: {len(much)} of {len(gauges)} gauges shake just below {0.5 * rate:g} Hz, half the "
        f"sampling rate, {gauges[most]} most: {times[most]:.0f} times its noise. What is faster "
        "looks slower in such a log, and enters the forces; their intervals allow for it. Log "
        f"faster, or have the logger filter at {0.5 * FROM * rate:g} Hz or below before it "
        "samples.",
        DataWarning,
    )
