"""Gear shifts: how long the drive was gone, what that cost, and what followed.

Gate: shifts among the sections of the drive: the longitudinal force of the driven tyres falls
below half of that before and comes back.
"""

from __future__ import annotations

import numpy as np

from recon.base.errors import DataError, NoAnswerError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.words import enumerated
from recon.evaluation.common.alternatives import drive_of
from recon.evaluation.common.answer_labels import Labelled, answer_attributes, limits, plain
from recon.evaluation.common.estimate import Estimate, combined, stacked
from recon.evaluation.common.short_means import bandwidth_for
from recon.evaluation.launch.driven_tyres import DrivenTyres, driven_tyres, hop_unseen
from recon.evaluation.launch.one_shift import AFTER, AFTERWARDS, QUANTITIES, Shift, measure
from recon.evaluation.sections.car_motion import course_of
from recon.evaluation.sections.detection import NO_GEAR, without_force
from recon.evaluation.sections.find_sections import find_sections, sections_of
from recon.records.forces import require_answerable

BANDWIDTH = 30.0  # Hz; about twice the highest frequency of wheel hop
FEWEST_BANDWIDTH = 20.0  # Hz; with less, hop at 8 to 16 Hz is damped by more than a tenth
NEEDED = ("tyre_force", "tyre_force_intermediate")
UNITS = dict(zip(QUANTITIES, ("s", "s", "s", "N", "N", "N s", "N"), strict=True))
WORDS = {
    "gap_start": "elapsed time at which the drive force falls below 90 % of that before",
    "gap_end": "elapsed time at which the drive comes back: 10 % of the force after",
    "time_below_half": "time in which the drive force is below half of that before",
    "force_before": "drive force before the shift",
    "force_after": "drive force after the shift",
    "impulse_lost": "impulse lost against a straight line from the force before to that after",
    "overshoot": "largest drive force after the shift less the force after",
}
FOLLOWING = {
    "frequency": ("Hz", "frequency"),
    "amplitude": ("N", "largest amplitude"),
    "cycles": ("1", "number of cycles"),
    "decay": ("1", "decay of the amplitude per cycle"),
}


@public
def shifts(
    forces: xr.Dataset, *, sections: xr.Dataset | None = None, bandwidth: float = BANDWIDTH
) -> xr.Dataset:
    """Gear shifts of a drive: gap of the drive force, impulse and speed lost, oscillation after.

    The drive force is the sum of the longitudinal forces of the road on the driven tyres, in
    intermediate axes, x along the car's heading.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `find_sections` returns it; found if omitted.
    bandwidth : float
        At which forces are read, -3 dB; never more than that of the forces, at which times of
        gaps are read. [Hz]

    Returns
    -------
    Dataset
        By shift: `gap_start`, `gap_end`, `time_below_half` [s], `force_before`, `force_after`,
        `overshoot` [N], `impulse_lost` [N s], `speed_lost` [m/s] (not known where the force of a
        driven tyre is not); `shuffle_frequency` (2 to 8 Hz) and `hop_frequency` (8 to 16 Hz) [Hz]
        with amplitude, cycles and decay.  By shift and
        corner: `tyre_impulse_lost` [N s].  By launch: `launch_impulse_lost` [N s], and by lap
        `lap_impulse_lost` where the log has laps.  All with `u_`, `_lower` and `_upper`.

    Raises
    ------
    DataError
        No forces, a bandwidth that is not above zero, or a shift given by hand without a gap.
    NoAnswerError
        No driven tyre whose longitudinal force is known, or no shift.

    Warns
    -----
    DataWarning
        The forces have less than that bandwidth.
    """
    require_answerable(forces, *NEEDED)
    bandwidth = bandwidth_for(forces, bandwidth, "shifts")
    tyres = driven_tyres(forces)
    sections = find_sections(forces) if sections is None else sections
    gaps = sections_of(sections, "shift")
    if not gaps:
        raise NoAnswerError(
            place_of(forces),
            "nowhere is the drive force gone for 0.04 to 1.2 s and then back",
            "a drive with a shift under power",
            "Name the shifts by hand in a table of sections if there are any, and log gear.",
        )
    ends = [one.end for one in sections_of(sections, "launch", "straight")]
    starts = [one.start for one in gaps[1:]] + [np.inf]
    drive = drive_of(forces)
    found = [
        measure(drive, tyres, one, min([following, *(e for e in ends if e > one.end)]), bandwidth)
        for one, following in zip(gaps, starts, strict=True)
    ]
    for one in found:
        _require_gap(forces, tyres, one)
    missing = [*tyres.missing, *without_force(course_of(forces), "shifts")]
    if tyres.missing:
        missing.append(f"speed lost by the car: {' and '.join(tyres.names)} alone cannot tell it")
    if "gear" not in forces:
        missing.append(NO_GEAR)
    if bandwidth < FEWEST_BANDWIDTH:
        missing.append(hop_unseen(forces, bandwidth, "hop after a shift"))
    missing += _without_return(found)
    variables = _by_shift(found, tyres, forces) | _afterwards(found)
    variables |= _sums(found, tyres, forces, missing)
    names = [one.section.name for one in found]
    return xr.Dataset(
        variables,
        coords={
            **plain("shift", names, ("shift",), "", "shift"),
            **plain("corner", tyres.names, ("corner",), "", "driven corner"),
        },
        attrs=answer_attributes(
            forces,
            "Gear shifts",
            gate=f"gaps of the drive force of {' and '.join(tyres.names)} between two pulls, at "
            f"{bandwidth:g} Hz",
            not_given=missing,
        )
        | {"bandwidth_Hz": bandwidth},
    )


