"""Evidence against a calibration, in sentences, kept with it and repeated when it is used.

In: one calibrated corner.  Out: one sentence for each doubt, with its numbers, and none where
all agrees.  The limits are common practice, no source, unless a comment says why.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import permutations

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.quantities import POUND_FORCE, STANDARD_GRAVITY
from recon.base.words import enumerated
from recon.calibration.applied import Pull
from recon.calibration.calibrated import CornerCalibration, Verification
from recon.calibration.prior import u_expected
from recon.car.vehicle import Gauge, Vehicle
from recon.mechanics.assembly import Assembly

Units = tuple[str, str, float]

CALIBRATE_AGAIN = "Calibrate again with this vehicle file."
DISAGREE = 3.0  # cost over degrees of freedom: uncertainties stated too small by 1.7
# Bridges are described to some percent: so alike are gauges that one factor spoils, and so near is
# that factor to the one between two units of load.  Common practice, no source.
FEWEST_ALIKE, ALIKE, SAME_FACTOR = 3, 1.3, 0.05
SHARE_ALIKE = 0.75  # of the rows of a pull sheet; the rest may be mistyped or hardly load a gauge
# What a gauge shows at no load: its median over its scatter, and over what a usual pull shows.
# Sound pulls of virtual cars stay below 1.1 and 0.07.
FEWEST_PULLS, ALIKE_TARES, MISSED = 4, 5.0, 0.15
MOST_EXCHANGED = 2  # gauges; more answer to wrong members where the pulls are wrong
FAR = 5.0  # standard uncertainties between a slope and what its bridge predicts
# Steps of a pull share its errors, so that a few pulls outside are no wonder; this many are.
SHARE_INSIDE, RMS_OVER_U = 0.80, 1.5


def require_same_gauges(
    calibration: Mapping[str, CornerCalibration], assemblies: Mapping[str, Assembly], where: str
) -> None:
    """Refuse corners, gauges and members that the car does not have.

    Raises DataError: the message has the corner, and the gauges and members that differ.
    """
    for name, corner in calibration.items():
        if name not in assemblies:
            found = f"a calibration of '{name}'"
            raise DataError(where, found, f"one of {', '.join(assemblies)}", CALIBRATE_AGAIN)
        gauges = assemblies[name].gauges
        known = dict(zip((g.name for g in gauges), assemblies[name].gauged, strict=True))
        unit = {g.name: g.unit for g in gauges}
        strange = [
            gauge
            for gauge, of in zip(corner.gauges, corner.units, strict=True)
            if known.get(gauge) not in corner.members or unit[gauge] != of
        ]
        strange += [m for m in corner.members if m not in assemblies[name].members]
        if strange or len(corner.members) != len(assemblies[name].members):
            found = f"gauges {', '.join(corner.gauges)} about {', '.join(corner.members)}"
            needed = "the gauges and members of the vehicle file, in its units: "
            needed += ", ".join(f"{gauge} on {on}" for gauge, on in known.items())
            place = f"{where}, corner {name}"
            raise DataError(place, found, needed, CALIBRATE_AGAIN)


def of_pulls(calibration: CornerCalibration) -> list[str]:
    """Pulls that contradict each other."""
    lack = calibration.quality.lack_of_fit
    if not (lack > DISAGREE and calibration.quality.pulls):
        return []
    told = (
        f"the pulls contradict each other {lack:.0f} times as much as their stated uncertainties "
    )
    told += "allow, and the map is widened for it."
    better = [pull for pull in calibration.quality.pulls if pull.lack_without < lack]
    if not better:
        return [told]
    first = min(better, key=lambda pull: pull.lack_without)
    rest = first.lack_without
    others = "agree" if rest <= DISAGREE else f"contradict each other {rest:.0f} times"
    return [
        f"{told} Look at pull '{first.name}' first: without it the others {others}, and a main "
        f"slope changes by {100 * first.influence:.0f} %."
    ]


def _with_members(
    calibration: CornerCalibration, assembly: Assembly
) -> Iterator[tuple[Gauge, int]]:
    """Every calibrated gauge with the position of its own member among the columns of K."""
    gauges = {g.name: (g, on) for g, on in zip(assembly.gauges, assembly.gauged, strict=True)}
    for gauge, on in (gauges[name] for name in calibration.gauges):
        yield gauge, calibration.members.index(on)


def of_gauges(calibration: CornerCalibration, assembly: Assembly) -> list[str]:
    """Gauges that answer to another member, or far from what their bridge predicts."""
    astray, off = [], []
    for g, (gauge, own) in enumerate(_with_members(calibration, assembly)):
        name, row = gauge.name, calibration.K[g] * assembly.arms / assembly.arms[own]
        strongest = int(np.argmax(np.abs(row)))
        # A slope whose sign nobody knows may be as large as its uncertainty.
        if strongest != own and abs(row[strongest]) > calibration.u_K[g, own]:
            astray.append(
                f"gauge {name} on {gauge.on} answers most to {calibration.members[strongest]} "
                f"({abs(row[own] / row[strongest]):.2f} of it to its own member)"
            )
            continue
        u = float(np.hypot(u_expected(gauge), calibration.u_K[g, own]))
        if abs(abs(row[own]) - gauge.slope) > FAR * u:
            off.append(
                f"gauge {name} answers {abs(row[own]) / gauge.slope:.2f} times what its bridge "
                f"should ({FAR * u / gauge.slope:.2f} would be {FAR:.0f} standard uncertainties). "
                "Gauge factor, bridge, tube or unit mistaken?"
            )
    if len(astray) > MOST_EXCHANGED:
        # Whoever exchanges plugs exchanges two.
        return [
            f"{len(astray)} of {len(calibration.gauges)} gauges answer most to a member that is "
            f"not their own; for example, {astray[0]}. Signs, axes or points of the pulls "
            "mistaken, or several plugs exchanged?",
            *off,
        ]
    return [*(f"{one}. Channels exchanged?" for one in astray), *off]


def of_unit(calibration: CornerCalibration, assembly: Assembly) -> list[str]:
    """All gauges off by one factor, which is that between two units of load."""
    ratios = np.array(
        [
            abs(calibration.K[g, own]) / gauge.slope
            for g, (gauge, own) in enumerate(_with_members(calibration, assembly))
        ]
    )
    ratios = ratios[np.isfinite(ratios)]
    if len(ratios) < FEWEST_ALIKE or np.max(ratios) > ALIKE * np.min(ratios):
        return []
    found = float(np.median(ratios))
    units = _units_between(found)
    seen = f"all {len(ratios)} gauges answer {found:.3g} times what their bridges should"
    return [_of_units(units, seen, ["strap_load or pad_load"])] if units else []


def of_written_loads(pulls: Sequence[Pull], assembly: Assembly) -> list[str]:
    """Loads that the bridges see larger by one factor, as between two units: one sentence a unit.

    The fit needs no part in it: where bridge slopes and loads contradict each other, its map lies
    somewhere between them.
    """
    found: dict[Units, list[tuple[str, str]]] = {}
    for device in dict.fromkeys(name for pull in pulls for name in pull.devices):
        ratios = _seen_over_written([p for p in pulls if p.devices == (device,)], assembly)
        factor = float(np.median(ratios)) if len(ratios) >= FEWEST_ALIKE else float("nan")
        alike = np.abs(np.log(ratios / factor)) < np.log(ALIKE)
        units = _units_between(factor)
        if units and np.mean(alike) >= SHARE_ALIKE:
            rows = f"in {np.count_nonzero(alike)} of {len(ratios)} rows"
            seen = f"{factor:.3g} times the written {device} load {rows}"
            found.setdefault(units, []).append((f"{device}_load", seen))
    by_bridges = "by the slopes of their bridges, the gauges see "
    return [
        _of_units(units, by_bridges + enumerated(seen for _, seen in of), [d for d, _ in of])
        for units, of in found.items()
    ]


def factor_unseen(car: Vehicle) -> str:
    """A sentence on faults that all loads share, which only a stated bridge shows; '' if one is."""
    gauges = [gauge for _, gauge in car.gauges]
    if not gauges or np.isfinite([gauge.slope for gauge in gauges]).any():
        return ""
    return (
        "cannot be known here: a wrong unit or gain that all strap and pad loads have in common "
        "(kgf written as N), as no gauge has a stated tube or bench slope; state one, or weigh the "
        "car on pads before the drive"
    )


def of_tares(pulls: Sequence[Pull], gauges: Sequence[str]) -> list[str]:
    """Tares of another state than the loads: a gauge misses zero by the same in all pulls.

    Indications of a pull with one device, over its load, lead to what they would be without it.
    """
    rows = [p for p in pulls if len(p.devices) == 1 and p.load.shape[1] >= FEWEST_ALIKE]
    rows = [p for p in rows if np.ptp(p.load[0]) > 0.3 * np.max(p.load[0])]
    if len(rows) < FEWEST_PULLS:
        return []
    at_rest = np.array([np.polyfit(p.load[0], p.indication, 1)[1] for p in rows])
    usual = np.median([np.max(np.abs(p.indication), axis=0) for p in rows], axis=0)
    miss = np.median(at_rest, axis=0)
    scatter = 1.4826 * np.median(np.abs(at_rest - miss), axis=0)
    far = np.where(np.abs(miss) > ALIKE_TARES * scatter, np.abs(miss) / usual, 0.0)
    worst = int(np.argmax(far))
    if far[worst] < MISSED:
        return []
    return [
        f"without load {gauges[worst]} would show {miss[worst]:+.3g} in its unit in each of "
        f"{len(rows)} pulls, {100 * far[worst]:.0f} % of what a usual pull does: the tares were "
        "taken in another state than the loads, as if the wheel stood on the ground. Tare with "
        "the wheel off ground and pad, and the strap slack."
    ]


def _seen_over_written(pulls: Sequence[Pull], assembly: Assembly) -> Floats:
    """Load by the slopes of the bridges over the written one, (row,) [1], positive ones only."""
    if not pulls:
        return np.zeros(0)
    loads = np.concatenate([p.loads(p.wrench()) for p in pulls]) / assembly.arms
    indication = np.concatenate([p.indication for p in pulls])
    both, square = np.zeros((2, len(loads)))
    for g, (gauge, on) in enumerate(zip(assembly.gauges, assembly.gauged, strict=True)):
        if np.isfinite(gauge.slope):
            m = assembly.members.index(on)
            seen = indication[:, g] / (gauge.slope * assembly.arms[m])
            both += seen * loads[:, m] * np.sign(seen @ loads[:, m])  # wired either way
            square += loads[:, m] ** 2
    loaded = (square > 0) & (both > 0)
    return both[loaded] / square[loaded]


def _units_between(factor: float) -> Units | None:
    """The unit that loads are in and the one that they were written in, if `factor` lies between.

    The third value is the factor that it would be.
    """
    loads = [("N", 1.0), ("kgf", STANDARD_GRAVITY), ("lbf", POUND_FORCE), ("kN", 1e3)]
    for (true, size), (written, other) in permutations(loads, 2):
        if abs(factor / (size / other) - 1.0) < SAME_FACTOR:
            return true, written, size / other
    return None


def _of_units(units: Units, seen: str, channels: Sequence[str]) -> str:
    true, written, factor = units
    alike = "; daN is nearly the same" if "kgf" in (true, written) else ""
    also = ", or indications in uV/V as mV/V" if (true, written) == ("kN", "N") else ""
    return (
        f"{seen}, as they would if loads in {true} were written as {written} "
        f"({factor:.3g}{alike}){also}, or if tube, modulus or gauge factor of all bridges were "
        f"wrong alike. Correct the unit of {' and '.join(channels)} in the pull sheet or its "
        "column map, or the bridges in the vehicle file; held-out pulls in the same unit may "
        "agree all the same."
    )


def of_verification(found: Verification) -> list[str]:
    """Verification pulls whose errors exceed their intervals."""
    z = np.abs(found.error) / found.u_error
    rms = float(np.sqrt(np.mean(z**2)))
    if found.share_inside >= SHARE_INSIDE and rms <= RMS_OVER_U:
        return []
    step, component = np.unravel_index(int(np.argmax(z)), z.shape)
    return [
        f"verification failed: {100 * found.share_inside:.0f} % of the errors lie inside their "
        f"95 % intervals, and errors are {rms:.1f} times their standard uncertainty; the worst is "
        f"pull '{found.pull[step]}', F{'xyz'[component]} wrong by "
        f"{found.error[step, component]:.0f} N at {found.applied[step]:.0f} N."
    ]
