"""Made-up forces of one tyre: steady, with stated errors, or at the limit of a known tyre."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tests.made_drives import Made
from tests.made_forces import stamped

N = 1000
Three = tuple[float, float, float]


def made(force: np.ndarray, noise: float = 0.0, u: Three = (0, 0, 0)) -> xr.Dataset:
    """A result with forces (sample, 3) of FL and one constant cause per component, `u` [N]."""
    forces = Made(np.zeros((len(force), 1)), noise=noise).forces
    for name in ("tyre_force_intermediate", "tyre_force_vehicle"):
        forces[name].values[:, 0] = force
    forces["tyre_force"] = forces["tyre_force_vehicle"].copy()
    forces["u_tyre_force"] = 0 * forces["tyre_force"] + np.hypot(noise, u)
    loading = np.zeros((3, 3, 1, 3, 14))
    for k in range(3):
        loading[k, :, 0, k, 0] = u[k]
    forces = forces.drop_dims("cause")
    forces["loading"] = (("cause", "mode", "corner", "component", "feature"), loading)
    for name in ("loading_added_intermediate", "loading_added_tyre"):
        forces[name] = (("cause", "corner", "component", "feature"), 0 * loading[:, 0])
    return stamped(forces)


def steady(fx: float = 1200.0, fy: float = -1600.0, fz: float = 2500.0, n: int = N) -> np.ndarray:
    return np.tile([fx, fy, fz], (n, 1))


def limit(load: np.ndarray | float) -> np.ndarray:
    """A tyre that is sensitive to load."""
    return np.asarray(1.25 * 3000.0 * (np.asarray(load) / 3000.0) ** 0.8)


def uses(kind: str, n: int, load: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Shares of the limit (sample,) that a driver may have used."""
    if kind == "always at the limit":
        return np.ones(n)
    if kind == "one sample in five":
        return np.where(rng.random(n) < 0.2, 1.0, rng.random(n))
    if kind == "a weave":
        return np.abs(np.sin(np.linspace(0.0, 60 * np.pi, n)))
    assert kind == "heavy loads only"
    return np.where((load > 3500) & (rng.random(n) < 0.3), 1.0, 0.85 * rng.random(n))


def driven(
    seed: int, kind: str = "one sample in five", *, most: float = 1.0, noise: float = 0.05,
    n: int = 16_000,
) -> xr.Dataset:  # fmt: skip
    """Forces of FL in left turns, with noise on every component, and its stated size."""
    rng = np.random.default_rng(seed)
    load = rng.uniform(1200.0, 5500.0, n)
    side = most * uses(kind, n, load, rng) * limit(load)
    force = np.column_stack([np.zeros(n), side, load])
    u = np.column_stack([np.full(n, 1.0), noise * side, np.full(n, 1.0)])
    forces = made(force + u * rng.standard_normal((n, 3)))
    forces["u_tyre_force_random"].values[:, 0] = u
    forces["u_tyre_force"] = forces["u_tyre_force_random"].copy()
    return forces
