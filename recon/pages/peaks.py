"""Largest forces of a drive, of axles where both tyres are known, with their intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.filters import is_filtered, low_pass, noise_left
from recon.pages.axles import axle_corners
from recon.reconstruction.result.signed_errors import RANDOM, signed_errors

BANDWIDTH = 10.0  # Hz; a peak lasts 0.1 s or so, and is no single noisy sample
CLEAR = 3.0  # half-widths; a smaller force is no peak worth a line
AXLE = " axle"
SMALL = 0.1  # of the largest force of the axle
WAYS = ((1, 1, "to the left"), (1, -1, "to the right"), (0, -1, "braking"), (0, 1, "driving"))


@dataclass(frozen=True, slots=True)
class Peak:
    """A largest force [N] of a tyre or axle one way, half of its 95 % interval, its time [s].

    `force` is its name on the page: "front.y" or "FL.x".
    """

    of: str
    force: str
    way: str
    size: float
    half: float
    time: float


def largest_forces(forces: xr.Dataset) -> list[Peak]:
    """Largest horizontal forces of every axle of which both tyres are known, else of every tyre.

    Tyre axes, low-passed to `BANDWIDTH`.  Errors that both tyres share keep their sign in the sum;
    noise shrinks with the bandwidth.
    """
    groups = _groups(forces)
    rate, own = float(forces.attrs["rate_Hz"]), float(forces.attrs["bandwidth_Hz"])
    bandwidth = min(BANDWIDTH, own)
    values = _sums(forces, groups)
    passed = 1.0
    if bandwidth < own and is_filtered(bandwidth, rate):
        flat = low_pass(values.reshape(len(values), -1), bandwidth, rate)
        values = flat.reshape(values.shape)
        passed = noise_left(bandwidth, own, rate)
    ways = [
        (g, axis, sign, words)
        for g in range(len(groups))
        for axis, sign, words in WAYS
        if np.isfinite(values[:, g, axis]).any()
    ]
    at = np.array([np.nanargmax(sign * values[:, g, axis]) for g, axis, sign, _ in ways], dtype=int)
    if not at.size:
        return []
    effects = signed_errors(forces, at, "tyre")
    noise = passed * forces[RANDOM].to_numpy()[at].astype(float)
    time = forces["elapsed_time"].to_numpy()
    most = np.nanmax(np.abs(values), axis=(0, 2))
    out = []
    for n, (g, axis, sign, words) in enumerate(ways):
        name, members = groups[g]
        fixed = effects[:, n, members, axis].sum(axis=1)
        u = np.sqrt(np.sum(fixed**2) + np.sum(noise[n, members, axis] ** 2))
        size, half = sign * float(values[at[n], g, axis]), COVERAGE_FACTOR * float(u)
        if size > max(CLEAR * half, SMALL * most[g]):
            force = f"{name.removesuffix(AXLE)}.{'xyz'[axis]}"
            out.append(Peak(name, force, words, size, half, float(time[at[n]])))
    return out


def _groups(forces: xr.Dataset) -> list[tuple[str, NDArray[np.int64]]]:
    """Axles with both tyres, and the tyres that are left, by positions of their corners."""
    pairs = axle_corners(forces)
    used = {k for pair in pairs.values() for k in pair}
    corners = corner_names(forces)
    axles = [(f"{axle}{AXLE}", np.array(pair)) for axle, pair in pairs.items()]
    return axles + [(c, np.array([k])) for k, c in enumerate(corners) if k not in used]


def _sums(forces: xr.Dataset, groups: list[tuple[str, NDArray[np.int64]]]) -> Floats:
    """Sums (sample, group, component) [N] of tyre forces; NaN where one tyre is not known."""
    values = forces["tyre_force"].to_numpy()
    return np.stack([values[:, at].astype(float).sum(axis=1) for _, at in groups], axis=1)
