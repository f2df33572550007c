"""The calibration as a file that a later run reads back: netCDF, variables per corner."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import DataError, shortened
from recon.base.labelled import Variable, place_of, require, require_content, stamp
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COMPONENTS
from recon.base.version import program_version
from recon.calibration.calibrated import Calibration, Conditions, CornerCalibration, Facts, Quality
from recon.calibration.description import (
    FIELDS,
    FILE,
    FRONTS,
    OPTIONAL,
    RECORDS,
    units_of,
    variables_of,
)
from recon.records.files import RESULT, checksum, existing_file
from recon.records.provenance import Record, recorded_inputs
from recon.records.results import read_result, write_result

KIND = "calibration"
MUST = ("vehicle", "pulls")  # inputs that the command takes without the name of an option
MAKE_AGAIN = "Name the file that `recon calibrate` wrote (calibration.nc), or write it again."


@public
def write_calibration(
    calibration: Calibration,
    path: str | Path,
    *,
    overwrite: bool = False,
    record: Record | None = None,
) -> Path:
    """Write the calibration, and the `record` of how it was made, into one file.

    Raises
    ------
    OutputError
        The name does not end in .nc, the file is there already (unless `overwrite`), or its folder
        cannot be written.
    """
    return write_result(_to_dataset(calibration), path, overwrite=overwrite, record=record)


@public
def read_calibration(path: str | Path) -> Calibration:
    """Read a calibration that `write_calibration` wrote.

    Raises
    ------
    DataError
        The file is missing, no calibration, of a newer format, or a variable or attribute of it
        is missing, of other dimensions, type, unit or size, or holds what it cannot hold.
    """
    return _read(str(path), checksum(existing_file(path, RESULT)))


@lru_cache(maxsize=1)  # many logs of one calibration are reconstructed one after the other
def _read(path: str, _content: str) -> Calibration:
    dataset = read_result(path)
    if str(dataset.attrs.get("kind")) != KIND:
        title = shortened(str(dataset.attrs.get("title", "without title")), 100)
        found = f"a file titled '{title}'"
        raise DataError(str(path), found, "a calibration file", MAKE_AGAIN)
    for name in ("vehicle", "vehicle_checksum", "created"):
        if not isinstance(dataset.attrs.get(name), str):
            where, found = f"{path}, attribute {name}", repr(dataset.attrs.get(name))
            raise DataError(where, shortened(found, 60), "a text", MAKE_AGAIN)
    _require(dataset, FILE, FILE)
    names = _words(dataset["corners"])
    if not names or len(set(names)) != len(names):
        found = f"corners '{', '.join(names)}'"
        raise DataError(str(path), found, "each calibrated corner once", MAKE_AGAIN)
    return Calibration(
        vehicle=dataset.attrs["vehicle"],
        vehicle_checksum=dataset.attrs["vehicle_checksum"],
        created=dataset.attrs["created"],
        sources=tuple(
            zip(_labels(dataset["source_path"]), _labels(dataset["source_checksum"]), strict=True)
        ),
        corners={name: _corner_from(dataset, name) for name in names},
    )


def _require(dataset: xr.Dataset, described: Mapping[str, Variable], names: Iterable[str]) -> None:
    """Check labels, units and content of some variables."""
    written = {name: _as_written(dataset, name, described[name]) for name in names}
    require(dataset, written, written, _made_again(dataset))
    require_content(dataset, written, written, MAKE_AGAIN)


def _made_again(dataset: xr.Dataset) -> str:
    """Advice on another layout: who wrote the file and when, and how to write it again."""
    program, day = (str(dataset.attrs.get(name, "")) for name in ("program", "created"))
    if not program:
        return MAKE_AGAIN
    inputs = recorded_inputs(dataset)
    words = [
        one.file if one.role in MUST else f"--{one.role.replace('_', '-')} {one.file}"
        for one in inputs
    ]
    again = " ".join(["recon calibrate", *words])
    return (
        f"{program} wrote this file on {day[:10]}, in an older layout than this recon "
        f"{program_version()} reads, or it was changed since. Write it again: `{again}`."
    )


def _described_in(dataset: xr.Dataset, corner: str) -> dict[str, Variable]:
    """Variables of a corner with the units of its gauges and members."""
    units, arms = (f"{corner}_{name}" for name in ("units", "arms"))
    known = units in dataset.variables and arms in dataset.variables
    gauge_units = _words(dataset[units]) if known else ()
    loads = dataset[arms].to_numpy() if known else np.ones(1)
    return variables_of(corner, units_of(gauge_units, loads))


def _as_written(dataset: xr.Dataset, name: str, described: Variable) -> Variable:
    """Description of a variable as a file has it: an empty list is one blank along its own axis."""
    if name not in dataset.variables:
        return described
    found = dataset.variables[name]
    blank = tuple(f"{d}_none" for d in described.dims)
    if found.dims == blank and found.size == 1:
        return dataclasses.replace(described, dims=blank, words=())
    return described


def _labels(variable: Any) -> tuple[str, ...]:
    return tuple(str(w) for w in np.atleast_1d(variable.to_numpy()))


def _words(variable: Any) -> tuple[str, ...]:
    """Labels without the blank that stands for an empty list."""
    return tuple(w for w in _labels(variable) if w)


def _to_dataset(calibration: Calibration) -> xr.Dataset:
    whole = {
        "corners": list(calibration.corners),
        "source_path": [path for path, _ in calibration.sources],
        "source_checksum": [checksum for _, checksum in calibration.sources],
    }
    data = {key: _stamp(FILE[key], values) for key, values in whole.items()}
    for name, corner in calibration.corners.items():
        own = variables_of(name, units_of(corner.units, corner.arms))
        data |= {
            f"{name}_{key}": _stamp(own[f"{name}_{key}"], values)
            for key, values in _corner_to(corner).items()
        }
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
            "comment": "K maps member loads (tension positive) to indications. Where gauges or "
            "members of a corner have several units, its variables `units` and `member_units` "
            "list them.",
        },
    )


def _stamp(described: Variable, values: Any) -> tuple[tuple[str, ...], Any, dict[str, Any]]:
    if described.kind == "number":
        return stamp(described, np.asarray(values, dtype=float))
    if described.dims and not len(values):
        # An empty list still needs a length: netCDF labels of length zero do not survive.
        dims = tuple(f"{d}_none" for d in described.dims)
        return stamp(dataclasses.replace(described, dims=dims), np.array([""]))
    return stamp(described, np.asarray(values, dtype=str))


def _corner_to(corner: CornerCalibration) -> dict[str, Any]:
    """Values of every variable of a corner; lists of records that are empty are left out."""
    quality = corner.quality
    loads = ["N" if arm == 1.0 else "N m" for arm in corner.arms]
    out: dict[str, Any] = {"covariance": corner.covariance, "member_units": loads}
    for part in (corner, corner.conditions, quality):
        out |= {key: getattr(part, key) for key in FIELDS[type(part)]}
    for prefix, records in (("pull", quality.pulls), ("gross", quality.gross)):
        for field in dataclasses.fields(RECORDS[prefix]) if records else ():
            out[f"{prefix}_{field.name}"] = [getattr(r, field.name) for r in records]
    for kind, name in FRONTS.items():
        if (part := getattr(corner, name)) is not None:
            out |= {f"{name}_{key}": getattr(part, key) for key in FIELDS[kind]}
    return out


def _fields_from(dataset: xr.Dataset, corner: str, kind: type) -> dict[str, Any]:
    """Fields of one part of a corner's calibration, looked at before they are used."""
    prefix = f"{corner}_{FRONTS[kind]}" if kind in FRONTS else corner
    _require(dataset, _described_in(dataset, corner), [f"{prefix}_{key}" for key in FIELDS[kind]])
    types = {field.name: str(field.type) for field in dataclasses.fields(kind)}
    casts: dict[str, Callable[[Any], Any]] = {
        "float": float,
        "str": lambda variable: str(variable.item()),
        "Floats": _fixed,
        "tuple[str, ...]": _words,
    }
    return {key: casts[types[key]](dataset[f"{prefix}_{key}"]) for key in FIELDS[kind]}


