"""Words of a page: three sentences, sections, what is not known, and where it comes from."""

from __future__ import annotations

import json
from pathlib import PurePath
from typing import Any

import numpy as np

from recon.base.doubt import doubted_corners
from recon.base.labelled import corner_names, sentences_of
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, COVERAGE_FACTOR
from recon.base.status import BIT
from recon.evaluation.common.alternatives import drive_of
from recon.evaluation.sections.find_sections import sections_of
from recon.pages.calibration import SHORT
from recon.pages.html_document import known_number
from recon.pages.plain_names import plain
from recon.pages.section_finding import finding
from recon.records.doubt_variables import doubts_in
from recon.records.provenance import recorded_inputs

DIRECTIONS = dict(zip(COMPONENTS, ("along", "sideways", "vertically"), strict=True))
NOT_LOGGED = "not logged"  # in the words of a cause that stands for a channel
# Channels that a logger may have and that forces or answers use; a steer that is not logged in any
# of its forms is a cause of uncertainty of its own.
USED = (
    *("acceleration", "hub_acceleration", "speed", "wheel_speed", "brake_pressure"),
    *("yaw_rate", "throttle", "gear", "gauge_temperature"),
)
# Steps from the pulls to the forces: option that named the file, words for it.
STEPS = (
    ("pulls of calibration", "pulls"),
    ("verification of calibration", "pulls held out"),
    ("vehicle of calibration", "car, when pulled"),
    ("calibration", "map (calibration)"),
    ("vehicle", "car"),
    ("tares", "tares"),
    ("log", "log of the drive"),
    ("also_log", "further log"),
)


def sentences(forces: xr.Dataset, why: dict[str, Any]) -> list[str]:
    """Three sentences: what is known and how well, what dominates the doubt, what to do next."""
    return [_known(forces), _dominant(why), plain(_next(forces, why))]


def _known(forces: xr.Dataset) -> str:
    time = forces["elapsed_time"].to_numpy()
    u = np.asarray(forces["u_tyre_force"].to_numpy(), dtype=float)
    known = np.isfinite(u).any(axis=0)
    width = np.zeros(known.shape)
    width[known] = COVERAGE_FACTOR * np.nanmedian(u[:, known], axis=0)
    corners = corner_names(forces)
    whole = [c for k, c in enumerate(corners) if known[k].all()]
    parts = [
        f"{width[known[:, i], i].max():.0f} N {word}"
        for i, word in enumerate(DIRECTIONS.values())
        if known[:, i].any()
    ]
    doubted = doubted_corners(doubts_in(forces))
    head = f"DOUBTED ({', '.join(doubted)}). " if doubted else ""
    some = (
        "" if len(whole) == len(corners) else f" (all three only at {', '.join(whole) or 'none'})"
    )
    return (
        f"{head}{time[-1] - time[0]:.1f} s of {forces.attrs['vehicle']}: the forces of the road "
        f"on {', '.join(corners)} are known{some} within +-{', +-'.join(parts)} "
        "half of the time (95 % intervals of the tyre that is known least)."
    )


def _totals(why: dict[str, Any]) -> list[tuple[float, int]]:
    """Share of the variance of all forces from each cause that has a name, largest first."""
    sums: dict[int, float] = {}
    for own in why["forces"].values():
        for place, values in own.items():
            sums[int(place)] = sums.get(int(place), 0.0) + float(np.sum(np.square(values)))
    whole = sum(sums.values()) or 1.0
    named = {place: value for place, value in sums.items() if why["causes"][place]["cure"]}
    return sorted(((value / whole, place) for place, value in named.items()), reverse=True)


def _dominant(why: dict[str, Any]) -> str:
    found = [(share, why["causes"][place]) for share, place in _totals(why)[:2]]
    if not found:
        return "Nothing is known about the causes of the uncertainty."
    words = [f"{cause['words']} ({100 * share:.0f} % of the variance)" for share, cause in found]
    return f"What widens the intervals most is {' and then '.join(words)}."


def _next(forces: xr.Dataset, why: dict[str, Any]) -> str:
    assumed = len(forces["assumption"]) if "assumption" in forces.variables else 0
    head = f"{assumed} values were assumed, because no file states them. "
    if not assumed:
        head = (
            "The files state every value that is asked of them. "
            if "input_role" in forces.variables
            else ""
        )
    useful = str(forces.attrs.get("most_useful_channel", ""))
    if useful:
        return f"{head}Next: {useful}"
    cure = next((why["causes"][place]["cure"] for _, place in _totals(why)), "")
    return f"{head}Next: {cure}." if cure else head + "There is nothing cheap left to do."