def _require_gap(forces: xr.Dataset, tyres: DrivenTyres, shift: Shift) -> None:
    """Refuse a shift given by hand in which the drive never goes.

    Raises DataError: the drive is known throughout, and is never below half of that before.
    """
    time, section = forces["elapsed_time"].to_numpy(), shift.section
    at = (time >= section.start) & (time <= section.end)
    driven = forces["tyre_force_intermediate"].to_numpy()[at][:, tyres.corners, 0]
    if np.isnan(shift.quantities.value[0]) and np.isfinite(driven).all():
        where = f"{place_of(forces)}, section {section.name}"
        raise DataError(
            where,
            f"a shift from {section.start:g} to {section.end:g} s in which the drive force is "
            "never below half of that before",
            "a gap of the drive force between two pulls",
            "Correct the times in the table of sections, or call it a part.",
        )


def _without_return(found: list[Shift]) -> list[str]:
    """A sentence on the shifts after which no drive force is known."""
    after = QUANTITIES.index("force_after")
    names = [one.section.name for one in found if not one.quantities.value[after] > 0]
    if not names:
        return []
    lasts = f"the drive does not last {AFTER[0]:g} s after it"
    return [f"cost and end of {enumerated(names)}: {lasts}"]


def _by_shift(found: list[Shift], tyres: DrivenTyres, forces: xr.Dataset) -> Labelled:
    """Quantities of all driven tyres together, and the impulse lost by each."""
    out: Labelled = {}
    for j, name in enumerate(QUANTITIES):
        values = stacked(*(one.quantities.at(j) for one in found))
        out |= limits(name, values, ("shift",), UNITS[name], WORDS[name])
    lost = stacked(*(one.quantities.at(QUANTITIES.index("impulse_lost")) for one in found))
    words = "speed lost: impulse lost over the mass of the car"
    out |= limits("speed_lost", _over_mass(lost, tyres, forces), ("shift",), "m/s", words)
    each = stacked(*(one.quantities.at(slice(len(QUANTITIES), None)) for one in found))
    words, shape = "impulse lost by each driven tyre", (len(found), len(tyres.names))
    out |= limits("tyre_impulse_lost", each, ("shift", "corner"), "N s", words, shape)
    words = "samples of the shift and after it with known forces"
    out |= plain("samples", [one.samples for one in found], ("shift",), "1", words)
    words = "launch that the shift belongs to, empty for none"
    parents = [one.section.parent for one in found]
    return out | plain("in_launch", parents, ("shift",), "", words)


def _over_mass(impulse: Estimate, tyres: DrivenTyres, forces: xr.Dataset) -> Estimate:
    """Speed [m/s] that an impulse [N s] is worth; the mass is one more independent error.

    NaN where a driven tyre is missing: the impulse of the others is not that of the car.
    """
    mass = np.nan if tyres.missing else float(forces["vehicle_mass"])
    u_mass = float(forces["u_vehicle_mass"])
    speed = combined(lambda x: x / mass, impulse)
    return speed.plus_noise(np.abs(speed.value) * u_mass / mass)


def _afterwards(found: list[Shift]) -> Labelled:
    """Shuffle and hop that follow each shift, and which of them there was, in words."""
    every, each = stacked(*(one.afterwards for one in found)), len(AFTERWARDS)
    out: Labelled = {}
    kinds = (("shuffle", "shuffle of the driveline"), ("hop", "wheel hop"))
    for k, (prefix, words) in enumerate(kinds):
        for name, (unit, quantity) in FOLLOWING.items():
            first = k * each + AFTERWARDS.index(name)
            values = every.at([i * 2 * each + first for i in range(len(found))])
            text = f"{quantity} of the {words} after the shift"
            out |= limits(f"{prefix}_{name}", values, ("shift",), unit, text)
    shuffle, hopping = (np.isfinite(out[f"{x}_frequency"][1]) for x, _ in kinds)
    names = np.select([shuffle & hopping, shuffle, hopping], ["both", "shuffle", "hop"], "none")
    words = "oscillation after the shift, told apart by its frequency"
    return out | plain("oscillation", names.astype(str), ("shift",), "", words)


def _sums(
    found: list[Shift], tyres: DrivenTyres, forces: xr.Dataset, missing: list[str]
) -> Labelled:
    """Impulse lost in all shifts of each launch, and of each lap."""
    place = QUANTITIES.index("impulse_lost")
    groups = {"launch": [one.section.parent for one in found]}
    if "lap" in forces:
        starts = np.searchsorted(forces["elapsed_time"], [one.section.start for one in found])
        laps = forces["lap"].to_numpy()[starts]
        groups["lap"] = [f"{lap:g}" if np.isfinite(lap) else "" for lap in laps]
    else:
        missing.append("sum per lap: log the number of the lap")
    out: Labelled = {}
    for kind, members in groups.items():
        names = [name for name in dict.fromkeys(members) if name]
        if not names:
            continue
        totals = []
        for name in names:
            own = [x.quantities.at(place) for x, m in zip(found, members, strict=True) if m == name]
            totals.append(combined(np.sum, stacked(*own)))
        words = f"impulse lost in all shifts of the {kind}"
        out |= limits(f"{kind}_impulse_lost", stacked(*totals), (kind,), "N s", words)
        speed, words = (
            _over_mass(stacked(*totals), tyres, forces),
            words.replace("impulse", "speed"),
        )
        out |= limits(f"{kind}_speed_lost", speed, (kind,), "m/s", words)
        out |= plain(kind, names, (kind,), "", kind)
    return out
