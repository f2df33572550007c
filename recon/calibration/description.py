"""Every variable of the calibration file: dimensions, unit, name in words, and what it may hold."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import Variable
from recon.base.quantities import CORNERS, INDICATION_UNITS
from recon.base.status import VERDICTS
from recon.calibration.calibrated import (
    Conditions,
    CornerCalibration,
    Facts,
    PullReport,
    Quality,
    Verdict,
    Verification,
)
from recon.calibration.gross_errors import GrossError
from recon.car.vehicle import SIDES

# Units of indications (y) and of member loads (s), which follow from gauges and members.
Y, SLOPE, VARIANCE = "{y}", "{y}/{s}", "({y}/{s})^2"
SPELT = {"microstrain": "um/m", "counts": "count"}  # as the libraries of units know them


def _numbers(dims: tuple[str, ...], words: str, units: str = "1", **limits: Any) -> Variable:
    return Variable(dims, words, units, **limits)


def _texts(dims: tuple[str, ...], words: str, *known: str) -> Variable:
    return Variable(dims, words, kind="word", words=known)


FILE = {
    "corners": _texts(("corner_list",), "calibrated corners and tied axles", *CORNERS, *SIDES),
    "source_path": _texts(("source_list",), "file that the calibration was made from"),
    "source_checksum": _texts(("source_list",), "SHA-256 of that file"),
}
_VERIFIED = ("verified", "component")
# Each stored field, by the part of a corner's calibration that holds it.  Names of variables and
# dimensions get the corner's name in front.
FIELDS: dict[type, dict[str, Variable]] = {
    CornerCalibration: {
        "gauges": _texts(("gauge",), "gauge"),
        "units": _texts(("gauge",), "unit of the gauge's indication", *INDICATION_UNITS),
        "members": _texts(("member",), "member whose load the map takes"),
        "arms": _numbers(
            ("member",), "lever arm that makes a force of a moment (in m), 1 for forces",
            finite=True, least=1e-6,
        ),
        # A bridge shows some mV/V at thousands of newtons.
        "K": _numbers(
            ("gauge", "member"), "indication per load of a member", SLOPE,
            finite=True, least=-1.0, most=1.0,
        ),
        "K_geometry": _numbers(
            ("gauge", "member"), "indication per load as bridges and geometry predict it", SLOPE
        ),
        "sources": _texts(("source",), "source of uncertainty"),
        "covariance_by_source": _numbers(
            ("source", "term", "term_"), "covariance of the slopes, gauge by gauge, by source",
            VARIANCE, finite=True,
        ),
        "devices": _texts(("device",), "load device"),
        "gain_effect": _numbers(
            ("device", "term"), "change of the slopes per standard uncertainty of a device's gain",
            SLOPE, finite=True,
        ),
        "noise": _numbers(
            ("gauge",), "standard uncertainty of one tared indication", Y, finite=True, least=0.0
        ),
        "friction": _numbers(
            ("gauge",), "half-width of the loop that friction makes", Y, finite=True, least=0.0
        ),
    },
    Conditions: {
        "travel": _numbers((), "mean travel during the pulls", "m", finite=True),
        "rack": _numbers((), "mean rack shift to the left during the pulls", "m", finite=True),
        "temperature": _numbers((), "mean temperature during the pulls", "degC"),
        "force_reached": _numbers(
            ("component",), "largest force of the pulls, vehicle axes", "N", finite=True, least=0.0
        ),
        "tare": _numbers(("gauge",), "mean tare of the pulls", Y),
        "tare_scatter": _numbers(("gauge",), "standard deviation of the tares of the pulls", Y),
    },
    Quality: {
        "hysteresis": _numbers((), "width of the loop relative to the peak of a pull", finite=True),
        "lack_of_fit": _numbers((), "cost per degree of freedom, 1 where pulls agree", least=0.0),
        "dof": _numbers((), "degrees of freedom"),
        "singular_values": _numbers(
            ("direction",), "singular values of the scaled pulls", finite=True, least=0.0
        ),
        "weak_direction": _texts((), "direction that the pulls cover least"),
        "rests_on_prior": _texts(("resting",), "direction taken from bridge data"),
    },
    Verification: {
        "pull": _texts(("verified",), "verification pull"),
        "applied": _numbers(("verified",), "size of the applied force", "N", finite=True),
        "reference": _numbers(_VERIFIED, "applied force, vehicle axes", "N", finite=True),
        "error": _numbers(_VERIFIED, "measured force less applied force", "N", finite=True),
        "u_error": _numbers(
            _VERIFIED, "standard uncertainty of that error", "N", finite=True, least=1e-9
        ),
    },
    Verdict: {
        "state": _texts((), "good, good for limited forces, or unusable", *VERDICTS),
        "words": _texts((), "the same in a sentence"),
        "doubts": _texts(("doubt",), "what speaks against the calibration"),
    },
    Facts: {
        "place": _texts(("fact",), "fact of the vehicle file that the calibration depends on"),
        "value": _texts(("fact",), "its value"),
    },
}  # fmt: skip
# Parts that a corner may lack, and every part whose variables' names have a front of their own.
OPTIONAL: dict[type, str] = {Verification: "verification", Verdict: "verdict"}
FRONTS: dict[type, str] = OPTIONAL | {Facts: "facts"}
# Written for other programs; this one reads the sources of the covariance, and the arms.
EXTRA = {
    "covariance": _numbers(("term", "term_"), "covariance of the slopes", VARIANCE, finite=True),
    "member_units": _texts(("member",), "unit of the member's load", "N", "N m"),
}
# Lists of records, a variable for each field; a list that is empty is left out.
RECORDS: dict[str, type] = {"pull": PullReport, "gross": GrossError}
_RECORD_WORDS = {
    "pull_name": ("pull", ""),
    "pull_peak": ("largest load of the pull", "N"),
    "pull_angle": ("size of the fitted correction of its direction", "rad"),
    "pull_offset": ("size of the fitted correction of its point", "m"),
    "pull_hysteresis": ("width of its loop relative to its peak", "1"),
    "pull_zero_return": ("change of its tares relative to its largest indication", "1"),
    "pull_influence": ("largest relative change of a main slope without the pull", "1"),
    "pull_lack_without": ("cost over degrees of freedom without the pull", "1"),
    "gross_pull": ("pull with a load that seems mistyped", ""),
    "gross_line": ("line of the sheet", "1"),
    "gross_device": ("load device", ""),
    "gross_written": ("load as written", "N"),
    "gross_implied": ("load that the gauges imply", "N"),
    "gross_standardised": ("difference in standard uncertainties", "1"),
    "gross_left_out": ("1 if the load is left out of the fit", "1"),
}


def units_of(gauge_units: Iterable[str], arms: Floats) -> dict[str, str]:
    """Units of indications `y` and of loads `s`, in words where a corner has several of them.

    `arms` (member,) make forces of moments [m], 1 for forces.
    """
    found = {SPELT.get(unit, unit) for unit in gauge_units}
    y = found.pop() if len(found) == 1 else "unit_of_gauge"
    return {"y": y, "s": "N" if np.all(arms == 1.0) else "unit_of_member"}


def variables_of(corner: str, units: dict[str, str]) -> dict[str, Variable]:
    """Every variable that a corner may have, by its name in the file."""
    own = dict(EXTRA)
    for part, fields in FIELDS.items():
        front = f"{FRONTS[part]}_" if part in FRONTS else ""
        own |= {f"{front}{key}": variable for key, variable in fields.items()}
    for prefix, kind in RECORDS.items():
        for field in dataclasses.fields(kind):
            name, dims = f"{prefix}_{field.name}", (f"{prefix}_list",)
            words, unit = _RECORD_WORDS[name]
            own[name] = _numbers(dims, words, unit) if unit else _texts(dims, words)
    return {
        f"{corner}_{key}": replace(
            variable,
            dims=tuple(f"{corner}_{d}" for d in variable.dims),
            long_name=f"{corner}: {variable.long_name}",
            units=str(variable.units).format(**units),
        )
        for key, variable in own.items()
    }
