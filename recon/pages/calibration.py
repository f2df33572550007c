"""The calibration on a page: verdict, age and limits, and, with its own file, map and checks."""

from __future__ import annotations

from datetime import date
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from recon.base.errors import DataError
from recon.base.labelled import SEPARATOR, corner_names
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.calibration.calibrated import Calibration, CornerCalibration, Verification
from recon.pages.html_document import known_number
from recon.records.forces import VERDICT
from recon.records.provenance import Input, recorded_inputs

SHORT = 12  # characters of a checksum
WHICH = "Give the calibration.nc that was given to `recon reconstruct`, or leave it out."
DAY = slice(0, 10)  # of a date and time, ISO 8601
CHANGES = (
    "Any change to a link, joint, bush, gauge, wiring or amplifier setting since the pulls: pull "
    "the corner again."
)
GAIN = (
    "An error in the gain of the load cell that measured the pulls: it scales every force, and "
    "only scales under the wheels reveal it."
)


def read_its_calibration(path: str | Path, forces: xr.Dataset) -> Calibration:
    """Read the calibration file that some forces were made with.

    Raises DataError: it is no calibration, or by its checksum another file than that of the forces.
    """
    from recon.calibration.store import read_calibration
    from recon.records.files import checksum, only_result

    path = only_result(path)
    calibration = read_calibration(path)
    own = _its_file(forces)
    if own and checksum(path) != own.checksum:
        raise DataError(
            str(path),
            f"a calibration with checksum {checksum(path)[:SHORT]}, made {calibration.created}",
            f"that of these forces, checksum {own.checksum[:SHORT]}, made "
            f"{forces.attrs.get('calibration_created', 'at an unknown time')}",
            WHICH,
        )
    return calibration


def _its_file(forces: xr.Dataset) -> Input | None:
    return next((one for one in recorded_inputs(forces) if one.role == "calibration"), None)


def calibration_of(forces: xr.Dataset, calibration: Calibration | None) -> dict[str, Any]:
    """Everything that the page says about the calibration of a drive; its forces hold the verdicts.

    `calibration` is the one that the forces were made with, for its map, pulls and verification.

    Raises DataError: `calibration` is another one than that of the forces.
    """
    if calibration is not None:
        _require_same(forces, calibration)
    assemblies = [] if calibration is None else list(calibration.corners.values())
    return {
        "created": str(forces.attrs.get("calibration_created", ""))[DAY],
        "age": named(forces) + age(forces),
        "verdicts": _verdicts(forces),
        "not_valid": [*_limits(forces, assemblies), CHANGES, GAIN],
        "assemblies": [_assembly(one) for one in assemblies],
    }


def _require_same(forces: xr.Dataset, calibration: Calibration) -> None:
    """Refuse a calibration that was made at another time or from other files."""
    own, other = str(forces.attrs.get("calibration_created", "")), calibration.created
    sums = {checksum for _, checksum in calibration.sources}
    stated = str(forces.attrs.get("calibration_sources", ""))
    if own == other and all(checksum in stated for checksum in sums):
        return
    where = f"calibration of {calibration.vehicle}"
    raise DataError(
        where,
        f"a calibration made {other or 'at an unknown time'}",
        f"the one that these forces were made with, made {own or 'at an unknown time'}",
        WHICH,
    )


def named(forces: xr.Dataset) -> str:
    """Name and checksum of the calibration's file, as the record of the forces holds them."""
    own = _its_file(forces)
    return f"{PurePath(own.file).name}, checksum {own.checksum[:SHORT]}. " if own else ""


def age(forces: xr.Dataset) -> str:
    """Age of the calibration at the drive, in a sentence."""
    made = _day(forces.attrs.get("calibration_created"))
    if made is None:
        return "The file does not state when the calibration was made."
    driven = _day(forces.attrs.get("log_date"))
    if driven is not None:
        return f"Calculated on {made}; it was {_days(made, driven)} at the drive, {driven}."
    solved = _day(forces.attrs.get("history"))
    if solved is None:
        return f"Calculated on {made}. The log has no date, so its age at the drive is not known."
    return (
        f"Calculated on {made}. The log has no date, so its age at the drive is not known; when "
        f"the forces were calculated, on {solved}, it was {_days(made, solved)}."
    )


def _day(text: object) -> date | None:
    try:
        return date.fromisoformat(str(text)[DAY])
    except ValueError:
        return None


def _days(start: date, end: date) -> str:
    count = (end - start).days
    if count < 0:
        return f"not made yet (it is {-count} days younger)"
    return f"{count} day{'' if count == 1 else 's'} old"