def section_list(sections: xr.Dataset, forces: xr.Dataset) -> list[dict[str, Any]]:
    """Sections with start and end [s], their finding, and why each was taken."""
    reasons = sections["section_reason"].to_numpy()
    drive = drive_of(forces)
    return [
        {
            "name": section.name,
            "start": section.start,
            "end": section.end,
            "parent": section.parent,
            "inner": bool(section.parent),
            "finding": "" if section.parent else finding(section, drive),
            "reason": str(reasons[i]),
            "undecided": section.undecided,
        }
        for i, section in enumerate(sections_of(sections))
    ]


def lift_list(sections: xr.Dataset) -> list[dict[str, Any]]:
    """Wheel lifts with start and end [s]; an end outside of the log is None."""
    if not sections.sizes.get("lift", 0):
        return []
    columns = [sections[f"lift_{n}"].to_numpy() for n in ("corner", "kind", "start", "end")]
    return [
        {"corner": str(c), "kind": str(kind), "start": known_number(a), "end": known_number(b)}
        for c, kind, a, b in zip(*columns, strict=True)
    ]


def facts(forces: xr.Dataset, why: dict[str, Any]) -> dict[str, list[str]]:
    """Everything that limits the result, as lists of sentences by heading."""
    lists = {
        "Doubts": [str(doubt) for doubt in doubts_in(forces)],
        "Not known": _not_known(forces),
        "Channels missing": _missing_channels(forces, why),
        "Not tested": sentences_of(forces, "not_compared"),
        "Assumed": _words(forces, "assumption"),
        "Notes": _words(forces, "note"),
    }
    return {name: [plain(v) for v in values] for name, values in lists.items() if values}


OTHERWISE = "gaps, or a gauge without value"


def _not_known(forces: xr.Dataset) -> list[str]:
    """Forces that are not known, throughout or for a while; one sentence if there are none."""
    out = sentences_of(forces, "not_known", "; ")
    known = np.isfinite(forces["tyre_force"].to_numpy())
    for k, corner in enumerate(forces["corner"].to_numpy()):
        never = [f"F{axis}" for i, axis in enumerate(COMPONENTS) if not known[:, k, i].any()]
        if never and not any(str(corner) in sentence for sentence in out):
            out.append(f"{corner}: {', '.join(never)} at no time")
        ever = known[:, k, known[:, k].any(axis=0)]
        away = 100 * (1 - float(ever.all(axis=1).mean())) if ever.size else 0.0
        if away > 0:
            posed = (forces["status"].to_numpy()[:, k] & BIT["beyond_pose"]) > 0
            why = "travel or steer beyond the stated range" if posed.any() else OTHERWISE
            out.append(f"{corner}: {away:.3g} % of the samples ({why})")
    return out or ["Nothing: all three forces of every tyre are known at every sample"]


def _missing_channels(forces: xr.Dataset, why: dict[str, Any]) -> list[str]:
    """Channels that nobody logged: first those that widen the forces, with the cure."""
    out = {
        cause["of"].partition(", which")[0]: f"it widens the forces; {cause['cure']}"
        for cause in why["causes"]
        if NOT_LOGGED in cause["of"]
    }
    for name in USED:
        words = name.replace("_", " ")
        if words not in out and not (name in forces and forces[name].notnull().any()):
            out[words] = "not logged"
    return [f"{name}: {words}" for name, words in out.items()] or [
        "None: everything that the forces and answers use was logged"
    ]


def _words(forces: xr.Dataset, name: str) -> list[str]:
    return [str(w) for w in forces[name].to_numpy()] if name in forces.variables else []


def provenance(forces: xr.Dataset) -> list[dict[str, str]]:
    """Boxes from the pulls to the forces: what, file, checksum, date, and the role of the file."""
    dates = {
        "calibration": _moment(forces.attrs.get("calibration_created")),
        "log": str(forces.attrs.get("log_date", "")),
    }
    boxes = [
        {"what": words, "file": PurePath(own.file).name, "checksum": own.checksum[:SHORT],
         "date": dates.get(role, "") or "not dated", "role": role}
        for role, words in STEPS
        for own in recorded_inputs(forces)
        if own.role == role
    ]  # fmt: skip
    settings = {"what": "settings", "file": _settings(forces), "role": "settings",
                "checksum": f"{float(forces.attrs['bandwidth_Hz']):.4g} Hz"}  # fmt: skip
    made = {
        "what": "forces",
        "file": str(forces.attrs.get("program", "")),
        "checksum": str(forces.attrs.get("platform", "")),
        "date": _moment(forces.attrs.get("history")),
        "role": "forces",
    }
    return [*boxes, settings, made]


def _moment(text: object) -> str:
    """Day and minute of a date and time, ISO 8601."""
    return str(text or "")[:16].replace("T", " ")


def _settings(forces: xr.Dataset) -> str:
    """Options of the reconstruction that were set, in words."""
    options = json.loads(str(forces.attrs.get("settings", "") or "{}"))
    chosen = [f"{name} {value}" for name, value in options.items() if value]
    return ", ".join(chosen).replace("_", " ") or "all as by default"