def _fixed(variable: xr.DataArray) -> NDArray:
    """Values that nobody can change: calibrations that were read are kept and shared."""
    values = variable.to_numpy()
    values.flags.writeable = False
    return values


def _records_from(dataset: xr.Dataset, corner: str, prefix: str) -> tuple:
    kind = RECORDS[prefix]
    fields = dataclasses.fields(kind)
    names = [f"{corner}_{prefix}_{f.name}" for f in fields]
    if not any(name in dataset.variables for name in names):
        return ()
    _require(dataset, _described_in(dataset, corner), names)
    columns = [np.atleast_1d(dataset[name].to_numpy()) for name in names]
    casts = {"str": str, "int": int, "bool": bool, "float": float}
    return tuple(
        kind(**{f.name: casts[str(f.type)](v) for f, v in zip(fields, row, strict=True)})
        for row in zip(*columns, strict=True)
    )


def _corner_from(dataset: xr.Dataset, name: str) -> CornerCalibration:
    optional: dict[str, Any] = {}
    for kind, part in OPTIONAL.items():
        if any(f"{name}_{part}_{key}" in dataset.variables for key in FIELDS[kind]):
            optional[part] = kind(**_fields_from(dataset, name, kind))
    corner = CornerCalibration(
        corner=name,
        **_fields_from(dataset, name, CornerCalibration),
        conditions=Conditions(**_fields_from(dataset, name, Conditions)),
        quality=Quality(
            **_fields_from(dataset, name, Quality),
            gross=_records_from(dataset, name, "gross"),
            pulls=_records_from(dataset, name, "pull"),
        ),
        verification=optional.get("verification"),
        verdict=optional.get("verdict"),
        facts=Facts(**_fields_from(dataset, name, Facts)),
    )
    _require_sizes(dataset, name, corner)
    return corner


def _require_sizes(dataset: xr.Dataset, name: str, corner: CornerCalibration) -> None:
    """Refuse lists with a gap or a name twice, and a covariance that is not as large as K."""
    gauges, members = corner.K.shape
    terms = gauges * members
    for key, found, needed in (
        ("gauges", len(set(corner.gauges)), gauges),
        ("units", len(corner.units), gauges),
        ("members", len(set(corner.members)), members),
        ("devices", len(set(corner.devices)), len(corner.gain_effect)),
        ("sources", len(set(corner.sources)), len(corner.covariance_by_source)),
        ("covariance_by_source", corner.covariance_by_source.shape[1:], (terms, terms)),
        ("gain_effect", corner.gain_effect.shape[1], terms),
        ("facts_value", len(corner.facts.value), len(set(corner.facts.place))),
        ("force_reached", corner.conditions.force_reached.size, len(COMPONENTS)),
    ):
        if found != needed or not terms:
            where = f"{place_of(dataset)}, variable {name}_{key}"
            raise DataError(where, f"{found} entries of their own", f"{needed}", MAKE_AGAIN)
