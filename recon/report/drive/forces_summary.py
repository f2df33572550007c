"""Reconstructed forces in words."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.noise_corrected_quantile import fewest_samples, noise_corrected_quantile
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import FLAGS
from recon.reconstruction.weighing import Weighing
from recon.records.scratch import copied

PEAK_SHARE = 0.999


def forces_summary(forces: xr.Dataset) -> list[str]:
    """Peak forces with intervals, flags, and what was assumed."""
    elapsed = forces["elapsed_time"].to_numpy()
    lines = [
        f"{forces.attrs['title']}: {len(elapsed)} samples, {elapsed[-1] - elapsed[0]:.1f} s, "
        f"bandwidth {forces.attrs['bandwidth_Hz']:.4g} Hz",
        f"peaks in tyre axes, N, with 95 % limits (noise-corrected {100 * PEAK_SHARE:g} % "
        "quantiles, not the largest samples):",
    ]
    for k, name in enumerate(forces["corner"].to_numpy()):
        cells = [_peak_cell(forces, elapsed, k, i) for i in range(3)]
        lines.append(f"  {name}: " + ", ".join(cells))
    lines += [*_calibration_lines(forces), *_flag_lines(forces)]
    sums = range(forces.sizes.get("known_sum", 0))
    return lines + [f"  known: {_sum_cell(forces, elapsed, j)}" for j in sums]


def weighing_lines(weighings: tuple[Weighing, ...]) -> list[str]:
    """Load on each pad by its scale and by the gauges."""
    lines = []
    for w in weighings:
        verdict = "agree" if w.agrees else "DISAGREE: check the load cell, the pad and the tare"
        lines.append(
            f"  weighed {w.when}, {w.corner}: gauges {w.measured:.0f} N, pad {w.pad:.0f} N, "
            f"difference +-{COVERAGE_FACTOR * w.u:.0f} N (95 %): {verdict}"
        )
    return lines


def _sum_cell(forces: xr.Dataset, elapsed: Floats, j: int) -> str:
    words = str(forces["known_sum"].to_numpy()[j]).split(", known to")[0].split(" is known to")[0]
    value = forces["sum_of_forces"].to_numpy()[:, j]
    if not np.any(np.isfinite(value)):
        return f"{words}, at no sample"
    at = int(np.nanargmax(np.abs(value)))
    half = COVERAGE_FACTOR * float(forces["u_sum_of_forces"].to_numpy()[at, j])
    return f"{words}, largest sample {value[at]:.0f} +-{half:.0f} N at {elapsed[at]:.2f} s"


def _peak_cell(forces: xr.Dataset, elapsed: Floats, k: int, i: int) -> str:
    """Peak of one component with limits and the time of a sample at it."""
    axis = "xyz"[i]
    values, noise, u_all = (
        forces[name].to_numpy()[:, k, i]
        for name in ("tyre_force", "u_tyre_force_random", "u_tyre_force")
    )
    known = np.isfinite(values)
    count, enough = int(np.count_nonzero(known)), fewest_samples(PEAK_SHARE)
    if not count:
        return f"F{axis} not known"
    if count < enough:
        return f"F{axis} no peak ({count} known samples, {enough} needed)"
    negative = -np.fmin.reduce(values) > np.fmax.reduce(values)
    ours, noise = (values, noise) if count == len(known) else (values[known], noise[known])
    peak = noise_corrected_quantile(-ours if negative else ours, noise, PEAK_SHARE)
    peak = -peak if negative else peak
    away = copied(values)  # a long drive has no room to spare in memory
    np.abs(np.subtract(values, np.float32(peak), out=away), out=away)
    away[~known] = np.inf
    at = int(np.argmin(away))
    u = float(u_all[at])
    low, high = peak - COVERAGE_FACTOR * u, peak + COVERAGE_FACTOR * u
    return f"F{axis} {peak:.0f} [{low:.0f}, {high:.0f}] at {elapsed[at]:.2f} s"


def _calibration_lines(forces: xr.Dataset) -> list[str]:
    """Verdicts on the calibration that are not good, once for the two wheels of an axle."""
    states, words = (forces[f"calibration_{n}"].to_numpy() for n in ("state", "verdict"))
    found = [str(w) for state, w in zip(states, words, strict=True) if state != "good"]
    return [f"  calibration: {w}" for w in dict.fromkeys(found)]


def _flag_lines(forces: xr.Dataset) -> list[str]:
    status = forces["status"].to_numpy()
    out = []
    for flag in FLAGS:
        share = np.array([np.mean((column & flag.bit) > 0) for column in status.T])
        if np.any(share > 0):
            where = ", ".join(
                f"{c} {100 * s:.3g} %"
                for c, s in zip(forces["corner"].to_numpy(), share, strict=True)
                if s > 0
            )
            out.append(f"  {flag.words}: {where} of the samples")
    return out
