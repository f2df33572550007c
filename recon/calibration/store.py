"""The calibration as a file that a later run reads back: netCDF, variables per corner."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recon.base.errors import DataError
from recon.calibration.calibrated import (
    Calibration,
    Conditions,
    CornerCalibration,
    PullReport,
    Quality,
    Verification,
)
from recon.calibration.gross import GrossError
from recon.records.results import read_result, write_result

if TYPE_CHECKING:
    import xarray as xr

KIND = "calibration"
# Dimensions of each stored field, by the part of a corner's calibration that holds it.  Names of
# variables and dimensions get the corner's name in front.
FIELDS: dict[type, dict[str, tuple[str, ...]]] = {
    CornerCalibration: {
        "gauges": ("gauge",),
        "units": ("gauge",),
        "members": ("member",),
        "arms": ("member",),
        "K": ("gauge", "member"),
        "K_geometry": ("gauge", "member"),
        "sources": ("source",),
        "covariance_by_source": ("source", "term", "term_"),
        "devices": ("device",),
        "gain_effect": ("device", "term"),
        "noise": ("gauge",),
        "friction": ("gauge",),
    },
    Conditions: {"travel": (), "rack": (), "temperature": (), "force_reached": ("component",)},
    Quality: {
        "hysteresis": (),
        "lack_of_fit": (),
        "dof": (),
        "singular_values": ("direction",),
        "weak_direction": (),
        "rests_on_prior": ("resting",),
    },
    Verification: {
        "pull": ("verified",),
        "applied": ("verified",),
        "reference": ("verified", "component"),
        "error": ("verified", "component"),
        "u_error": ("verified", "component"),
    },
}


def write_calibration(
    calibration: Calibration, path: str | Path, *, overwrite: bool = False
) -> Path:
    """Write the calibration; a result already there is kept unless `overwrite`.

    Raises
    ------
    OutputError
        The file is there already, or its folder cannot be written.
    """
    return write_result(_to_dataset(calibration), path, overwrite=overwrite)


def read_calibration(path: str | Path) -> Calibration:
    """Read a calibration that `write_calibration` wrote.

    Raises
    ------
    DataError
        The file is missing, no calibration, or of a newer format.
    """
    dataset = read_result(path)
    if dataset.attrs.get("kind") != KIND:
        raise DataError(
            str(path),
            f"a file titled '{dataset.attrs.get('title', 'without title')}'",
            "a calibration file",
            "Name the file that `recon calibrate` wrote.",
        )
    names = _words(dataset["corners"])
    return Calibration(
        vehicle=str(dataset.attrs["vehicle"]),
        vehicle_checksum=str(dataset.attrs["vehicle_checksum"]),
        created=str(dataset.attrs["created"]),
        sources=tuple(
            zip(_labels(dataset["source_path"]), _labels(dataset["source_checksum"]), strict=True)
        ),
        corners={name: _corner_from(dataset, name) for name in names},
    )


def _labels(variable: Any) -> tuple[str, ...]:
    return tuple(str(w) for w in np.atleast_1d(variable.to_numpy()))


def _words(variable: Any) -> tuple[str, ...]:
    """Labels without the blank that stands for an empty list."""
    return tuple(w for w in _labels(variable) if w)


def _to_dataset(calibration: Calibration) -> xr.Dataset:
    import xarray as xr

    data: dict[str, Any] = {
        "corners": (("corner_list",), np.asarray(list(calibration.corners), dtype=str)),
        "source_path": (
            ("source_list",),
            np.asarray([p for p, _ in calibration.sources], dtype=str),
        ),
        "source_checksum": (
            ("source_list",),
            np.asarray([c for _, c in calibration.sources], dtype=str),
        ),
    }
    for name, corner in calibration.corners.items():
        data |= {f"{name}_{key}": value for key, value in _corner_to(name, corner).items()}
    for key, (dims, values) in data.items():
        words = {"long_name": key.replace("_", " ")}
        number = np.asarray(values).dtype.kind == "f"
        data[key] = (dims, values, words | ({"units": "1"} if number else {}))
    return xr.Dataset(
        data,
        attrs={
            "kind": KIND,
            "title": f"Calibration of {calibration.vehicle}",
            "vehicle": calibration.vehicle,
            "vehicle_checksum": calibration.vehicle_checksum,
            "created": calibration.created,
            "source": "pulls with known forces on gauged suspension links",
            "institution": "not stated",
            "references": "JCGM 100:2008",
            "comment": "K maps member loads (tension positive, N) to indications in gauges' units",
        },
    )


def _corner_to(name: str, corner: CornerCalibration) -> dict[str, tuple]:
    quality = corner.quality
    out = _fields_to(name, corner) | _fields_to(name, corner.conditions)
    out |= _fields_to(name, quality)
    # The sum of the sources, for other programs; this one reads the sources.
    out["covariance"] = ((f"{name}_term", f"{name}_term_"), corner.covariance)
    out |= _records_to(name, "pull", quality.pulls, PullReport)
    out |= _records_to(name, "gross", quality.gross, GrossError)
    if corner.verification is not None:
        checked = _fields_to(name, corner.verification)
        out |= {f"verification_{key}": value for key, value in checked.items()}
    return out


def _fields_to(name: str, part: Any) -> dict[str, tuple]:
    """Variables of one part of a corner's calibration."""
    out: dict[str, tuple] = {}
    for key, dims in FIELDS[type(part)].items():
        value = getattr(part, key)
        named = tuple(f"{name}_{dim}" for dim in dims)
        if isinstance(value, tuple):
            # An empty list still needs a length: netCDF labels of length zero do not survive.
            named = named if value else (f"{named[0]}_none",)
            value = np.asarray(value or [""], dtype=str)
        out[key] = (named, value)
    return out


