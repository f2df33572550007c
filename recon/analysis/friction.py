"""Friction use per tyre: sqrt(Fx^2 + Fy^2) / Fz, and the highest use that was demonstrated.

Gate: vertical force above a stated load, no bound active, forces known.  The highest
demonstrated use is a noise-corrected high quantile; it says what the tyre did, not what it
could do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.status import AT_BOUND
from recon.base.uncertainty import COVERAGE_FACTOR, fewest_samples, noise_corrected_quantile
from recon.reconstruction.signed import Loadings
from recon.records.forces import SIGNED, require_forces

if TYPE_CHECKING:
    import xarray as xr

LOW_LOAD = 800.0  # N; below it noise dominates the ratio of forces
DEMONSTRATED_SHARE = 0.99
FEWEST_SAMPLES = fewest_samples(DEMONSTRATED_SHARE)
MOST_AT_TOP = 200  # samples that stand for the highest use
NEEDED = ("tyre_force", "u_tyre_force_random", "status", *SIGNED)


def friction_use(forces: xr.Dataset, *, low_load: float = LOW_LOAD) -> xr.Dataset:
    """Friction use of every tyre at every sample, and the highest demonstrated use.

    Tyre axes; forces are those of the road on the tyre.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    low_load : float
        Samples with less vertical force are NaN. [N]

    Returns
    -------
    Dataset
        `friction_use`, `u_friction_use` (elapsed_time, corner) [1]; per corner
        `highest_demonstrated_use` with `u_`, `_lower`, `_upper` and `samples_used`.

    Raises
    ------
    DataError
        No forces, a load gate that is no number from zero up, or no tyre has enough samples
        above it.
    """
    import xarray as xr

    require_forces(forces, *NEEDED)
    if not 0 <= low_load < np.inf:
        raise DataError(
            str(forces.attrs.get("title", "forces")),
            f"low_load = {low_load:g} N asked for",
            "a vertical force from 0 N up",
            f"Leave it out for the usual {LOW_LOAD:g} N.",
        )
    loadings = Loadings(forces)
    corners = [str(c) for c in forces["corner"].to_numpy()]
    n = forces.sizes["elapsed_time"]
    use, u_use = np.full((n, len(corners)), np.nan), np.full((n, len(corners)), np.nan)
    best = np.full((3, len(corners)), np.nan)
    for k in range(len(corners)):
        at = _gate(forces, k, low_load)
        if len(at) < FEWEST_SAMPLES:
            continue
        values, random, u = _use(forces, loadings, k, at)
        use[at, k], u_use[at, k] = values, u
        best[:, k] = *_highest(forces, loadings, k, at, values, random), len(at)
    if np.all(np.isnan(best[2])):
        raise _nothing(forces, low_load)
    per_sample, per_corner = ("elapsed_time", "corner"), ("corner",)
    half = COVERAGE_FACTOR * best[1]
    entries = (
        ("friction_use", per_sample, use),
        ("u_friction_use", per_sample, u_use),
        ("highest_demonstrated_use", per_corner, best[0]),
        ("u_highest_demonstrated_use", per_corner, best[1]),
        ("highest_demonstrated_use_lower", per_corner, best[0] - half),
        ("highest_demonstrated_use_upper", per_corner, best[0] + half),
        ("samples_used", per_corner, best[2]),
    )
    return xr.Dataset(
        {
            name: (dims, values, {"units": "1", "long_name": _in_words(name)})
            for name, dims, values in entries
        },
        coords={"elapsed_time": forces["elapsed_time"], "corner": forces["corner"]},
        attrs={
            "title": f"Friction use: {forces.attrs.get('vehicle', '')}",
            "source": "reconstructed tyre forces, tyre axes",
            "institution": forces.attrs.get("institution", "not stated"),
            "references": "ISO 8855:2011 for axes",
            "comment": f"samples under {low_load:g} N or at a bound are left out; "
            f"the highest demonstrated use is the noise-corrected {100 * DEMONSTRATED_SHARE:g} % "
            "quantile",
            "bandwidth_Hz": forces.attrs.get("bandwidth_Hz", np.nan),
            "low_load_N": low_load,
        },
    )


def _in_words(name: str) -> str:
    bare, limit = name.removeprefix("u_"), name.rpartition("_")[2]
    prefix = "" if bare == name else "standard uncertainty of "
    if limit in ("lower", "upper"):
        bare, prefix = bare.removesuffix(f"_{limit}"), f"{limit} 95 % limit of "
    return prefix + bare.replace("_", " ")


def _nothing(forces: xr.Dataset, low_load: float) -> DataError:
    """The error where no tyre has enough samples with all three forces."""
    unseen = str(forces.attrs.get("not_known", ""))
    return DataError(
        str(forces.attrs.get("title", "forces")),
        f"no tyre with {FEWEST_SAMPLES} samples above {low_load:.0f} N of vertical force",
        f"at least {FEWEST_SAMPLES} known samples of one tyre",
        f"Friction use needs all three forces: {unseen}."
        if unseen
        else "Check the tares (a wrong zero unloads a tyre), or lower low_load knowingly.",
    )


def _gate(forces: xr.Dataset, k: int, low_load: float) -> NDArray[np.int64]:
    force = forces["tyre_force"].to_numpy()[:, k]
    bound = (forces["status"].to_numpy()[:, k] & AT_BOUND) > 0
    return np.flatnonzero(np.isfinite(force).all(axis=1) & (force[:, 2] > low_load) & ~bound)


def _use(
    forces: xr.Dataset, loadings: Loadings, k: int, at: NDArray[np.int64]
) -> tuple[Floats, Floats, Floats]:
    """Use, its noise per sample and its standard uncertainty in total, (sample,) each."""
    force = forces["tyre_force"].to_numpy()[at, k].astype(float)
    slope, values = _slopes(force)
    random = forces["u_tyre_force_random"].to_numpy()[at, k].astype(float)
    noise = np.sqrt(np.sum((slope * random) ** 2, axis=1))
    return values, noise, np.sqrt(noise**2 + loadings.variance(k, at, slope))


def _slopes(force: Floats) -> tuple[Floats, Floats]:
    """Change of the use per newton of each component, (sample, 3), and the use itself."""
    flat = np.hypot(force[:, 0], force[:, 1])
    values = flat / force[:, 2]
    safe = np.maximum(flat, 1.0)
    x, y = force[:, 0] / (safe * force[:, 2]), force[:, 1] / (safe * force[:, 2])
    return np.column_stack([x, y, -values / force[:, 2]]), values


def _highest(
    forces: xr.Dataset,
    loadings: Loadings,
    k: int,
    at: NDArray[np.int64],
    values: Floats,
    noise: Floats,
) -> tuple[float, float]:
    """Highest demonstrated use of tyre `k` and its u; `at`, `values` and `noise` (sample,)."""
    height = noise_corrected_quantile(values, noise, DEMONSTRATED_SHARE)
    top = np.flatnonzero(values >= np.quantile(values, DEMONSTRATED_SHARE))
    top = top[:: len(top) // MOST_AT_TOP + 1]
    slope, _ = _slopes(forces["tyre_force"].to_numpy()[at[top], k].astype(float))
    widening = loadings.beyond(k, at[top], "tyre")[:, :, k]
    causes = np.concatenate([loadings.errors(k, at[top], "tyre"), widening])
    effect = np.einsum("cni,ni->cn", causes, slope).mean(axis=1)
    u = np.sqrt(np.sum(effect**2) + np.mean(noise[top] ** 2))
    return height, float(u)