def _verdicts(forces: xr.Dataset) -> list[dict[str, Any]]:
    """Verdict and doubts of every corner; both wheels of an axle may share them."""
    columns = [map(str, forces[name].to_numpy()) for name in VERDICT]
    corners = corner_names(forces)
    out: dict[str, dict[str, Any]] = {}
    for corner, state, words, doubts in zip(corners, *columns, strict=True):
        one = out.setdefault(
            words,
            {"corners": [], "state": state, "words": words,
             "doubts": [doubt for doubt in doubts.split(SEPARATOR) if doubt]},
        )  # fmt: skip
        one["corners"].append(corner)
    return list(out.values())


def _limits(forces: xr.Dataset, assemblies: list[CornerCalibration]) -> list[str]:
    """Conditions outside of which the calibration does not hold, with what the drive did."""
    out = []
    beyond = ((forces["status"].to_numpy() & BIT["beyond_pulls"]) > 0).mean(axis=0)
    for k, corner in enumerate(forces["corner"].to_numpy()):
        reach = [f"{value / 1e3:.1f} kN" for value in forces["largest_pull"].to_numpy()[k]]
        share = f"{100 * beyond[k]:.1f} % of this drive" if beyond[k] else "no sample of this drive"
        out.append(
            f"{corner}: forces above {reach[0]} lengthwise, {reach[1]} sideways or {reach[2]} "
            f"vertically, the largest pulls ({share}); intervals are wider there."
        )
    for one in assemblies:
        out += [
            f"{one.corner}: {words} was not pulled; bridge data are used instead."
            for words in one.quality.rests_on_prior
        ]
    return out + _temperatures(forces, assemblies)


def _temperatures(forces: xr.Dataset, assemblies: list[CornerCalibration]) -> list[str]:
    pulled = np.array([one.conditions.temperature for one in assemblies])
    pulled = pulled[np.isfinite(pulled)]
    if not pulled.size or "gauge_temperature" not in forces:
        return []
    driven = forces["gauge_temperature"].to_numpy()
    if not np.isfinite(driven).any():
        return []
    return [
        f"Temperatures far from those of the pulls, {_span(pulled)}: the intervals hold only the "
        f"drift that the vehicle file states. In this drive the gauges had {_span(driven)}."
    ]


def _span(values: np.ndarray) -> str:
    low, high = round(float(np.nanmin(values))), round(float(np.nanmax(values)))
    return f"{low} \N{DEGREE SIGN}C" if low == high else f"{low} to {high} \N{DEGREE SIGN}C"


def _assembly(one: CornerCalibration) -> dict[str, Any]:
    quality = one.quality
    return {
        "name": one.corner,
        "map": _map(one),
        "gross": [error.sentence(one.corner) for error in quality.gross],
        "checks": [] if one.verification is None else _checks(one.verification),
        "pulls": [
            {"name": p.name, "peak": round(p.peak), "influence": round(100 * p.influence, 1)}
            for p in quality.pulls
        ],
        "temperature": known_number(one.conditions.temperature, 3),
        "fit": known_number(np.sqrt(quality.lack_of_fit), 3),
        "weakest": quality.weak_direction,
    }


def _map(one: CornerCalibration) -> dict[str, Any]:
    """K as percent of each gauge's main slope, with half-widths (95 %) and the main slopes."""
    main = np.argmax(np.abs(one.K * one.arms), axis=1)
    relative = 100 * one.arms / one.main_slope[:, None]
    parts = {"percent": one.crosstalk_percent, "half": COVERAGE_FACTOR * relative * one.u_K}
    rows = {name: [[known_number(v, 3) for v in row] for row in of] for name, of in parts.items()}
    slopes = [
        f"{1000 * one.K[g, m]:.4g} {unit} per kN{' m' if one.arms[m] < 1 else ''}"
        for g, (m, unit) in enumerate(zip(main, one.units, strict=True))
    ]
    stated = one.K_geometry[np.arange(len(main)), main]
    predicted = [f"{1000 * v:.4g}" if np.isfinite(v) else "" for v in stated]
    heads = {"gauges": list(one.gauges), "members": list(one.members)}
    return heads | rows | {"main": main.tolist(), "slopes": slopes, "predicted": predicted}


def _checks(found: Verification) -> list[dict[str, Any]]:
    """Every verification pull: errors of all its load steps over the half-widths (95 %)."""
    half = COVERAGE_FACTOR * found.u_error
    names = np.array(found.pull)
    out = []
    for name in dict.fromkeys(found.pull):
        own = names == name
        ratio = found.error[own] / half[own]
        worst = np.argmax(np.abs(ratio), axis=0)
        out.append(
            {
                "name": name,
                "peak": round(float(found.applied[own].max())),
                "inside": int((np.abs(ratio) <= 1).sum()),
                "count": int(ratio.size),
                "ratios": [[round(float(v), 2) for v in column] for column in ratio.T],
                "error": [round(float(found.error[own][w, i])) for i, w in enumerate(worst)],
                "half": [round(float(half[own][w, i])) for i, w in enumerate(worst)],
            }
        )
    return out
