"""The calibration as a file that a later run reads back: netCDF, variables per corner."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recon.base.errors import DataError
from recon.calibration.gross import GrossError
from recon.calibration.map import Calibration, CornerCalibration, PullReport, Verification
from recon.records.results import read_result, write_result

if TYPE_CHECKING:
    import xarray as xr

KIND = "calibration"
# Dimensions of each array of a corner; each gets the corner's name in front.
ARRAYS = {
    "arms": ("member",),
    "K": ("gauge", "member"),
    "K_geometry": ("gauge", "member"),
    "covariance": ("term", "term_"),
    "gain_effect": ("device", "term"),
    "noise": ("gauge",),
    "friction": ("gauge",),
    "force_reached": ("component",),
    "singular_values": ("direction",),
}
WORDS = {
    "gauges": "gauge",
    "units": "gauge",
    "members": "member",
    "devices": "device",
    "rests_on_prior": "resting",
}
NUMBERS = ("travel", "rack", "temperature", "hysteresis", "lack_of_fit", "dof")


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
    out: dict[str, tuple] = {}
    for key, dims in ARRAYS.items():
        out[key] = (tuple(f"{name}_{d}" for d in dims), np.asarray(getattr(corner, key)))
    for key, dim in WORDS.items():
        # An empty list still needs a length: netCDF labels of length zero do not survive.
        values = list(getattr(corner, key)) or [""]
        suffix = dim if getattr(corner, key) else f"{dim}_none"
        out[key] = ((f"{name}_{suffix}",), np.asarray(values, dtype=str))
    for key in NUMBERS:
        out[key] = ((), float(getattr(corner, key)))
    out["weak_direction"] = ((), corner.weak_direction)
    out |= _records_to(name, "pull", corner.pulls, PullReport)
    out |= _records_to(name, "gross", corner.gross, GrossError)
    if corner.verification is not None:
        v = corner.verification
        step = f"{name}_verified"
        out["verification_pull"] = ((step,), np.asarray(v.pull, dtype=str))
        out["verification_applied"] = ((step,), v.applied)
        for key in ("reference", "error", "u_error"):
            out[f"verification_{key}"] = ((step, f"{name}_component"), getattr(v, key))
    return out


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
    def read(key: str) -> Any:
        return dataset[f"{name}_{key}"]

    verification = None
    if f"{name}_verification_error" in dataset:
        verification = Verification(
            pull=_words(read("verification_pull")),
            applied=read("verification_applied").to_numpy(),
            reference=read("verification_reference").to_numpy(),
            error=read("verification_error").to_numpy(),
            u_error=read("verification_u_error").to_numpy(),
        )
    fields: dict[str, Any] = {key: read(key).to_numpy() for key in ARRAYS}
    fields |= {key: _words(read(key)) for key in WORDS}
    fields |= {key: float(read(key)) for key in NUMBERS}
    return CornerCalibration(
        corner=name,
        **fields,
        weak_direction=str(read("weak_direction").item()),
        gross=_records_from(dataset, f"{name}_gross", GrossError),
        pulls=_records_from(dataset, f"{name}_pull", PullReport),
        verification=verification,
    )
