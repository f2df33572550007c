"""Made-up forces for tests of what comes after the reconstruction, with its labels and units."""

from __future__ import annotations

import numpy as np
import xarray as xr

from recon.base.status import BIT
from recon.records.forces import FORCES

ATTRIBUTES = {
    "title": "Forces made up", "vehicle": "made up", "not_known": "", "bandwidth_Hz": 100.0,
    "rate_Hz": 200.0,
}  # fmt: skip


def stamped(forces: xr.Dataset) -> xr.Dataset:
    """The dataset with units as the reconstruction stamps them, and its attributes."""
    out = forces.copy()
    for name in out.variables:
        if name in FORCES:
            out[name].attrs = FORCES[str(name)].attributes
    out.attrs = ATTRIBUTES | out.attrs
    return out


ALL = ("FL", "FR", "RL", "RR")


def forces_of(
    corners: tuple[str, ...] = ALL, samples: int = 1001, rate: float = 500.0
) -> xr.Dataset:
    """Forces of a made-up weave; every corner has a half-width of 100 N in y."""
    time = np.arange(samples) / rate
    force = np.empty((samples, len(corners), 3))
    for k in range(len(corners)):
        force[:, k, 0] = 800 * np.cos(2 * np.pi * time)
        force[:, k, 1] = (2000 + 100 * k) * np.sin(2 * np.pi * time)
        force[:, k, 2] = 2500 + 1500 * np.sin(2 * np.pi * time + k)
    dims = ("elapsed_time", "corner", "component")
    u = np.full(force.shape, 100 / 1.96)
    made = xr.Dataset(
        {
            "tyre_force": (dims, force),
            "u_tyre_force": (dims, u),
            "tyre_force_lower": (dims, force - 100),
            "tyre_force_upper": (dims, force + 100),
            "status": (dims[:2], np.zeros(force.shape[:2], dtype=np.uint16)),
        },
        coords={"elapsed_time": time, "corner": list(corners), "component": ["x", "y", "z"]},
        attrs={"bandwidth_Hz": 124.9999999},
    )
    return stamped(made)


def lose(forces, part, corner, *flags):
    """Take the numbers of one corner away and flag why."""
    for name in ("tyre_force", "tyre_force_lower", "tyre_force_upper"):
        forces[name].loc[{"corner": corner}][part] = np.nan
    forces["status"].loc[{"corner": corner}][part] = sum(BIT[f] for f in flags)