def _fields_from(dataset: xr.Dataset, prefix: str, kind: type) -> dict[str, Any]:
    """Fields of one part, from the variables whose names begin with `prefix`."""
    types = {field.name: str(field.type) for field in dataclasses.fields(kind)}
    casts: dict[str, Callable[[Any], Any]] = {
        "float": float,
        "str": lambda variable: str(variable.item()),
        "Floats": lambda variable: variable.to_numpy(),
        "tuple[str, ...]": _words,
    }
    return {key: casts[types[key]](dataset[f"{prefix}_{key}"]) for key in FIELDS[kind]}


def _records_to(name: str, prefix: str, records: tuple, kind: type) -> dict[str, tuple]:
    out: dict[str, tuple] = {}
    for field in dataclasses.fields(kind):
        values = [getattr(r, field.name) for r in records]
        if not values:
            continue
        array = np.asarray(values, dtype=str if isinstance(values[0], str) else float)
        out[f"{prefix}_{field.name}"] = ((f"{name}_{prefix}_list",), array)
    return out


def _records_from(dataset: xr.Dataset, prefix: str, kind: type) -> tuple:
    fields = dataclasses.fields(kind)
    if f"{prefix}_{fields[0].name}" not in dataset:
        return ()
    columns = [np.atleast_1d(dataset[f"{prefix}_{f.name}"].to_numpy()) for f in fields]
    casts = {"str": str, "int": int, "bool": bool, "float": float}
    return tuple(
        kind(**{f.name: casts[str(f.type)](v) for f, v in zip(fields, row, strict=True)})
        for row in zip(*columns, strict=True)
    )


def _corner_from(dataset: xr.Dataset, name: str) -> CornerCalibration:
    dataset = _with_sources(dataset, name)
    verification = None
    if f"{name}_verification_error" in dataset:
        fields = _fields_from(dataset, f"{name}_verification", Verification)
        verification = Verification(**fields)
    return CornerCalibration(
        corner=name,
        **_fields_from(dataset, name, CornerCalibration),
        conditions=Conditions(**_fields_from(dataset, name, Conditions)),
        quality=Quality(
            **_fields_from(dataset, name, Quality),
            gross=_records_from(dataset, f"{name}_gross", GrossError),
            pulls=_records_from(dataset, f"{name}_pull", PullReport),
        ),
        verification=verification,
    )


def _with_sources(dataset: xr.Dataset, name: str) -> xr.Dataset:
    """A file that has the covariance of K only as a whole, as one with the single source `all`."""
    if f"{name}_sources" in dataset:
        return dataset
    source = f"{name}_source"
    whole = dataset[f"{name}_covariance"].expand_dims(source)
    return dataset.assign(
        {f"{name}_sources": ((source,), ["all"]), f"{name}_covariance_by_source": whole}
    )
