"""Forces as means over short stretches of time: a long drive in a few thousand samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.reconstruction.result.signed_errors import RANDOM

if TYPE_CHECKING:
    import xarray as xr

ALONG = "elapsed_time"


def short_means(forces: xr.Dataset, step: float, *names: str) -> xr.Dataset:
    """Means of forces and channels over consecutive stretches, which again are forces.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    step : float
        Length of a stretch. [s]
    names : str
        Variables along time to keep, where they are there; whatever has no time is kept.

    Returns
    -------
    Dataset
        Along `elapsed_time` [s], the middle of each stretch.  A mean is NaN if one of its samples
        is, flags are those of any sample, other whole numbers those of the middle; noise is that
        of the mean, white up to the bandwidth of `forces`.

    Raises
    ------
    DataError
        The drive is shorter than two stretches.
    """
    rate = float(forces.attrs["rate_Hz"])
    size = max(round(step * rate), 1)
    count = forces.sizes[ALONG] // size
    if count < 2:
        raise DataError(
            place_of(forces),
            f"{forces.sizes[ALONG]} samples at {rate:g} Hz",
            f"at least {2 * size}",
            "Use a longer part of the drive.",
        )
    out = forces.drop_vars(
        [n for n in forces.data_vars if ALONG in forces[n].dims and n not in names]
    ).isel({ALONG: slice(size // 2, count * size, size)})
    kept = [n for n in names if n in out and ALONG in out[n].dims]
    found = {n: _of(n, forces[n].to_numpy()[: count * size], size) for n in kept}
    out = out.assign({n: out[n].copy(data=v) for n, v in found.items() if v is not None})
    own = min(float(forces.attrs["bandwidth_Hz"]), 0.5 * rate)
    half = 0.5 * rate / size
    if RANDOM in out:
        out[RANDOM] = out[RANDOM].copy(data=out[RANDOM].to_numpy() * min(np.sqrt(half / own), 1.0))
    return out.assign_attrs(rate_Hz=rate / size, bandwidth_Hz=half)


def _of(name: str, values: NDArray, size: int) -> NDArray | None:
    """Means of numbers, flags of any sample; None for whole numbers, which stay as they are."""
    if name == "status":
        return _any(values, size)
    return _mean(values, size) if values.dtype.kind == "f" else None


def _mean(values: NDArray, size: int) -> Floats:
    """Mean over each `size` samples of (sample, ...), in any unit."""
    return np.asarray(values.reshape(-1, size, *values.shape[1:]).mean(axis=1, dtype=float))


def _any(flags: NDArray, size: int) -> NDArray:
    """Flags (sample, ...) that any of each `size` samples has."""
    return np.asarray(np.bitwise_or.reduce(flags.reshape(-1, size, *flags.shape[1:]), axis=1))
