"""Forces at a low bandwidth and as few samples as that needs: a long drive made short."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import DataError, DataWarning, warn
from recon.base.labelled import place_of, require_attributes
from recon.base.late import xr
from recon.conditioning.filters import is_filtered, low_pass, noise_left
from recon.reconstruction.result.signed_errors import ALONG as FOLLOWED
from recon.reconstruction.result.signed_errors import RANDOM, STATED
from recon.records.forces import MAKE_AGAIN, SUMS
from recon.records.scratch import columns

ALONG, RATES = "elapsed_time", ("rate_Hz", "bandwidth_Hz")
PER_PERIOD = 12  # means in a period of the bandwidth, at which they are 1 % low
# Taken as they are in the middle: a mean of them says nothing more, and who asks for samples
# without a flag must not lose their neighbours too.
AS_THEY_ARE = ("status", "gear", RANDOM, *STATED.values())


def at_bandwidth(forces: xr.Dataset, bandwidth: float, *names: str) -> xr.Dataset:
    """Forces low-passed to a bandwidth, at as few samples as that needs, which again are forces.

    `bandwidth` [Hz] is that of the forces and of what their errors depend on; that of `forces` if
    it is lower.  Of the variables along time those with `names` are kept, where they are there;
    whatever has no time is kept.  Channels are means over a twelfth of a period of the bandwidth;
    flags are those of the middle sample.

    Raises DataError: the drive is shorter than two samples of the result, or its rate is lost.
    """
    require_attributes(forces, RATES, MAKE_AGAIN)
    rate, own = (float(forces.attrs[name]) for name in RATES)
    band = min(bandwidth, own)
    size = max(int(rate / (PER_PERIOD * bandwidth)), 1)
    out = short_means(forces, size / rate, *(n for n in names if n not in AS_THEY_ARE))
    changed = {}  # variables without coordinates, which xarray would compare each time
    if band < own and is_filtered(band, rate / size):
        for name in FOLLOWED:
            values = out[name].to_numpy()
            flat = values.reshape(len(values), -1).astype(float)
            passed = low_pass(flat, band, rate / size, out=flat)
            changed[name] = out[name].variable.copy(data=passed.reshape(values.shape))
    middles = np.arange(out.sizes[ALONG]) * size + size // 2
    left = noise_left(band, own, rate)
    for name in (n for n in AS_THEY_ARE if n in names and n in forces):
        picked = forces[name].variable.isel({ALONG: middles})
        # With its unit, which a product has only in newer versions of xarray.
        changed[name] = picked.copy(data=picked.to_numpy() * left) if name == RANDOM else picked
    return out.assign(changed).assign_attrs(rate_Hz=rate / size, bandwidth_Hz=band)


def short_means(forces: xr.Dataset, step: float, *names: str) -> xr.Dataset:
    """Means of forces and channels over stretches of `step` [s] in turn, which again are forces.

    Of the variables along time those with `names` are kept, where they are there; whatever has no
    time is kept, but for the words and weights of known sums without the sums.

    `elapsed_time` [s] is the middle of each stretch.  A mean is NaN if one of its samples is, flags
    are those of any sample, other whole numbers those of the middle; noise is that of the mean,
    white up to the bandwidth of `forces`.

    Raises DataError: the drive is shorter than two stretches.
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
        [n for n in forces.data_vars if ALONG in forces.variables[n].dims and n not in names]
    ).isel({ALONG: slice(size // 2, count * size, size)})
    if not all(name in out.variables for name in SUMS):
        out = out.drop_vars([name for name in SUMS if name in out.variables])
    kept = [n for n in names if n in out and ALONG in out.variables[n].dims]
    found = {n: _of(n, forces.variables[n].to_numpy()[: count * size], size) for n in kept}
    means = {n: values for n, values in found.items() if values is not None}
    out = out.assign({n: out.variables[n].copy(data=values) for n, values in means.items()})
    own = min(float(forces.attrs["bandwidth_Hz"]), 0.5 * rate)
    half = 0.5 * rate / size
    if RANDOM in out:
        random = out[RANDOM].variable
        out[RANDOM] = random.copy(data=random.to_numpy() * min(np.sqrt(half / own), 1.0))
    return out.assign_attrs(rate_Hz=rate / size, bandwidth_Hz=half)


def _of(name: str, values: NDArray, size: int) -> NDArray | None:
    """Means of numbers, flags of any sample; None for whole numbers, which stay as they are."""
    if name == "status":
        parts = values.reshape(-1, size, *values.shape[1:])
        return np.asarray(np.bitwise_or.reduce(parts, axis=1))
    if values.dtype.kind != "f":
        return None
    out = columns((len(values) // size, *values.shape[1:]))
    for column in np.ndindex(values.shape[1:]):  # quicker than all at once, and than `mean`
        parts = values[:, *column].astype(float, copy=False).reshape(-1, size)
        # Not a product with ones, which adds up equal stretches in different orders.
        np.divide(np.einsum("ns->n", parts), size, out=out[:, *column])
    return out


def bandwidth_for(forces: xr.Dataset, asked: float, what: str, do: str = "Leave it out.") -> float:
    """The bandwidth that was asked for, or as much of it as the forces have [Hz].

    Raises DataError: it is not above zero, or that of the forces is lost; `do` is the remedy.
    Warns DataWarning: the forces have less; `what` names what is read at it.
    """
    if not asked > 0:
        found = f"bandwidth = {asked:g} Hz asked for"
        raise DataError(place_of(forces), found, "a bandwidth above 0 Hz", do)
    require_attributes(forces, RATES, MAKE_AGAIN)
    there = float(forces.attrs["bandwidth_Hz"])
    if asked > there:
        warn(
            f"{place_of(forces)}: {what} are read at {there:g} Hz, the bandwidth of these forces; "
            f"{asked:g} Hz asked for",
            DataWarning,
        )
    return min(asked, there)
