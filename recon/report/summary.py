"""Summaries in words: at most a screen each, every number with its unit and interval."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from recon.analysis.friction import FEWEST_SAMPLES
from recon.base.arrays import Floats
from recon.base.status import FLAGS
from recon.base.uncertainty import COVERAGE_FACTOR, fewest_samples, noise_corrected_quantile
from recon.car.vehicle import TWO_FORCE
from recon.mechanics.assembly import assemblies_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import load_matrix, road_columns, section_matrix
from recon.planning.knowledge import NOT_KNOWN
from recon.planning.questions import gaugeable, load_units

if TYPE_CHECKING:
    import xarray as xr

    from recon.car.vehicle import Vehicle
    from recon.mechanics.assembly import Assembly
    from recon.planning.observability import Observability
    from recon.planning.selection import Selection
    from recon.reconstruction.weigh import Weighing

PEAK_SHARE = 0.999
SMALL_GAP = 0.05  # %; printed as nothing
WIDEST = 100  # letters of lines that are broken
NO_CURE = "none among links, springs and sections of the file; a section near the wheel may be one"


def car_summary(car: Vehicle) -> list[str]:
    """What the vehicle file says, and what each link and section carries per kN at the contact."""
    lines = [f"{car.name} ({car.source})", f"vehicle file {car.path}, checksum {car.checksum[:12]}"]
    shown: set[tuple] = set()
    for assembly in assemblies_of(car).values():
        lines += ["", *_load_lines(car, assembly)]
        limits = tuple(_without_limit(car, assembly))
        if limits and limits not in shown:
            lines += _wrapped(
                f"no load limit is stated for {', '.join(limits)}: pulls are not checked there"
            )
            shown.add(limits)
    if car.assumed:
        lines += ["", "Assumed because the file does not say:", *(f"  {a}" for a in car.assumed)]
    return lines


def _load_lines(car: Vehicle, assembly: Assembly) -> list[str]:
    """Loads of a corner, or of an axle by both wheels, per kN at each contact."""
    mechanism = assembly.mechanism
    still = posed(assembly, 0.0)
    loads = np.concatenate([load_matrix(still), section_matrix(still)])
    braked, rolling = (
        1000 * loads @ road_columns(still, hub_passes_spin=passes) for passes in (True, False)
    )
    heads, columns = [], []
    for k, corner in enumerate(assembly.corners):
        of = f" {corner.name}" if assembly.tied else ""
        outboard = corner.brake.place == "outboard"
        heads += [f"Fx{of} braked"] * outboard + [f"Fx{of} rolling", f"Fy{of}", f"Fz{of}"]
        usual = braked if outboard else rolling  # elsewhere no torque of a brake passes the hub
        columns += [braked[:, 6 * k]] * outboard
        columns += [rolling[:, 6 * k], usual[:, 6 * k + 1], usual[:, 6 * k + 2]]
    gauges = list(zip(assembly.gauges, assembly.gauged, strict=True))
    names = gaugeable(mechanism)
    wide = 2 + max(map(len, names))
    units = dict(zip(mechanism.row_names, load_units(mechanism), strict=True))
    mixed = 4 if "N m" in units.values() else 0
    per = "each contact" if assembly.tied else "the contact"
    lines = [
        _reach(car, assembly),
        f"  load in N per 1000 N at {per}, tension positive"
        + ("; of bending and torsion in N m" if mixed else ""),
        f"  {'':{wide + mixed}}" + "".join(f"{h:>{_wide(h)}}" for h in heads) + "  gauge",
    ]
    for name in names:
        row = mechanism.row_names.index(name)
        cells = (f"{_cell(c[row]):>{_wide(h)}}" for h, c in zip(heads, columns, strict=True))
        on = ", ".join(g.name for g, load in gauges if load == name) or "none"
        unit = units[name] if mixed else ""
        lines.append(f"  {name:{wide}}{unit:{mixed}}" + "".join(cells) + f"  {on}")
    for group in mechanism.redundant:
        lines += _wrapped(group.reason)
    return lines


def _wide(head: str) -> int:
    return max(len(head) + 2, 8)


def _cell(value: float) -> str:
    return str(round(value)) if np.isfinite(value) else "open"


def _reach(car: Vehicle, assembly: Assembly) -> str:
    """Counts and ranges; refuses what the mechanism does not reach."""
    ranges = [np.linspace(*c.travel_range, 9) for c in assembly.corners]
    travels = np.stack(np.meshgrid(*ranges), axis=-1)
    racks = car.steering.rack_range if assembly.steered else (0.0, 0.0)
    for rack in racks:
        posed(assembly, travels, rack)
    low, high = assembly.corners[0].travel_range
    count = len(assembly.gauges)
    name = assembly.label
    pair = " one mechanism with its partner ".join(c.name for c in assembly.corners)
    of = f", {pair}" if assembly.tied else ""
    return (
        f"{name}{of}: {count} gauge{'s' * (count != 1)}, {len(assembly.members)} members, "
        f"travel {1e3 * low:.0f} to {1e3 * high:.0f} mm reached"
        + (f", rack {1e3 * racks[0]:.0f} to {1e3 * racks[1]:.0f} mm" if any(racks) else "")
    )


def _without_limit(car: Vehicle, assembly: Assembly) -> list[str]:
    """Two-force members of a corner or axle for which no load limit is stated."""
    parts = (*assembly.corners, car.axles.get(assembly.name))
    bare = [
        s.name
        for part in parts
        if part is not None
        for s in part.supports
        if s.kind in TWO_FORCE and not np.isfinite(s.limit)
    ]
    return list(dict.fromkeys(bare))


def observability_summary(seen: Observability) -> list[str]:
    """What the gauges of one corner or axle know, lose and could win."""
    count = len(seen.chosen)
    names = ", ".join(seen.chosen) or "none"
    head = f"{seen.label}: {count} gauge{'s' * (count != 1)}"
    short = len(names) <= WIDEST - len(head)
    lines = [f"{head} ({names})"] if short else [head, *_wrapped(names)]
    lines += [
        f"  rank {seen.rank} of {len(seen.singular_values)} unknowns, {seen.noise:g} N of noise "
        "per gauge",
        "  singular values " + " ".join(f"{v:.2f}" for v in seen.singular_values),
        f"  seen least: {seen.weak}",
    ]
    lines += _axle_table(seen) if seen.corners[1:] else _corner_rows(seen)
    for reason in seen.redundant:
        lines += _wrapped(reason)
    for lost in seen.lost:
        cure = f"gauge {' and '.join(lost.cure)}" if lost.cure else NO_CURE
        lines.append(f"  {lost.name} is not known: {lost.reason}")
        lines.append(f"    cheapest cure: {cure}")
    return lines + [f"  what is known of them: {c.words}" for c in seen.combinations]


def _by_mode(seen: Observability) -> list[tuple[str, Floats]]:
    """Standard uncertainties of the forces for each thing that hubs may pass."""
    return [("rolling", seen.u), *seen.u_held.items()]


def _corner_rows(seen: Observability) -> list[str]:
    lines = [f"  {mode:8} wheel: u of {_three(u)}" for mode, u in _by_mode(seen)]
    for name, bias in seen.bias.items():
        lines.append(f"  {name} left out at its usual size would shift {_shift(bias)}")
    wide = max(14, *map(len, seen.without), *(len(m) + 1 for m in seen.with_), 0)
    lines += [f"  without {member:{wide}} {_three(u)}" for member, u in seen.without.items()]
    return lines + [
        f"  with {member + ' too':{wide + 3}} {_three(u)}" for member, u in seen.with_.items()
    ]


def _axle_table(seen: Observability) -> list[str]:
    """The same as a table, a column for each force of both wheels."""
    shifts = {f"{name} left out": bias for name, bias in seen.bias.items()}
    known = {f"{mode} wheels": u for mode, u in _by_mode(seen)}
    rest = {f"without {member}": u for member, u in seen.without.items()}
    rest |= {f"with {member} too": u for member, u in seen.with_.items()}
    wide = 2 + max(map(len, [*shifts, *known, *rest]))

    def row(name: str, cells: Iterable[str]) -> str:
        return f"  {name:{wide}}" + "".join(f"{cell:>10}" for cell in cells)

    return [
        row("standard uncertainty in N", seen.forces),
        *(row(name, map(_known, u)) for name, u in (known | rest).items()),
        "  shift in N by a moment of its usual size that is left out",
        *(row(name, (str(round(b)) for b in bias)) for name, bias in shifts.items()),
    ]


def _known(value: float) -> str:
    return f"{value:.0f}" if value <= NOT_KNOWN else "not known"


def _wrapped(sentence: str) -> list[str]:
    return textwrap.wrap(sentence, WIDEST, initial_indent="  ", subsequent_indent="    ")


def selection_summary(chosen: Selection, by_corner: dict[str, tuple[str, ...]]) -> list[str]:
    """The best gauges of a number, what they know, and how far from the best they may be."""
    count = len(chosen.chosen)
    lines = [f"best {count} gauge{'s' * (count != 1)} (least sum of the forces' variances)"]
    for corner, members in by_corner.items():
        lines.append(f"  {corner}: {', '.join(members) or 'none'}")
    if chosen.lost:
        untold = "so few do not tell" if chosen.least else "no candidate tells"
        lines.append(f"  the sum is mostly what {untold}, the choice the best of the rest")
    else:
        least, whole = np.sqrt([chosen.bound, chosen.criterion])
        beaten = "no choice of as many is better"
        if chosen.gap > SMALL_GAP:
            gap = f"gap at most {chosen.gap:.1f} % of the sum"
            beaten = f"no choice of as many is below {least:.0f} N ({gap})"
        lines.append(f"  root of the sum {whole:.0f} N; {beaten}")
    return [*lines, f"  {chosen.message}"] if chosen.message else lines


def _shift(bias: Floats) -> str:
    return ", ".join(f"F{axis} {round(value)} N" for axis, value in zip("xyz", bias, strict=True))


def _three(values: Floats) -> str:
    return ", ".join(
        f"F{axis} {_newtons(value)}" for axis, value in zip("xyz", values, strict=True)
    )


def _newtons(value: float) -> str:
    return f"{value:.0f} N" if abs(value) < NOT_KNOWN else "not known"


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
    lines += [
        f"  known: {_sum_cell(forces, elapsed, j)}" for j in range(forces.sizes.get("known_sum", 0))
    ]
    for w in weighings:
        verdict = "agree" if w.agrees else "DISAGREE: suspect the load cell, the pad or the tare"
        lines.append(
            f"  weighed {w.when}, {w.corner}: gauges {w.measured:.0f} N, pad {w.pad:.0f} N, "
            f"difference +-{COVERAGE_FACTOR * w.u:.0f} N (95 %): {verdict}"
        )
    return lines


def _sum_cell(forces: xr.Dataset, elapsed: Floats, j: int) -> str:
    """A sum of forces that is known while they are not, with its peak."""
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
