"""Description of the reconstruction's result, which every analysis and picture takes in.

Forces are those of the road on the tyre, ISO 8855 axes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from recon.base.doubt import CAUSES, UNSEEN
from recon.base.errors import DataError, NoAnswerError, shortened
from recon.base.labelled import (
    LARGEST,
    SEPARATOR,
    Variable,
    place_of,
    require,
    require_content,
    require_frequencies,
    require_labels,
    require_order,
)
from recon.base.late import xr
from recon.base.quantities import COMPONENTS, CORNERS
from recon.base.status import FLAGS, VERDICTS
from recon.planning.unknowns import MODES
from recon.records.logs import VARIABLES
from recon.records.provenance import RECORD

AXES = {
    "": "tyre axes: x along the wheel's heading in the road plane, z normal to the road",
    "_intermediate": "intermediate axes: x along the car's heading, level with the road",
    "_vehicle": "vehicle axes: fixed to the body",
}
PARTS = ("session", "calibration", "assumption")  # of the uncertainty, beside the random one
NO_GAUGE = "none"  # of causes that belong to no single gauge
MAKE_AGAIN = "Name the file that `recon reconstruct` wrote (forces.nc), or write it again."

BALANCES = ("sum of Fx", "sum of Fy", "yaw moment / wheelbase")
_BALANCE = ("window", "balance")
_WHEEL = ("elapsed_time", "corner")
_FORCE = (*_WHEEL, "component")
_EFFECT = ("cause", "corner", "component", "feature")
_PER_CAUSE = {"comment": "per standard uncertainty of the cause and unit of the feature"}


def _force(words: str, axes: str = "", least: float = -LARGEST) -> Variable:
    name = f"{words.format('force of the road on the tyre')}, {AXES[axes]}"
    return Variable(_FORCE, name, "N", least=least)


def _forces() -> dict[str, Variable]:
    """Forces in three axes with their uncertainties, parts and limits."""
    out = {}
    for axes in AXES:
        out[f"tyre_force{axes}"] = _force("{}", axes)
        out[f"u_tyre_force{axes}"] = _force("total standard uncertainty of the {}", axes, 0.0)
    for end in ("lower", "upper"):
        out[f"tyre_force_{end}"] = _force(f"{end} 95 % limit of the {{}}")
    for part in ("random", *PARTS):
        words = f"{part} part of the standard uncertainty of the {{}}"
        out[f"u_tyre_force_{part}"] = _force(words, "", 0.0)
    out["tyre_force_unbounded"] = _force("{} without the bound Fz >= 0")
    with_rows = "{} with the balance of the whole car"
    out["tyre_force_whole_car"] = _force(with_rows)
    out["u_tyre_force_whole_car"] = _force(f"standard uncertainty of the {with_rows}", "", 0.0)
    for end in ("lower", "upper"):
        out[f"tyre_force_whole_car_{end}"] = _force(f"{end} 95 % limit of the {with_rows}")
    more = {"ancillary_variables": "u_tyre_force tyre_force_lower tyre_force_upper status"}
    return out | {"tyre_force": replace(out["tyre_force"], more=more)}


def _status(of: str) -> Variable:
    """Flags of every sample of a corner or a gauge, CF conventions."""
    flags = {
        "standard_name": "quality_flag",
        "flag_masks": np.array([f.bit for f in FLAGS], dtype=np.uint16),
        "flag_meanings": " ".join(f.name for f in FLAGS),
        "comment": SEPARATOR.join(f"{f.name}: {f.meaning}" for f in FLAGS),
    }
    words = f"status of the sample, by {of}"
    dims = ("elapsed_time", of)
    return Variable(dims, words, kind="whole", least=0, most=2**16 - 1, more=flags)


# Every variable of the file, by name.
FORCES: dict[str, Variable] = {
    **_forces(),
    "elapsed_time": Variable(("elapsed_time",), "elapsed time", "s", finite=True),
    "corner": Variable(("corner",), "corner of the car", kind="word", words=CORNERS),
    "component": Variable(("component",), "axis", kind="word", words=COMPONENTS),
    "whole_car_at_bound": Variable(
        _WHEEL,
        "1 where the answer with the whole car is at a bound, and no measurement",
        kind="whole",
        least=0,
        most=1,
    ),
    "hub_moment": Variable(
        _WHEEL,
        "moment of the hub on the upright about the spin axis",
        "N m",
        more={"comment": "a feature of the uncertainty model, not a result"},
    ),
    "u_hub_moment": Variable(
        ("mode", "corner"),
        "standard uncertainty of the moment of the hub at design height, by state of the hubs",
        "N m",
        least=0.0,
        more={"comment": "NaN where there is no such state of the hubs"},
    ),
    "hub_moment_correlation": Variable(
        ("mode", "corner"),
        "correlation of the errors of both hub moments of a tied axle, by state of the hubs",
        "1",
        least=-1.0,
        most=1.0,
        more={"comment": "0 for a wheel that stands alone"},
    ),
    "heading": Variable(_WHEEL, "heading of the wheel against the car, left positive", "rad"),
    "travel": Variable(_WHEEL, "travel as used, bump positive", "m"),
    "rack": Variable(("elapsed_time",), "rack shift to the left", "m"),
    "gauge": Variable(("gauge",), "gauge used", kind="word"),
    "status": _status("corner"),
    "gauge_status": _status("gauge"),
    "window_time": Variable(
        ("window",), "middle of each short mean that the drive was tested with", "s", finite=True
    ),
    "contradiction": Variable(
        ("window", "gauge"),
        "each gauge against the others of its assembly, in standard uncertainties",
        "1",
        more={"comment": "within about 3 if sound; NaN where the gauges have no value"},
    ),
    "balance": Variable(("balance",), "law of motion of the car", kind="word", words=BALANCES),
    "balance_by_tyres": Variable(_BALANCE, "sum of the forces of all tyres, level axes", "N"),
    "balance_by_motion": Variable(_BALANCE, "what the motion of the car needs", "N"),
    "u_balance": Variable(
        _BALANCE, "standard uncertainty of their difference on a sound drive", "N", least=0.0
    ),
    "unseen_fault": Variable(
        ("unseen",),
        "kind of fault that no comparison of the drive may see",
        kind="word",
        words=tuple(UNSEEN),
        more={"comment": SEPARATOR.join(f"{kind}: {words}" for kind, words in UNSEEN.items())},
    ),
    "unseen_error": Variable(
        ("unseen", "corner", "component"),
        "error that such a fault may hide, exceeded for 5 % of the drive, level or in tyre axes",
        "N",
        least=0.0,
    ),
    "unseen_gauge": Variable(
        ("unseen", "corner"), "gauge, assembly or channel whose fault may hide most", kind="word"
    ),
    "unseen_size": Variable(
        ("unseen", "corner"),
        "size of that fault",
        "1",
        more={
            "comment": "zero, jump: N of the gauge's own load; gains, signs and units: share of "
            "the values; late: s; channel zero: SI unit of the channel; exchanged: 1"
        },
        least=0.0,
    ),
    "hub_mode": Variable(
        _WHEEL,
        "state of the hub: rolling, braked or locked (moment it passes to the upright)",
        kind="whole",
        more={
            "flag_values": np.arange(len(MODES), dtype=np.int8),
            "flag_meanings": " ".join(MODES),
        },
        least=0,
        most=len(MODES) - 1,
    ),
    "calibration_state": Variable(
        ("corner",),
        "verdict on the calibration of the corner: good, for limited forces, or unusable (then "
        "accepted by name)",
        kind="word",
        words=VERDICTS,
    ),
    "calibration_verdict": Variable(("corner",), "the same verdict in a sentence", kind="word"),
    "calibration_doubt": Variable(
        ("corner",), "sentences of doubt about the calibration, separated by |", kind="word"
    ),
    "cause_name": Variable(("cause",), "cause of error", kind="word"),
    "cause_scope": Variable(
        ("cause",), "keeps its value over one session, one calibration or for this car", kind="word"
    ),
    "cause_gauge": Variable(("cause",), "gauge of a cause that belongs to one", kind="word"),
    "cause_part": Variable(("cause",), "part of the uncertainty", kind="word", words=PARTS),
    "loading": Variable(
        ("cause", "mode", *_EFFECT[1:]),
        "effect of each cause, vehicle axes",
        "N",
        finite=True,
        more=_PER_CAUSE,
    ),
    "loading_added_intermediate": Variable(
        _EFFECT,
        "effect that each cause adds in intermediate axes, as roll and pitch turn the forces",
        "N",
        finite=True,
        more=_PER_CAUSE,
    ),
    "loading_added_tyre": Variable(
        _EFFECT,
        "effect that each cause adds in tyre axes, as the heading turns intermediate forces",
        "N",
        finite=True,
        more=_PER_CAUSE,
    ),
    "partner": Variable(
        ("corner",),
        "position of the corner that an axle ties to this one, -1 for none",
        kind="whole",
        least=-1,
        most=len(CORNERS) - 1,
    ),
    # A corner that stands alone has no second travel (NaN); the rack's scale stands last.
    "feature_scale": Variable(
        ("corner", "pose"), "scale of travel and rack in the features", "m", least=1e-9
    ),
    "largest_pull": Variable(
        ("corner", "component"),
        "largest force of the pulls, vehicle axes; beyond it the uncertainty is widened",
        "N",
        least=0.0,
    ),
    "known_sum": Variable(
        ("known_sum",), "forces known together, with u at usual load", kind="word"
    ),
    "sum_of_forces": Variable(
        ("elapsed_time", "known_sum"),
        "sum of forces known together",
        "N",
        more={"ancillary_variables": "u_sum_of_forces sum_weight"},
    ),
    "u_sum_of_forces": Variable(
        ("elapsed_time", "known_sum"), "standard uncertainty of the sum of forces", "N", least=0.0
    ),
    "sum_weight": Variable(
        ("known_sum", "corner", "component"), "share of each force in the sum", "1", finite=True
    ),
}
_PER_WHEEL = ("corner",)
# Facts of the car that answers need, as its vehicle file states them.
FACTS: dict[str, Variable] = {
    "contact_point": Variable(
        ("corner", "component"), "contact centre at design height, vehicle axes", "m"
    ),
    "loaded_radius": Variable(_PER_WHEEL, "loaded radius of the tyre", "m", least=0.0),
    "driven": Variable(_PER_WHEEL, "1 where the wheel is driven", kind="whole", least=0, most=1),
    "unsprung_mass": Variable(_PER_WHEEL, "unsprung mass", "kg", least=0.0),
    "u_unsprung_mass": Variable(
        _PER_WHEEL, "standard uncertainty of the unsprung mass", "kg", least=0.0
    ),
    "u_hub_acceleration_share": Variable(
        (), "standard uncertainty of the hub accelerometers, as a share", "1", least=0.0
    ),
    "brake_torque_per_pressure": Variable(
        _PER_WHEEL, "brake torque of one wheel over line pressure", "m3", least=0.0
    ),
    "u_brake_torque_per_pressure": Variable(
        _PER_WHEEL, "standard uncertainty of brake torque over line pressure", "m3", least=0.0
    ),
    "vehicle_mass": Variable((), "mass of the car with driver", "kg", least=0.0),
    "u_vehicle_mass": Variable((), "standard uncertainty of the mass", "kg", least=0.0),
    "centre_of_mass": Variable(("component",), "centre of mass, vehicle axes", "m"),
    "u_centre_of_mass": Variable(
        ("component",), "standard uncertainty of the centre of mass", "m", least=0.0
    ),
}
FORCES |= FACTS
# Other channels of the log; travel and rack are there as they were used.
CHANNELS: dict[str, Variable] = {
    name: replace(of, long_name=f"{of.long_name}, as logged and conditioned")
    for name, of in VARIABLES.items()
    if name not in FORCES
}
CHANNELS["relative_acceleration"] = Variable(
    _FORCE, "acceleration of the wheel centre against the centre of mass, as used", "m/s2"
)
FORCES |= CHANNELS
_WEIGHING = ("weighing",)
FORCES |= RECORD | {
    "weighing_corner": Variable(_WEIGHING, "corner on its pad", kind="word", words=CORNERS),
    "weighing_when": Variable(_WEIGHING, "time of the tares", kind="word"),
    "weighing_gauges": Variable(_WEIGHING, "vertical force by the gauges", "N"),
    "weighing_pad": Variable(_WEIGHING, "vertical force by the pad", "N"),
    "u_weighing": Variable(
        _WEIGHING, "standard uncertainty of the difference of gauges and pad", "N", least=0.0
    ),
}
_DOUBT = ("doubt",)
# Reasons not to believe a part of the result; every result that came from doubted forces has them.
DOUBTS: dict[str, Variable] = {
    "doubt_corners": Variable(_DOUBT, "corners doubted, separated by commas", kind="word"),
    "doubt_cause": Variable(
        _DOUBT, "named cause, or not known", kind="word", words=tuple(CAUSES),
        more={"comment": SEPARATOR.join(f"{name}: {meaning}" for name, meaning in CAUSES.items())},
    ),
    "doubt_channels": Variable(_DOUBT, "channels that have it, by commas", kind="word"),
    "doubt_probability": Variable(
        _DOUBT, "probability of the cause among those tried", "1", least=0.0, most=1.0
    ),
    "doubt_start": Variable(_DOUBT, "elapsed time from which it holds", "s"),
    "doubt_end": Variable(_DOUBT, "elapsed time until which it holds", "s"),
    "doubt_found": Variable(_DOUBT, "what the data show", kind="word"),
    "doubt_do": Variable(_DOUBT, "what to look at, and lines to add to a map", kind="word"),
}  # fmt: skip
FORCES |= DOUBTS
LABELS = ("elapsed_time", "corner", "component")
# Whatever has one of these is a result of the reconstruction, whole or spoiled.
ONLY_FORCES = tuple(name for name in FORCES if name.startswith(("tyre_force", "loading", "hub_")))
SUMS = ("known_sum", "sum_of_forces", "u_sum_of_forces", "sum_weight")  # all of them or none
# What `signed_errors` wants of forces: the loadings of every cause and what they multiply.
SIGNED = (
    *("loading", "loading_added_intermediate", "loading_added_tyre", "feature_scale", "partner"),
    *("tyre_force_vehicle", "tyre_force_intermediate"),
    *("hub_moment", "hub_mode", "heading", "travel", "rack", "status", "largest_pull"),
)
VERDICT = ("calibration_state", "calibration_verdict", "calibration_doubt")  # on each corner's


def require_forces(dataset: xr.Dataset, *names: str) -> None:
    """Refuse a dataset that is no result of the reconstruction.

    The variables `names` are needed, with labels and, where there is one, all parts of a known sum.

    Raises DataError: one of these or of the others that are there is not as described, or labels,
    times or attributes are wrong.
    """
    sums = SUMS if any(name in dataset.variables for name in SUMS) else ()
    there = [name for name in FORCES if name in dataset.variables]
    require(dataset, FORCES, (*names, *LABELS, *sums, *there), MAKE_AGAIN)
    corners = dataset["corner"].to_numpy().tolist()
    if not corners or not set(corners) <= set(CORNERS):
        found = f"corners {', '.join(map(str, corners)) or 'none'}"
        raise DataError(place_of(dataset), found, f"some of {', '.join(CORNERS)}", MAKE_AGAIN)
    require_labels(dataset, MAKE_AGAIN)
    require_order(dataset, MAKE_AGAIN)


def require_answerable(dataset: xr.Dataset, *names: str) -> None:
    """Refuse forces that no answer can be calculated from: facts of the car are needed, too.

    Raises DataError: as `require_forces`; or rate or bandwidth are not stated.
    """
    require_forces(dataset, *names, *FACTS)
    require_frequencies(dataset, ("rate_Hz", "bandwidth_Hz"), MAKE_AGAIN)


def nothing_known(forces: xr.Dataset, found: str, needed: str, do: str = "") -> NoAnswerError:
    """The refusal of forces of which a kind is known nowhere, with the reason that they state."""
    why = str(forces.attrs.get("not_known", "")) or do or "Look at the status flags of the forces."
    return NoAnswerError(place_of(forces), found, needed, why)


def require_option(
    forces: xr.Dataset,
    name: str,
    value: float | None,
    unit: str,
    *,
    zero: bool = False,
    do: str = "Leave it out for the usual one.",
) -> None:
    """Refuse a number that a user asked for and that is not above zero, or not from `zero` up.

    Raises DataError: it is such a number; `do` is the remedy.
    """
    if value is None or 0 < value < np.inf or (zero and value == 0):
        return
    needed = f"a number from 0 {unit} up" if zero else f"a number above 0 {unit}"
    raise DataError(place_of(forces), f"{name} = {value:g} {unit} asked for", needed, do)


def require_sound_forces(dataset: xr.Dataset) -> None:
    """Refuse a file of forces with a variable that is not as described, numbers included.

    Loadings, facts of the car and verdicts on its calibration are in every file.

    Raises DataError: as `require_forces`; or a number or word is impossible, or an attribute is
    missing.
    """
    there = [name for name in FORCES if name in dataset.variables]
    if any(name in DOUBTS for name in there):
        there = list(dict.fromkeys([*there, *DOUBTS]))  # all of them or none
    require_answerable(dataset, *SIGNED, *VERDICT, *there)
    require_content(dataset, FORCES, there, MAKE_AGAIN)
    for name in ("title", "vehicle", "not_known"):
        if not isinstance(dataset.attrs.get(name), str):
            where, value = f"{place_of(dataset)}, attribute {name}", dataset.attrs.get(name)
            raise DataError(where, shortened(repr(value), 60), "a text", MAKE_AGAIN)
