"""Where a result comes from: attributes of the whole, and the verdicts on the calibration."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from recon.base.labelled import SEPARATOR, corner_names
from recon.base.late import xr
from recon.calibration.calibrated import Calibration, Verdict
from recon.car.vehicle import Vehicle
from recon.conditioning.carrying import timing_of
from recon.reconstruction.solving.solver import Solver
from recon.records.forces import CHANNELS


def provenance(log: xr.Dataset, car: Vehicle, calibration: Calibration) -> dict[str, object]:
    """Attributes of the whole result: sources with their checksums, references, assumptions."""
    return {
        "title": f"Tyre forces of {car.name}",
        "source": "strain gauges on suspension links, reconstructed",
        "institution": "not stated",
        "references": "ISO 8855:2011 for axes; JCGM 100:2008 for uncertainty",
        "comment": "Forces are those of the road on the tyre. A bound in contact is a flag, "
        "never a measurement.",
        "vehicle": car.name,
        "vehicle_checksum": car.checksum,
        "log_checksum": str(log.attrs.get("checksum", "")),
        "log_date": str(log.attrs.get("date", "")),
        "calibration_created": calibration.created,
        "calibration_sources": "; ".join(f"{p} {c}" for p, c in calibration.sources),
        "bandwidth_Hz": _rounded(log.attrs.get("bandwidth", np.nan)),
        "rate_Hz": _rounded(log.attrs.get("rate", np.nan)),
        "time_base": SEPARATOR.join(
            str(words) for key in ("clocks", "time_base") for words in log.attrs.get(key, ())
        ),
        "assumptions": SEPARATOR.join(map(str, car.assumed)),
        "format": 1,
    }


def hop_not_measured(solvers: Iterable[Solver]) -> Iterator[str]:
    """Corners where neither an accelerometer at the hub nor travel shows how the wheel hops."""
    for solver in solvers:
        for corner, of in zip(solver.assembly.corners, solver.session.wheels, strict=True):
            if not of.travel_logged and of.acceleration_from[2] != "hub":
                yield corner.name


def channels_of(log: xr.Dataset, corners: list[str]) -> dict[str, xr.DataArray]:
    """Other channels of the log [SI] (elapsed_time, ...) for these corners; files halve them."""
    out = {}
    for name in [name for name in CHANNELS if name in log]:
        of = log[name]
        if "corner" in of.dims:
            of = _of_corners(of, corners)
        out[name] = of.copy(deep=False)
        out[name].attrs = CHANNELS[name].attributes | timing_of(of)
        out[name].encoding = {"dtype": "float32"}
    return out


def _of_corners(channel: xr.DataArray, corners: list[str]) -> xr.DataArray:
    """The channel at these corners, not copied where they are neighbours."""
    there = corner_names(channel)
    first = there.index(corners[0]) if corners[0] in there else 0
    if there[first : first + len(corners)] == corners:
        return channel.isel(corner=slice(first, first + len(corners)))
    return channel.reindex(corner=corners)


def facts_of(car: Vehicle, corners: list[str]) -> dict[str, NDArray]:
    """Facts of the car that answers need, by name, for these corners.

    Arrays are (corner,), (corner, component) or single numbers [SI], in vehicle axes at design
    height.
    """
    of = [car.corners[name] for name in corners]
    down = [np.array([0.0, 0.0, corner.wheel.loaded_radius]) for corner in of]
    facts: dict[str, object] = {
        "contact_point": [np.asarray(c.wheel.centre) - d for c, d in zip(of, down, strict=True)],
        "loaded_radius": [c.wheel.loaded_radius for c in of],
        "driven": [np.int8(c.driven) for c in of],
        "unsprung_mass": [c.unsprung_mass for c in of],
        "u_unsprung_mass": [c.u_unsprung_mass for c in of],
        "u_hub_acceleration_share": car.sensors.u_hub_acceleration_share,
        "brake_torque_per_pressure": [c.brake.torque_per_pressure for c in of],
        "u_brake_torque_per_pressure": [c.brake.u_torque_per_pressure for c in of],
        "vehicle_mass": car.mass,
        "u_vehicle_mass": car.u_mass,
        "centre_of_mass": car.centre_of_mass,
        "u_centre_of_mass": car.u_centre_of_mass,
    }
    return {name: np.asarray(value) for name, value in facts.items()}


def _rounded(frequency: float) -> float:
    """Frequency to nine digits: times in a log carry no more."""
    return float(f"{frequency:.9g}")


def verdicts_by_corner(
    solvers: Iterable[Solver], verdicts: Mapping[str, Verdict]
) -> dict[str, NDArray]:
    """State, words and doubts (corner,) of the calibration; both wheels of an axle share them."""
    found = [verdicts[s.assembly.name] for s in solvers for _ in s.assembly.corners]
    return {
        "calibration_state": np.array([v.state for v in found], dtype=str),
        "calibration_verdict": np.array([v.words for v in found], dtype=str),
        "calibration_doubt": np.array([SEPARATOR.join(v.doubts) for v in found], dtype=str),
    }
