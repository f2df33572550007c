"""Signed errors of a result, cause by cause, for sums, shares and differences of forces.

A result carries the loadings of every cause (see `causes`).  Given samples, this module turns
them into newtons per standard uncertainty of each cause; causes shared by corners and samples
keep their sign.  Standard deviations alone would not do: they add what cancels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.car.axes import intermediate_to_tyre, require_axes
from recon.reconstruction.prepare import joint_mode
from recon.reconstruction.solve import features_of
from recon.records.results import SIGNED, require_forces

if TYPE_CHECKING:
    import xarray as xr

Floats = NDArray[np.float64]
WEAKEST = 0.01  # of the strongest direction; what is weaker adds less than 1e-4 of the variance


def signed_errors(
    forces: xr.Dataset, samples: NDArray[np.int64], axes: str = "intermediate"
) -> Floats:
    """Effect of every cause at some samples.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    samples : (sample,)
        Positions along `elapsed_time`.
    axes : {"tyre", "intermediate", "vehicle"}

    Returns
    -------
    ndarray (cause, sample, corner, component)
        Newtons per standard uncertainty of the cause; sums of squares over causes give the
        variance beside the random part.

    Raises
    ------
    DataError
        The dataset is no result of `reconstruct`; the message says what it is. Or there are no
        such axes.
    """
    require_forces(forces, *SIGNED)
    require_axes(axes, "signed errors")
    chosen = forces.isel(elapsed_time=samples)
    loading = forces["loading"].to_numpy()
    n_causes, _, corners = loading.shape[:3]
    out = np.zeros((n_causes, len(samples), corners, 3))
    for k in range(corners):
        features = _features(chosen, k)
        mode = _mode(chosen, k)
        for m in np.unique(mode):
            at = mode == m
            out[:, at, k] = np.einsum("cif,nf->cni", loading[:, m, k], features[at])
        if axes != "vehicle":
            turned = forces["loading_turned"].to_numpy()[:, k]
            out[:, :, k] += np.einsum("cif,nf->cni", turned, features)
        if axes == "tyre":
            out[:, :, k] += _headed(forces, chosen, k)
            out[:, :, k] = intermediate_to_tyre(out[:, :, k], chosen["heading"].to_numpy()[:, k])
    return out


def _headed(forces: xr.Dataset, chosen: xr.Dataset, k: int) -> Floats:
    """What causes that turn the tyre axes add there, (cause, sample, 3), before the turn."""
    steered = forces["loading_steered"].to_numpy()[:, k]
    return np.einsum("cif,nf->cni", steered, _features(chosen, k, "tyre_force_intermediate"))


def _unit(chosen: xr.Dataset, k: int) -> list[int]:
    """Positions of the corners that are solved together with corner `k`, left first."""
    partner = int(chosen["partner"].to_numpy()[k])
    return [k] if partner < 0 else sorted((k, partner))


def _mode(chosen: xr.Dataset, k: int) -> NDArray[np.int64]:
    modes = chosen["hub_mode"].to_numpy()[:, _unit(chosen, k)].astype(np.int64)
    return joint_mode(modes.T)


def _features(chosen: xr.Dataset, k: int, axes: str = "tyre_force_vehicle") -> Floats:
    """Features (sample, feature) of corner `k`; those that only tied corners have are zero."""
    unit = _unit(chosen, k)
    force = np.concatenate(
        [chosen[axes].to_numpy()[:, unit], chosen["hub_moment"].to_numpy()[:, unit, None]], axis=2
    ).transpose(1, 2, 0)
    # A component that is not known has no effect that could be told; flagged samples stay NaN.
    force[np.isnan(force).all(axis=-1)] = 0.0
    first, second, rack = chosen["feature_scale"].to_numpy()[k]
    scale = (first, rack) if len(unit) == 1 else (first, second, rack)
    found = features_of(
        force, chosen["travel"].to_numpy()[:, unit].T, chosen["rack"].to_numpy(), scale
    )
    out = np.zeros((found.shape[1], chosen.sizes["feature"]))
    out[:, : len(found)] = found.T
    return out


def own_errors(forces: xr.Dataset, k: int, samples: NDArray[np.int64]) -> Floats:
    """Effects on corner `k` alone in tyre axes, by its strongest directions.

    Returns
    -------
    ndarray (direction, sample, component)
        As `signed_errors`, with causes turned into a few directions that keep all sums of
        squares and products within the corner; quick enough for every sample of a log.

    Raises
    ------
    DataError
        The dataset is no result of `reconstruct`.
    """
    require_forces(forces, *SIGNED)
    loading = forces["loading"].to_numpy()[:, :, k]
    loading = loading + forces["loading_turned"].to_numpy()[:, None, k]
    # A cause that turns the axes depends on the forces in them and stands by itself.
    late = np.any(forces["loading_steered"].to_numpy()[:, k] != 0.0, axis=(1, 2))
    chosen = forces.isel(elapsed_time=samples)
    features = _features(chosen, k)
    size = np.sqrt(np.nanmean(features**2, axis=0)) + 1e-12
    others = loading[~late]
    _, strength, right = np.linalg.svd((others * size).reshape(len(others), -1), False)
    keep = strength > WEAKEST * strength[0]
    kept = (strength[keep, None] * right[keep]).reshape(-1, *loading.shape[1:]) / size
    kept = np.concatenate([kept, loading[late]])
    mode = _mode(chosen, k)
    out = np.zeros((len(kept), len(samples), 3))
    for m in np.unique(mode):
        at = mode == m
        out[:, at] = np.einsum("cif,nf->cni", kept[:, m], features[at])
    out[np.count_nonzero(keep) :] += _headed(forces, chosen, k)[late]
    return intermediate_to_tyre(out, chosen["heading"].to_numpy()[:, k])
