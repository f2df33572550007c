"""Signed errors of a result, cause by cause, for sums, shares and differences of forces.

A result carries the loadings of every cause (see `causes`).  Given samples, this module turns
them into newtons per standard uncertainty of each cause; causes shared by corners and samples
keep their sign.  Standard deviations alone would not do: they add what cancels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.reconstruction.solve import features_of

if TYPE_CHECKING:
    import xarray as xr

Floats = NDArray[np.float64]


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
    """
    chosen = forces.isel(elapsed_time=samples)
    loading = forces["loading"].to_numpy()
    n_causes, _, corners = loading.shape[:3]
    out = np.zeros((n_causes, len(samples), corners, 3))
    for k in range(corners):
        features = _features(chosen, k)
        mode = chosen["hub_mode"].to_numpy()[:, k]
        for m in np.unique(mode):
            at = mode == m
            out[:, at, k] = np.einsum("cif,nf->cni", loading[:, m, k], features[at])
        if axes != "vehicle":
            turned = forces["loading_turned"].to_numpy()[:, k]
            out[:, :, k] += np.einsum("cif,nf->cni", turned, features)
        if axes == "tyre":
            steered = forces["loading_steered"].to_numpy()[:, k]
            out[:, :, k] += np.einsum("cif,nf->cni", steered, features)
            angle = chosen["heading"].to_numpy()[:, k]
            c, s = np.cos(angle), np.sin(angle)
            x, y = out[:, :, k, 0].copy(), out[:, :, k, 1].copy()
            out[:, :, k, 0], out[:, :, k, 1] = c * x + s * y, c * y - s * x
    return out


def _features(chosen: xr.Dataset, k: int) -> Floats:
    force = np.column_stack(
        [chosen["tyre_force_vehicle"].to_numpy()[:, k], chosen["hub_moment"].to_numpy()[:, k]]
    ).astype(float)
    travel = chosen["travel"].to_numpy()[:, k]
    rack = chosen["rack"].to_numpy()
    scale = chosen["feature_scale"].to_numpy()[k]
    return features_of(force, travel, rack, (float(scale[0]), float(scale[1])))


def random_errors(forces: xr.Dataset, samples: NDArray[np.int64]) -> Floats:
    """Standard uncertainty per sample from noise alone, (sample, corner, component). [N]"""
    return forces["u_tyre_force_random"].isel(elapsed_time=samples).to_numpy().astype(float)
