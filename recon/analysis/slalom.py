"""Slalom: peak lateral force per cone, tyre and axle, and the front axle's share.

Gate: half-waves of the lateral force of all reconstructed tyres together, in intermediate
axes, that rise above a share of the drive's own high quantile.  Peak: noise-corrected high
quantile over the half-wave, at the stated bandwidth.  Invalid where a half-wave has gaps.
An axle whose tyres are known only as a sum has a peak without those of its tyres.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning
from recon.base.status import AT_BOUND
from recon.base.uncertainty import COVERAGE_FACTOR, fewest_samples, noise_corrected_quantile
from recon.conditioning.filters import low_pass, require_bandwidth, zero_phase_gain
from recon.planning.combinations import NEARLY
from recon.reconstruction.signed import Loadings
from recon.records.forces import SIGNED, require_forces

if TYPE_CHECKING:
    import xarray as xr

BANDWIDTH = 8.0  # Hz; about twenty times a slalom's frequency
PEAK_SHARE = 0.98  # of a half-wave below its peak; a half sine then reads 0.05 % low
TURN_SHARE = 0.25  # of the drive's high quantile that a half-wave must reach
KNOWN_SHARE = 0.8  # of a half-wave's samples; with less its peak may lie in the gap
FEWEST_CONES = 3
NEEDED = ("tyre_force_intermediate", "u_tyre_force_random", "status", *SIGNED)
AXLES = {"front": ("FL", "FR"), "rear": ("RL", "RR")}


def slalom(forces: xr.Dataset, *, bandwidth: float = BANDWIDTH) -> xr.Dataset:
    """Peak lateral force per cone with intervals, and front share.

    Forces are those of the road on the tyre, intermediate axes; a peak keeps the sign of its
    side (left positive).

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    bandwidth : float
        At which peaks are read, -3 dB; never more than that of the forces. [Hz]

    Returns
    -------
    Dataset
        `cone_time` (cone,) [s]; `peak_lateral_force` (cone, corner) [N] with `u_`, `_lower`,
        `_upper`; `axle_peak_lateral_force` (cone, axle) the same; `front_share` (cone,) with
        `u_front_share`, NaN where one axle is not known (an axle may be known as a sum where its
        tyres are not); `share_at_bound` (cone, corner) [1].
        The attribute `not_known` says in words what is missing and why.

    Raises
    ------
    DataError
        No forces, a bandwidth that is not above zero, or fewer than three alternations of the
        lateral force.

    Warns
    -----
    DataWarning
        The forces have less than that bandwidth.
    """
    require_forces(forces, *NEEDED)
    elapsed = forces["elapsed_time"].to_numpy()
    rate = 1.0 / float(np.median(np.diff(elapsed)))
    bandwidth = _bandwidth(forces, bandwidth, rate)
    raw = forces["tyre_force_intermediate"].to_numpy().astype(float)[:, :, 1]
    sums = _known_sums(forces)
    if not (np.isfinite(raw).any() or sums):
        raise DataError(
            where=str(forces.attrs.get("title", "forces")),
            found=f"no known lateral force at {', '.join(map(str, forces['corner'].to_numpy()))}",
            needed="at least one tyre whose lateral force is known",
            do=str(forces.attrs.get("not_known")) or "Look at the status flags of the forces.",
        )
    lateral = low_pass(raw, bandwidth, rate)
    sums = {
        axle: replace(known, value=low_pass(known.value[:, None], bandwidth, rate)[:, 0])
        for axle, known in sums.items()
    }
    parts = np.column_stack([lateral, *(known.value for known in sums.values())])
    waves = half_waves(np.nansum(parts, axis=1), rate)
    if len(waves) < FEWEST_CONES:
        raise DataError(
            str(forces.attrs.get("title", "forces")),
            f"{len(waves)} alternations of the lateral force in {elapsed[-1] - elapsed[0]:.1f} s",
            f"at least {FEWEST_CONES} (a slalom)",
            "Cut the log to the slalom, or use friction use, which needs no cones.",
        )
    passed = zero_phase_gain(bandwidth, rate) / zero_phase_gain(
        float(forces.attrs.get("bandwidth_Hz", 0.5 * rate)), rate
    )
    noise = forces["u_tyre_force_random"].to_numpy()[:, :, 1].astype(float) * min(passed, 1.0)
    bound = (forces["status"].to_numpy() & AT_BOUND) > 0
    corners = [str(c) for c in forces["corner"].to_numpy()]
    drive = _Drive(forces, Loadings(forces), lateral, noise, bound, corners, waves, sums)
    return _answer(drive, bandwidth)


@dataclass(frozen=True, slots=True)
class _Sum:
    """Lateral force of an axle whose tyres are known together only, and its u, (sample,) [N]."""

    value: Floats
    u: Floats


def _known_sums(forces: xr.Dataset) -> dict[str, _Sum]:
    """Axles of which the sum of both lateral forces is known, and neither of the two."""
    if "known_sum" not in forces:
        return {}
    corners = [str(c) for c in forces["corner"].to_numpy()]
    out = {}
    for axle, names in AXLES.items():
        at = [corners.index(name) for name in names if name in corners]
        for j, weight in enumerate(forces["sum_weight"].to_numpy()):
            own = weight[at, 1]
            if len(at) < 2 or np.abs(weight).sum() > np.abs(own).sum() + NEARLY or own.min() <= 0:
                continue
            value = forces["sum_of_forces"].to_numpy()[:, j].astype(float)
            # Weights that differ leave a share of the tyres' difference in it, at most the sum.
            mixed = np.ptp(own) / 2 * np.abs(value) / np.sqrt(3.0)
            out[axle] = _Sum(value, np.hypot(forces["u_sum_of_forces"].to_numpy()[:, j], mixed))
    return out


def _bandwidth(forces: xr.Dataset, asked: float, rate: float) -> float:
    """The bandwidth that was asked for, or as much of it as the forces have."""
    place = str(forces.attrs.get("title", "forces"))
    if not asked > 0:
        raise DataError(
            place,
            f"bandwidth = {asked:g} Hz asked for",
            "a bandwidth above 0 Hz",
            f"Leave it out for the usual {BANDWIDTH:g} Hz, some twenty times a slalom's frequency.",
        )
    there = float(forces.attrs.get("bandwidth_Hz", 0.5 * rate))
    if asked > there:
        warnings.warn(
            f"{place}: peaks are read at {there:g} Hz, the bandwidth of these forces; "
            f"{asked:g} Hz asked for",
            DataWarning,
            stacklevel=3,
        )
    return require_bandwidth(min(asked, there), rate, place)


def half_waves(total: Floats, rate: float) -> list[tuple[slice, int]]:
    """Half-waves (slice, side) of an alternating force; side is +1 left, -1 right.

    `total` (sample,) [N] is sampled at `rate` [Hz].  Half-waves whose peak is below `TURN_SHARE`
    of the drive's 95 % quantile are left out: straight running and noise around zero.
    """
    smooth = low_pass(np.nan_to_num(total)[:, None], min(2.0, 0.2 * rate), rate)[:, 0]
    level = TURN_SHARE * float(np.quantile(np.abs(smooth), 0.95))
    sign = np.sign(smooth)
    edges = np.flatnonzero(np.concatenate([[True], sign[1:] != sign[:-1], [True]]))
    waves: list[tuple[slice, int]] = []
    for first, last in pairwise(edges):
        if np.max(np.abs(smooth[first:last])) < level:
            continue
        side = int(sign[first])
        if waves and waves[-1][1] == side:
            waves[-1] = (slice(waves[-1][0].start, int(last)), side)
        else:
            waves.append((slice(int(first), int(last)), side))
    return waves


@dataclass(frozen=True, slots=True)
class _Drive:
    """Lateral force at the bandwidth, its noise, and where it is at a bound, (sample, corner).

    `sums` of axles whose tyres are not known by themselves.
    """

    forces: xr.Dataset
    loadings: Loadings
    lateral: Floats
    noise: Floats
    bound: NDArray[np.bool_]
    corners: list[str]
    waves: list[tuple[slice, int]]
    sums: dict[str, _Sum]

    @property
    def axles(self) -> dict[str, list[int]]:
        """Positions of both corners of every axle that has both."""
        return {
            axle: [self.corners.index(name) for name in names]
            for axle, names in AXLES.items()
            if set(names) <= set(self.corners)
        }

    def tyre(self, k: int) -> _Force:
        """Lateral force of one tyre."""
        return self._of_tyres([k])

    def axle(self, name: str) -> _Force:
        """Lateral force of an axle: of its tyres together, or the sum that alone is known."""
        if name not in self.sums:
            return self._of_tyres(self.axles[name])
        known = self.sums[name]
        return _Force(known.value, np.zeros_like(known.value), lambda at: known.u[at].mean(), None)

    def together(self) -> list[_Force]:
        """Tyres, and in place of those that are not known by themselves the sums of axles."""
        summed = {k for axle in self.sums for k in self.axles[axle]}
        tyres = [self.tyre(k) for k in range(len(self.corners)) if k not in summed]
        return tyres + [self.axle(name) for name in self.sums]

    def _of_tyres(self, members: list[int]) -> _Force:
        def effect(at: NDArray[np.int64]) -> Floats:
            effects = [self.loadings.errors(k, at)[..., 1].mean(axis=1) for k in members]
            return np.asarray(np.sum(effects, axis=0))

        noise = np.sqrt(np.sum(self.noise[:, members] ** 2, axis=1))
        value = self.lateral[:, members].sum(axis=1)
        return _Force(value, noise, lambda at: float(np.linalg.norm(effect(at))), effect)


@dataclass(frozen=True, slots=True)
class _Force:
    """A lateral force [N] and its errors.

    `value` and `noise` (sample,); `fixed` gives the standard uncertainty of the mean over some
    samples beside the noise, `effect` the same cause by cause, signed, where that is known.
    """

    value: Floats
    noise: Floats
    fixed: Callable[[NDArray[np.int64]], float]
    effect: Callable[[NDArray[np.int64]], Floats] | None


def _answer(drive: _Drive, bandwidth: float) -> xr.Dataset:
    import xarray as xr

    axles, forces, n = drive.axles, drive.forces, len(drive.waves)
    peak, u_peak = (np.full((n, len(drive.corners)), np.nan) for _ in range(2))
    axle, u_axle = (np.full((n, len(axles)), np.nan) for _ in range(2))
    share, u_share, when = (np.full(n, np.nan) for _ in range(3))
    tyres = [drive.tyre(k) for k in range(len(drive.corners))]
    of_axle = {name: drive.axle(name) for name in axles}
    together, elapsed = drive.together(), forces["elapsed_time"].to_numpy()
    for i, (part, side) in enumerate(drive.waves):
        for k, tyre in enumerate(tyres):
            # A wheel that left the ground is at its bound there: no measurement of a peak.
            peak[i, k], u_peak[i, k], _ = _peak(tyre, part, side, ~drive.bound[part, k])
        for a, name in enumerate(axles):
            axle[i, a], u_axle[i, a], _ = _peak(of_axle[name], part, side)
        top, every = _crest(together, part, side)
        if len(top):
            when[i] = elapsed[top].mean()
        if len(axles) == 2 and len(top) and every:
            share[i], u_share[i] = _front_share(of_axle["front"], of_axle["rear"], top)
    at_bound = np.array([drive.bound[part].mean(axis=0) for part, _ in drive.waves])
    limits = _limits(peak, u_peak, "peak_lateral_force", ("cone", "corner"))
    limits |= _limits(axle, u_axle, "axle_peak_lateral_force", ("cone", "axle"))
    limits |= _limits(share, u_share, "front_share", ("cone",))
    words = "share of the half-wave at a bound, left out of the tyre's peak"
    limits["share_at_bound"] = (("cone", "corner"), at_bound, {"units": "1", "long_name": words})
    limits["cone_time"] = (("cone",), when, {"units": "s", "long_name": "time of the total peak"})
    direction = {
        "long_name": "direction of the force",
        "flag_values": np.array([-1, 1], dtype=np.int8),
        "flag_meanings": "right left",
    }
    limits["side"] = (("cone",), np.array([s for _, s in drive.waves], dtype=np.int8), direction)
    return xr.Dataset(
        limits,
        coords={
            "cone": ("cone", np.arange(1, n + 1), {"long_name": "cone, counted along the drive"}),
            "corner": forces["corner"],
            "axle": ("axle", np.asarray(list(axles), dtype=str), {"long_name": "axle"}),
        },
        attrs={
            "title": f"Slalom: {forces.attrs.get('vehicle', '')}",
            "source": "reconstructed tyre forces",
            "institution": forces.attrs.get("institution", "not stated"),
            "references": "ISO 8855:2011 for axes",
            "comment": f"peaks are noise-corrected {100 * PEAK_SHARE:.0f} % quantiles per "
            f"half-wave, {bandwidth:g} Hz bandwidth, intermediate axes",
            "bandwidth_Hz": bandwidth,
            "not_known": "; ".join(_reasons(drive, np.isnan(peak))),
        },
    )


def _reasons(drive: _Drive, missing: NDArray[np.bool_]) -> list[str]:
    """Reasons for every peak that is missing, one sentence each; `missing` (cone, corner)."""
    out = []
    for axle, names in AXLES.items():
        absent = " and ".join(name for name in names if name not in drive.corners)
        if absent:
            out.append(
                f"{absent} not in the forces, so no peak of the {axle} axle and no front share"
            )
    for k, name in enumerate(drive.corners):
        if not np.isfinite(drive.lateral[:, k]).any():
            axle = next(axle for axle, names in AXLES.items() if name in names)
            out.append(
                f"{name}: lateral force never known, so it has no peak; the peak of the {axle} "
                "axle is known from a sum"
                if axle in drive.sums
                else f"{name}: lateral force never known, so it has no peak, its axle no sum, "
                "and no cone a front share (cones are found from the other tyres)"
            )
            continue
        causes: dict[str, list[str]] = {}
        for i in np.flatnonzero(missing[:, k]):
            causes.setdefault(_cause(drive, drive.waves[i][0], k), []).append(str(i + 1))
        out += [
            f"{name}: no peak at cone{'s' if cones[1:] else ''} {', '.join(cones)}, {cause}"
            for cause, cones in causes.items()
        ]
    return out


def _cause(drive: _Drive, part: slice, k: int) -> str:
    if part.stop - part.start < fewest_samples(PEAK_SHARE):
        return f"its half-wave has fewer than the {fewest_samples(PEAK_SHARE)} samples needed"
    if drive.bound[part, k].mean() > np.isnan(drive.lateral[part, k]).mean():
        return "at a bound over too much of the half-wave"
    return "forces not known over too much of the half-wave"


def _crest(together: list[_Force], part: slice, side: int) -> tuple[NDArray[np.int64], bool]:
    """Top samples of all that is known of a half-wave, and whether that is every tyre."""
    seen = [force for force in together if _enough(np.isfinite(force.value[part]))]
    if not seen:
        return np.empty(0, dtype=np.int64), False
    total = np.sum([force.value[part] for force in seen], axis=0)
    noise = np.sqrt(np.sum([force.noise[part] ** 2 for force in seen], axis=0))
    _, _, top = _peak(_Force(total, noise, lambda _: 0.0, None), slice(0, len(total)), side)
    return part.start + top, len(seen) == len(together)


def _enough(use: NDArray[np.bool_]) -> bool:
    """Whether the samples in use are enough for the peak of a half-wave."""
    return bool(use.mean() >= KNOWN_SHARE and use.sum() >= fewest_samples(PEAK_SHARE))


def _peak(
    force: _Force, part: slice, side: int, usable: NDArray[np.bool_] | bool = True
) -> tuple[float, float, NDArray[np.int64]]:
    """Peak of a force over a half-wave, its standard uncertainty, top samples."""
    use = np.isfinite(force.value[part]) & usable
    at = np.arange(part.start, part.stop)[use]
    if not _enough(use):
        return np.nan, np.nan, np.empty(0, dtype=np.int64)
    values, spread = side * force.value[at], force.noise[at]
    height = noise_corrected_quantile(values, spread, PEAK_SHARE)
    top = at[values >= np.quantile(values, PEAK_SHARE)]
    # The quantile averages over its neighbourhood; one sample's noise is the cautious choice.
    # Ripple on the crest leaves open what its peak is: somewhere up to the largest sample.
    crest = (float(np.max(values)) - height) / np.sqrt(3.0)
    u_squared = force.fixed(_few(top)) ** 2 + np.mean(spread**2) + crest**2
    return side * height, float(np.sqrt(u_squared)), top


def _few(top: NDArray[np.int64]) -> NDArray[np.int64]:
    """Some of the top samples, because their fixed errors are alike."""
    return top[:: max(len(top) // 8, 1)]


def _front_share(front: _Force, rear: _Force, top: NDArray[np.int64]) -> tuple[float, float]:
    total = (front.value[top] + rear.value[top]).mean()
    share = front.value[top].mean() / total
    few = _few(top)
    if front.effect and rear.effect:
        by_cause = (1 - share) * front.effect(few) - share * rear.effect(few)
        fixed = float(np.linalg.norm(by_cause))
    else:
        # Which causes an axle's sum shares with the other axle is not known: the worst case.
        fixed = abs(1 - share) * front.fixed(few) + abs(share) * rear.fixed(few)
    own = (1 - share) ** 2 * front.noise[top] ** 2 + share**2 * rear.noise[top] ** 2
    return float(share), float(np.sqrt(fixed**2 + own.mean()) / abs(total))


def _limits(value: Floats, u: Floats, name: str, dims: tuple[str, ...]) -> dict[str, tuple]:
    unit, words = "1" if name.endswith("share") else "N", name.replace("_", " ")
    entries = (
        (name, value, words),
        (f"u_{name}", u, f"standard uncertainty of {words}"),
        (f"{name}_lower", value - COVERAGE_FACTOR * u, f"lower 95 % limit of {words}"),
        (f"{name}_upper", value + COVERAGE_FACTOR * u, f"upper 95 % limit of {words}"),
    )
    return {key: (dims, array, {"units": unit, "long_name": text}) for key, array, text in entries}
