"""Summaries in words: at most a screen each, every number with its unit and interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.analysis.friction import FEWEST_SAMPLES
from recon.base.status import FLAGS
from recon.base.uncertainty import COVERAGE_FACTOR, fewest_samples, noise_corrected_quantile
from recon.car.knowledge import NOT_KNOWN, RANK_SHARE
from recon.car.mechanism import assembly_of, mechanism_of, units_of
from recon.car.motion import pose, pose_corner
from recon.car.statics import member_matrix, road_columns
from recon.car.structure import TWO_FORCE

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.map import Calibration, CornerCalibration
    from recon.car.observability import Observability
    from recon.car.selection import Selection
    from recon.car.vehicle import Vehicle
    from recon.reconstruction.weigh import Weighing

Floats = NDArray[np.float64]
PEAK_SHARE = 0.999
CAUTIONS = (
    "Cautions: a loaded strap stores energy, keep everybody out of its line and two strap lengths",
    "away, blanket over it, eye protection. Never get under a pulled car; jacks are no supports "
    "and",
    "stands take no side load. Hold the steering with a clamp, keep wiring clear of wheel and "
    "brake.",
    "Stay below the strap's working limit and half of the weakest link's limit. Local codes and",
    "licensed practice decide; nothing here clears a part for use.",
)


def car_summary(car: Vehicle) -> list[str]:
    """What the vehicle file says, and what each link carries per kN at the contact."""
    lines = [f"{car.name} ({car.source})", f"vehicle file {car.path}, checksum {car.checksum[:12]}"]
    shown: set[tuple] = set()
    for corner in car.corners.values():
        if corner.axle:
            lines += _tied_lines(car, corner.name)
            continue
        mechanism = mechanism_of(corner)
        low, high = corner.travel_range
        steps = np.linspace(low, high, 9)
        racks = car.steering.rack_range if corner.steered else (0.0, 0.0)
        for rack in racks:
            pose_corner(corner, steps, rack)  # refuses what the mechanism does not reach
        at = pose_corner(corner, 0.0)
        loads = 1000 * member_matrix(at) @ road_columns(at, hub_passes_spin=True)
        rolling = 1000 * member_matrix(at) @ road_columns(at, hub_passes_spin=False)
        lines.append("")
        lines.append(
            f"{corner.name}: {len(corner.gauges)} gauges on {len(mechanism.members)} members, "
            "travel "
            f"{1e3 * low:.0f} to {1e3 * high:.0f} mm reached"
            + (f", rack {1e3 * racks[0]:.0f} to {1e3 * racks[1]:.0f} mm" if corner.steered else "")
        )
        lines.append("  member load in N per 1000 N at the contact, tension positive")
        lines.append(f"  {'':14}{'Fx braked':>10}{'Fx rolling':>11}{'Fy':>8}{'Fz':>8}  gauge")
        for row, name in enumerate(mechanism.member_names):
            gauge = next((g.name for g in corner.gauges if g.member == name), "none")
            lines.append(
                f"  {name:14}{loads[row, 0]:10.0f}{rolling[row, 0]:11.0f}{loads[row, 1]:8.0f}"
                f"{loads[row, 2]:8.0f}  {gauge}"
            )
        limits = [
            s.name for s in corner.supports if s.kind in TWO_FORCE and not np.isfinite(s.limit)
        ]
        key = tuple(limits)
        if limits and key not in shown:
            lines.append(
                f"  no load limit is stated for {', '.join(limits)}: pulls are not checked there"
            )
            shown.add(key)
    if car.assumed:
        lines += ["", "Assumed because the file does not say:", *(f"  {a}" for a in car.assumed)]
    return lines


def _tied_lines(car: Vehicle, corner: str) -> list[str]:
    """What one wheel of a tied axle puts on the members of the whole axle, per kN."""
    mechanism = assembly_of(car, corner)
    wheels = [w.corner for w in mechanism.wheels]
    ranges = np.array([car.corners[w].travel_range for w in wheels])
    racks = car.steering.rack_range if np.any(mechanism.rack) else (0.0, 0.0)
    for rack in racks:  # refuses what the mechanism does not reach
        pose(mechanism, np.array(np.meshgrid(*ranges)).reshape(2, -1).T, rack)
    at = pose(mechanism, np.zeros(2), 0.0)
    loads = 1000 * member_matrix(at) @ road_columns(at, hub_passes_spin=True)
    first = 6 * wheels.index(corner)
    lines = [
        "",
        f"{corner}: one mechanism with its partner, {len(mechanism.members)} members, whole travel "
        "of both wheels reached",
        f"  member load in N per 1000 N at the contact of {corner}, tension positive, and in N m",
        f"  {'':34}{'Fx braked':>10}{'Fy':>8}{'Fz':>8}",
    ]
    for name, row in zip(mechanism.member_names, loads[:, first : first + 3], strict=True):
        lines.append(f"  {name:34}{row[0]:10.0f}{row[1]:8.0f}{row[2]:8.0f}")
    return lines + [f"  {group.reason}" for group in mechanism.redundant]


def observability_summary(seen: Observability) -> list[str]:
    """What the gauges of one corner know, lose and could win."""
    count = len(seen.gauged)
    lines = [
        f"{seen.corner}: {count} gauge{'s' * (count != 1)} ({', '.join(seen.gauged) or 'none'})",
        f"  rank {seen.rank} of 6 unknowns, {seen.noise:g} N of noise per gauge",
        "  singular values " + " ".join(f"{v:.2f}" for v in seen.singular_values),
        f"  seen least: {seen.weak}",
    ]
    for mode, u in seen.u.items():
        lines.append(f"  {mode:8} wheel: u of {_three(u)}")
    for name, bias in seen.bias.items():
        lines.append(f"  {name} left out at its usual size would shift {_shift(bias)}")
    for member, u in seen.without.items():
        lines.append(f"  without {member:14} {_three(u)}")
    for member, u in seen.with_.items():
        lines.append(f"  with {member + ' too':17} {_three(u)}")
    for lost in seen.knowledge.lost:
        cure = f"gauge {' and '.join(lost.cure)}" if lost.cure else "none among the members"
        lines.append(f"  {lost.name} is not known: {lost.reason}")
        lines.append(f"    cheapest cure: {cure}")
    lines += [f"  what is known of them: {c.words}" for c in seen.combinations]
    return lines


def selection_summary(chosen: Selection, by_corner: dict[str, tuple[str, ...]]) -> list[str]:
    """The best gauges of a number, what they know, and how far from the best they may be."""
    count = len(chosen.chosen)
    lines = [f"best {count} gauge{'s' * (count != 1)} (least sum of the forces' variances)"]
    for corner, members in by_corner.items():
        lines.append(f"  {corner}: {', '.join(members) or 'none'}")
    lines.append(
        f"  root of the sum {np.sqrt(chosen.criterion):.0f} N; no choice of as many is below "
        f"{np.sqrt(chosen.bound):.0f} N (gap at most {chosen.gap:.1f} % of the sum)"
    )
    return [*lines, f"  {chosen.message}"] if chosen.message else lines


def _shift(bias: Floats) -> str:
    return ", ".join(f"F{axis} {value:.0f} N" for axis, value in zip("xyz", bias, strict=True))


def _three(values: Floats) -> str:
    return ", ".join(
        f"F{axis} {_newtons(value)}" for axis, value in zip("xyz", values, strict=True)
    )


def _newtons(value: float) -> str:
    return f"{value:.0f} N" if abs(value) < NOT_KNOWN else "not known"


def calibration_summary(calibration: Calibration, car: Vehicle) -> list[str]:
    """What was fitted, how well, what was left out."""
    lines = [f"Calibration of {calibration.vehicle}, {len(calibration.corners)} corner(s)"]
    for name, c in calibration.corners.items():
        slope = np.max(np.abs(c.K), axis=1)
        relative = 100 * np.max(np.abs(c.u_K), axis=1) / slope
        off = np.abs(c.crosstalk_percent)
        off[off >= 99.999] = 0.0
        lines.append(
            f"{name}: {len(c.pulls)} pulls, main slopes to {np.median(relative):.1f} % (k = 1), "
            f"cross-talk up to {off.max():.1f} %, condition {_condition(c)}, hysteresis "
            f"{100 * c.hysteresis:.1f} % of a pull's peak, agreement {_agreement(c)}"
        )
        lines += [f"  least seen direction: {c.weak_direction}"]
        lines += [f"  rests on slopes and geometry: {r}" for r in c.rests_on_prior]
        lines += [f"  mistyped? {g.sentence(name)}" for g in c.gross]
        if c.verification is None:
            lines.append("  not verified: no pull was held out")
            continue
        v = c.verification
        rms = np.sqrt(np.mean(v.error**2, axis=0))
        half = COVERAGE_FACTOR * np.sqrt(np.mean(v.u_error**2, axis=0))
        lines.append(
            f"  verification, {len(set(v.pull))} pulls to {v.applied.max():.0f} N: error rms "
            f"{rms[0]:.0f} / {rms[1]:.0f} / {rms[2]:.0f} N in x / y / z, claimed 95 % +-"
            f"{half[0]:.0f} / {half[1]:.0f} / {half[2]:.0f} N, {100 * v.share_inside:.0f} % inside"
        )
    lines.append(
        "The load cell's gain is common to pulls and verification: only weighing the car on pads "
        "shows it."
    )
    bare = sorted(
        {s.name for n in calibration.corners for s in units_of(car)[n].supports
         if s.kind in TWO_FORCE and not np.isfinite(s.limit)}
    )  # fmt: skip
    if bare:
        lines.append(
            f"No load limit is stated for {', '.join(bare)}; pulls were not checked against one."
        )
    return [*lines, *CAUTIONS]


def _condition(one: CornerCalibration) -> str:
    seen = one.condition < 1 / RANK_SHARE
    return f"{one.condition:.1f}" if seen else "not finite (a direction is not pulled at all)"


def _agreement(one: CornerCalibration) -> str:
    if np.isfinite(one.lack_of_fit):
        return f"{one.lack_of_fit:.2f} (1 expected)"
    return "not known (no more readings than unknowns)"


def forces_summary(forces: xr.Dataset, weighings: tuple[Weighing, ...] = ()) -> list[str]:
    """Peak forces with intervals, flags, and what was assumed."""
    elapsed = forces["elapsed_time"].to_numpy()
    lines = [
        f"{forces.attrs['title']}: {len(elapsed)} samples, {elapsed[-1] - elapsed[0]:.1f} s, "
        f"bandwidth {forces.attrs['bandwidth_Hz']:.0f} Hz",
        f"peaks in tyre axes, N, with 95 % limits (noise-corrected {100 * PEAK_SHARE:g} % "
        "quantiles, not the largest samples):",
    ]
    for k, name in enumerate(forces["corner"].to_numpy()):
        cells = [_peak_cell(forces, elapsed, k, i) for i in range(3)]
        lines.append(f"  {name}: " + ", ".join(cells))
    lines += _flag_lines(forces)
    for w in weighings:
        verdict = "agree" if w.agrees else "DISAGREE: suspect the load cell, the pad or the tare"
        lines.append(
            f"  weighed {w.when}, {w.corner}: gauges {w.measured:.0f} N, pad {w.pad:.0f} N, "
            f"difference +-{COVERAGE_FACTOR * w.u:.0f} N (95 %): {verdict}"
        )
    return lines


def _peak_cell(forces: xr.Dataset, elapsed: Floats, k: int, i: int) -> str:
    """Peak of one component with limits and the time of a sample at it."""
    axis = "xyz"[i]
    known = np.isfinite(forces["tyre_force"].to_numpy()[:, k, i])
    count, enough = int(np.count_nonzero(known)), fewest_samples(PEAK_SHARE)
    if not count:
        return f"F{axis} not known"
    if count < enough:
        return f"F{axis} no peak ({count} samples known, it needs {enough})"
    values = forces["tyre_force"].to_numpy()[known, k, i].astype(float)
    noise = forces["u_tyre_force_random"].to_numpy()[known, k, i].astype(float)
    side = -1.0 if abs(np.min(values)) > np.max(values) else 1.0
    peak = side * noise_corrected_quantile(side * values, noise, PEAK_SHARE)
    at = int(np.argmin(np.abs(values - peak)))
    u = float(forces["u_tyre_force"].to_numpy()[known, k, i][at])
    low, high = peak - COVERAGE_FACTOR * u, peak + COVERAGE_FACTOR * u
    return f"F{axis} {peak:.0f} [{low:.0f}, {high:.0f}] at {elapsed[known][at]:.2f} s"


def _flag_lines(forces: xr.Dataset) -> list[str]:
    status = forces["status"].to_numpy()
    out = []
    for flag in FLAGS:
        share = np.mean((status & flag.bit) > 0, axis=0)
        if np.any(share > 0):
            where = ", ".join(
                f"{c} {100 * s:.1f} %"
                for c, s in zip(forces["corner"].to_numpy(), share, strict=True)
                if s > 0
            )
            out.append(f"  {flag.name.replace('_', ' ')}: {where}")
    return out


def slalom_summary(answer: xr.Dataset) -> list[str]:
    """Peaks per cone, tyre and axle, and in words what is not known of them."""
    bandwidth = answer.attrs["bandwidth_Hz"]
    corners = [str(c) for c in answer["corner"].to_numpy()]
    axles = [str(a) for a in answer["axle"].to_numpy()]
    share = len(axles) == 2
    head = f"  {'cone':>4}{'time s':>8}" + "".join(f"{c:>14}" for c in corners)
    lines = [
        f"Slalom, {answer.sizes['cone']} cones; peak lateral force in N at {bandwidth:g} Hz, "
        "intermediate axes, +- is 95 %",
        head + "".join(f"{a:>15}" for a in axles) + ("   front share" if share else ""),
    ]
    for i, time in enumerate(answer["cone_time"].to_numpy()):
        row = f"  {i + 1:4d}" + (f"{time:8.2f}" if np.isfinite(time) else f"{'unknown':>8}")
        row += "".join(
            f"{_with_interval(answer, 'peak_lateral_force', i, k):>14}" for k in range(len(corners))
        )
        row += "".join(
            f"{_with_interval(answer, 'axle_peak_lateral_force', i, k):>15}"
            for k in range(len(axles))
        )
        lines.append(row + (_share_cell(answer, i) if share else ""))
    return lines + [f"  {sentence}" for sentence in _left_open(answer, corners)]


def _with_interval(answer: xr.Dataset, name: str, i: int, k: int) -> str:
    value, u = float(answer[name][i, k]), float(answer[f"u_{name}"][i, k])
    return f"{value:.0f} +-{COVERAGE_FACTOR * u:.0f}" if np.isfinite(value) else "not known"


def _share_cell(answer: xr.Dataset, i: int) -> str:
    share, u = float(answer["front_share"][i]), float(answer["u_front_share"][i])
    if not np.isfinite(share):
        return f"{'not known':>16}"
    return f"{100 * share:7.1f} +-{100 * COVERAGE_FACTOR * u:.1f} %"


def _left_open(answer: xr.Dataset, corners: list[str]) -> list[str]:
    """What the attribute `not_known` says, and where samples at a bound were left out."""
    out = [s for s in str(answer.attrs["not_known"]).split("; ") if s]
    for k, name in enumerate(corners):
        at_bound = answer["share_at_bound"].to_numpy()[:, k]
        cones = [str(i + 1) for i in np.flatnonzero(at_bound)]
        if cones:
            out.append(
                f"{name}: Fz held at zero in up to {100 * at_bound.max():.0f} % of the half-wave "
                f"at cone{'s' if cones[1:] else ''} {', '.join(cones)}; left out of its own peaks, "
                "not of its axle's"
            )
    return out


def friction_summary(answer: xr.Dataset) -> list[str]:
    """Highest demonstrated friction use per tyre."""
    lines = [
        f"Friction use sqrt(Fx^2 + Fy^2) / Fz above {answer.attrs['low_load_N']:.0f} N, tyre axes, "
        f"{answer.attrs['bandwidth_Hz']:.0f} Hz"
    ]
    for k, name in enumerate(answer["corner"].to_numpy()):
        value = float(answer["highest_demonstrated_use"][k])
        if not np.isfinite(value):
            lines.append(
                f"  {name}: highest demonstrated not known, fewer than {FEWEST_SAMPLES} known "
                "samples above the load gate"
            )
            continue
        u = float(answer["u_highest_demonstrated_use"][k])
        lines.append(
            f"  {name}: highest demonstrated {value:.3f} +-{COVERAGE_FACTOR * u:.3f} (95 %), "
            f"{int(answer['samples_used'][k])} samples; what was used, not what the tyre could do"
        )
    return lines
