"""Made-up forces for tests of what comes after the reconstruction, with its labels and units."""

from __future__ import annotations

import numpy as np
import xarray as xr

from recon.base.status import BIT
from recon.reconstruction.result.signed_errors import STATED
from recon.records.forces import FORCES

RATE = 200.0
ATTRIBUTES = {
    "title": "Forces made up", "vehicle": "made up", "not_known": "", "bandwidth_Hz": 100.0,
    "rate_Hz": 200.0,
}  # fmt: skip


def stamped(forces: xr.Dataset) -> xr.Dataset:
    """The dataset with units as the reconstruction stamps them, its attributes, and all facts.

    Where no part of the uncertainty is stated, all of it is noise.
    """
    if "u_tyre_force" in forces and "u_tyre_force_random" not in forces:
        forces = forces.assign(u_tyre_force_random=forces["u_tyre_force"].copy())
    facts = {n: v for n, v in facts_of_some_car(forces).items() if n not in forces.variables}
    out = forces.assign(facts)
    for name in out.variables:
        if name in FORCES:
            out[name].attrs = FORCES[str(name)].attributes
    out.attrs = ATTRIBUTES | out.attrs
    return out


ALL = ("FL", "FR", "RL", "RR")


def facts_of_some_car(forces: xr.Dataset) -> dict[str, tuple]:
    """Facts of a car of 1000 kg and verdicts on its calibration, as every result has them."""
    corners = [str(name) for name in forces["corner"].to_numpy()]
    at = [[1.2 * (-1) ** (n[0] == "R"), 0.75 * (-1) ** (n[1] == "R"), 0.0] for n in corners]
    c, xyz, nothing = "corner", "component", np.zeros(len(corners))
    return {
        "contact_point": ((c, xyz), np.array(at)),
        "loaded_radius": (c, nothing + 0.3),
        "driven": (c, np.array([n[0] == "R" for n in corners], dtype=np.int8)),
        "unsprung_mass": (c, nothing + 30.0), "u_unsprung_mass": (c, nothing + 1.0),
        "u_hub_acceleration_share": ((), 0.01),
        "brake_torque_per_pressure": (c, nothing), "u_brake_torque_per_pressure": (c, nothing),
        "vehicle_mass": ((), 1000.0), "u_vehicle_mass": ((), 2.0),
        "centre_of_mass": (xyz, np.array([0.0, 0.0, 0.4])),
        "u_centre_of_mass": (xyz, np.full(3, 0.01)),
        "calibration_state": (c, np.array(["good" for _ in corners])),
        "calibration_verdict": (c, np.array([f"{n} is good" for n in corners])),
        "calibration_doubt": (c, np.array(["" for _ in corners])),
    }  # fmt: skip


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


def result_of(
    force: np.ndarray, u: np.ndarray, noise: float, loading: np.ndarray, cause: str,
    corners: tuple[str, ...] = ALL, **more: object,
) -> xr.Dataset:  # fmt: skip
    """A result at 200 Hz with one cause: forces and u (sample, corner, xyz), `noise` [N].

    Axes are all alike; `loading` (1, mode, corner, xyz, feature).
    """
    n, count = force.shape[:2]
    t, c, xyz = "elapsed_time", "corner", "component"
    flat = np.zeros((n, count))
    axes = ("tyre_force", "tyre_force_intermediate", "tyre_force_vehicle")
    made = xr.Dataset(
        {
            **dict.fromkeys(axes, ((t, c, xyz), force)),
            **dict.fromkeys(STATED.values(), ((t, c, xyz), u)),
            "u_tyre_force_random": ((t, c, xyz), np.full_like(force, noise)),
            "status": ((t, c), np.zeros((n, count), dtype=np.uint16)),
            "hub_mode": ((t, c), np.zeros((n, count), dtype=np.int8)),
            "hub_moment": ((t, c), flat), "travel": ((t, c), flat), "heading": ((t, c), flat),
            "rack": (t, np.zeros(n)),
            "loading": (("cause", "mode", c, xyz, "feature"), loading),
            "loading_added_intermediate": (("cause", c, xyz, "feature"), 0 * loading[:, 0]),
            "loading_added_tyre": (("cause", c, xyz, "feature"), 0 * loading[:, 0]),
            "feature_scale": ((c, "pose"), np.ones((count, 3))),
            "partner": (c, np.full(count, -1)),
            "largest_pull": ((c, xyz), np.full((count, 3), 1e5)),
            "cause_name": ("cause", np.array([cause])),
            **more,
        },
        coords={t: np.arange(n) / RATE, c: list(corners), xyz: ["x", "y", "z"]},
        attrs={"title": "Forces of a made-up drive", "vehicle": "made up"},
    )  # fmt: skip
    return stamped(made)
