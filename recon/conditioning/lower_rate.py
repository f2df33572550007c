"""A result at a lower sampling rate, filtered first so that nothing fast appears as something slow.

Numbers are low-passed and thinned; flags of all samples that a kept one stands for are joined.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.conditioning.condition import BANDWIDTH_SHARE
from recon.conditioning.filters import low_pass, noise_left

SAMPLES = "elapsed_time"
WHOLE = 1e-3  # of a step; rates from a median step are known no better
GAP = 1.5  # steps; a longer one ends a stretch


def lower_rate(result: xr.Dataset, rate: float) -> xr.Dataset:
    """Thin every variable along `elapsed_time` [s] of forces or an answer, without aliasing.

    The rate of the result must be a multiple of the lower `rate` [Hz].  Numbers are low-passed
    (zero phase, -3 dB at `BANDWIDTH_SHARE` of the new rate), flags of all samples between two kept
    ones are joined.  The random part of an uncertainty shrinks as the filter takes noise away, its
    limits likewise; all other parts stay.

    Raises DataError: the rate is not a positive number, is higher than that of the result, or does
    not divide it.
    """
    time = result[SAMPLES].to_numpy()
    own = 1.0 / float(np.median(np.diff(time))) if len(time) > 1 else np.nan
    step = _step(result, own, rate)
    if step == 1:
        return result
    parts = stretches_of(time, own)
    kept = np.concatenate([np.arange(p.start, p.stop, step) for p in parts])
    band = BANDWIDTH_SHARE * rate
    thinned = result.isel({SAMPLES: kept}).copy()
    for name, variable in result.data_vars.items():
        if SAMPLES not in variable.dims:
            continue
        values = np.moveaxis(variable.to_numpy(), variable.dims.index(SAMPLES), 0)
        if "flag_masks" in variable.attrs:
            starts = np.maximum(kept - step // 2, 0)
            found = np.bitwise_or.reduceat(values, starts, axis=0)
        elif values.dtype.kind == "f":
            flat = values.reshape(len(values), -1).astype(float)
            smooth = low_pass(flat, band, own, parts, out=flat)
            found = smooth[kept].reshape(len(kept), *values.shape[1:])
        else:
            continue
        along = np.moveaxis(found, 0, variable.dims.index(SAMPLES))
        thinned[name] = (variable.dims, along.astype(values.dtype), variable.attrs)
    _narrow(thinned, _noise_left(result, band, own))
    band = float(min(band, result.attrs.get("bandwidth_Hz", band)))
    return thinned.assign_attrs(rate_Hz=float(rate), bandwidth_Hz=band)


def _step(result: xr.Dataset, own: float, rate: float) -> int:
    """Samples of the result per sample wanted."""
    if not 0 < rate < np.inf:
        raise DataError(
            place_of(result),
            f"rate = {rate:g} Hz asked for",
            "a positive number of samples per second",
            f"Leave it out for all samples, {own:.6g} Hz.",
        )
    step = own / rate
    whole = round(step)
    if whole < 1 or abs(step - whole) > WHOLE * whole:
        near = sorted({max(round(step) + k, 1) for k in (-1, 0, 1)})
        raise DataError(
            place_of(result),
            f"rate = {rate:g} Hz asked for of samples at {own:.6g} Hz",
            "the same rate or a whole part of it",
            f"Ask for {' or '.join(f'{own / k:.6g}' for k in near)} Hz.",
        )
    return whole


def stretches_of(time: Floats, rate: float) -> list[slice]:
    """Stretches without a gap of samples at the times (sample,) [s] and the rate [Hz]."""
    ends = np.flatnonzero(np.diff(time) * rate > GAP) + 1
    return [slice(int(a), int(b)) for a, b in zip([0, *ends], [*ends, len(time)], strict=True)]


def _noise_left(result: xr.Dataset, band: float, rate: float) -> float:
    """Share of the noise's standard deviation that the filter leaves of what is in the result."""
    before = float(result.attrs.get("bandwidth_Hz", 0.5 * rate))
    return noise_left(band, before, rate)


def _narrow(thinned: xr.Dataset, left: float) -> None:
    """Shrink the random part of each uncertainty to the share `left`, and its limits with it."""
    for name in [str(n) for n in thinned.data_vars if f"u_{n}_random" in thinned.data_vars]:
        u, random = (thinned[n].to_numpy() for n in (f"u_{name}", f"u_{name}_random"))
        share = _share_left(u, random, left)
        thinned[f"u_{name}"].values[:] = u * share
        thinned[f"u_{name}_random"].values[:] = random * left
        value = thinned[name].to_numpy()
        for limit in (f"{name}_lower", f"{name}_upper"):
            if limit in thinned.data_vars:
                thinned[limit].values[:] = value + (thinned[limit].to_numpy() - value) * share


def _share_left(u: NDArray, random: NDArray, left: float) -> NDArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.sqrt(np.maximum(u**2 - (1 - left**2) * random**2, 0.0)) / u
    return np.asarray(np.where(np.isfinite(share), share, 1.0))
