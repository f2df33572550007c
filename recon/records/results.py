"""Results on disk: netCDF with CF conventions, written whole or not at all.

Labels stay strings, time stays float64 seconds; nothing is decoded on reading.
"""

from __future__ import annotations

import datetime as dt
import math
import os
import platform
from collections.abc import Hashable
from pathlib import Path
from typing import Any

import numpy as np

from recon.base.errors import DataError
from recon.base.late import xr
from recon.base.public import public
from recon.base.version import program_version
from recon.records.files import RESULT, existing_file, replace_whole, require_ending
from recon.records.forces import ONLY_FORCES, require_sound_forces
from recon.records.provenance import Record, with_record
from recon.records.scratch import room

FORMAT = 1
LARGEST_RATIO = 200  # of claimed bytes to those of the file: packing does not reach it
MOST_VARIABLES = 2000
SAMPLES = "elapsed_time"
SECTION = 1 << 17  # samples that are read or written at once


@public
def write_result(
    dataset: xr.Dataset, path: str | Path, *, overwrite: bool = False, record: Record | None = None
) -> Path:
    """Write `dataset` to `path` under a temporary name and rename it when whole.

    The `record` of how it was made is written into the file.

    Raises
    ------
    OutputError
        The name does not end in .nc, the file is there already (unless `overwrite`), or it cannot
        be written (rights, full disk).
    """
    target = Path(path)
    require_ending(target, ".nc")
    stamped = _as_written(dataset, record)
    with replace_whole(target, overwrite=overwrite) as temporary:
        try:
            by_sample = [str(n) for n, v in stamped.variables.items() if SAMPLES in v.dims]
            rest = stamped.drop_vars(by_sample)
            _reserve(temporary, stamped)
            rest.to_netcdf(temporary, engine="netcdf4", encoding=_encoding(rest))
            if by_sample:
                _append_samples(temporary, stamped, by_sample)
        except RuntimeError as fault:  # the library's sign of a full disk
            raise OSError(str(fault)) from fault
    return target


def _as_written(dataset: xr.Dataset, record: Record | None) -> xr.Dataset:
    """The result with the attributes of its file: program, time of writing, record."""
    dataset = with_record(dataset, record) if record else dataset
    return dataset.assign_attrs(
        Conventions="CF-1.11",
        history=f"{dt.datetime.now(dt.UTC).isoformat(timespec='seconds')} written by recon",
        platform=f"{platform.system()} {platform.machine()}, Python {platform.python_version()}, "
        f"numpy {np.__version__}",
        program=f"recon {program_version()}",
        format=FORMAT,
    )


def _reserve(path: Path, dataset: xr.Dataset) -> None:
    """Ask for the room of a file before it is begun; older libraries crash on a full disk.

    Raises OSError: there is not enough of it.
    """
    size = sum(
        v.size * np.dtype(v.encoding.get("dtype", v.dtype)).itemsize
        for v in dataset.variables.values()
    )
    if size and hasattr(os, "posix_fallocate"):
        try:
            with path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, size)
        finally:
            path.unlink(missing_ok=True)


def _encoding(dataset: xr.Dataset) -> dict[str, dict[str, object]]:
    """Numbers that may be missing are NaN; labels, flags and words are never missing."""
    return {
        str(name): {"_FillValue": None if _is_whole(dataset, name) else np.nan}
        for name in dataset.variables
    }


def _is_whole(dataset: xr.Dataset, name: Hashable) -> bool:
    return name in dataset.coords or dataset.variables[name].dtype.kind in "iuUO"


def _append_samples(path: Path, dataset: xr.Dataset, names: list[str]) -> None:
    """Add the variables along elapsed time section by section: no long log is copied at once."""
    import netCDF4

    with netCDF4.Dataset(path, "a") as file:
        file.set_fill_off()
        for name in dict.fromkeys(str(dim) for n in names for dim in dataset[n].dims):
            if name not in file.dimensions:
                file.createDimension(name, dataset.sizes[name])
        for name in names:
            variable = dataset.variables[name]
            fill = None if _is_whole(dataset, name) else np.nan
            dims = [str(dim) for dim in variable.dims]
            kind = variable.encoding.get("dtype", variable.dtype)
            out: Any = file.createVariable(name, kind, dims, fill_value=fill)
            out.setncatts(variable.attrs)
            axis = variable.dims.index(SAMPLES)
            for start in range(0, dataset.sizes[SAMPLES], SECTION):
                part = (slice(None),) * axis + (slice(start, start + SECTION),)
                out[part] = variable[part].to_numpy()


@public
def read_result(path: str | Path) -> xr.Dataset:
    """Read a netCDF file that this package wrote.

    Raises
    ------
    DataError
        The file is missing, damaged or no netCDF file, was written by another program, has a
        newer format, or holds forces that are not as `records.forces` describes them.
    """
    file = existing_file(path, RESULT)
    try:
        claimed = _claimed(file)
        if claimed <= LARGEST_RATIO * file.stat().st_size:
            with xr.open_dataset(
                file, engine="netcdf4", decode_times=False, decode_timedelta=False
            ) as opened:
                dataset = _loaded(opened)
    except Exception as fault:  # a damaged file makes the libraries raise whatever they meet
        raise DataError(
            str(file),
            f"not readable as netCDF ({type(fault).__name__})",
            "a result or calibration file of this package",
            "Write it again with `recon calibrate` or `recon reconstruct`.",
        ) from fault
    if claimed > LARGEST_RATIO * file.stat().st_size:
        raise DataError(
            str(file),
            f"{claimed} bytes claimed by a file of {file.stat().st_size} bytes",
            f"variables of at most {LARGEST_RATIO} times the size of the file",
            "Write it again with `recon calibrate` or `recon reconstruct`; it is damaged.",
        )
    written = dataset.attrs.get("format")
    if not isinstance(written, int | np.integer):
        raise DataError(
            str(file),
            f"a netCDF file of another program, with {_listed(dataset)}",
            "a result or calibration file of this package",
            "Name a file that `recon calibrate`, `recon reconstruct` or an analysis wrote.",
        )
    if not 1 <= written <= FORMAT:
        raise DataError(
            str(file),
            f"format {written}",
            f"format {FORMAT}",
            "Update the package, or write the file again with this one.",
        )
    if any(name in dataset.variables for name in ONLY_FORCES):
        require_sound_forces(dataset)
    return dataset


def _loaded(opened: xr.Dataset) -> xr.Dataset:
    """The dataset without its file: samples are read into `room`, so that a long drive fits.

    Those of a force lie beside each other in memory, as in a result that was just made: what looks
    at one force at a time is ten times as quick then.
    """
    sampled = {}
    for name in opened.data_vars:
        variable = opened.variables[name]  # alone: with its coordinates it would copy all times
        if variable.dims[:1] != (SAMPLES,):
            continue
        first, *others = variable.shape
        values = np.moveaxis(room((*others, first), variable.dtype), -1, 0)
        for start in range(0, len(values), SECTION):
            part = slice(start, start + SECTION)
            values[part] = variable[part].to_numpy()
        sampled[name] = variable.copy(data=values)
    dataset = opened.assign(sampled).load()
    dataset.encoding = opened.encoding
    return dataset


def _claimed(file: Path) -> int:
    """Bytes that the header says the variables take, before any of them is read."""
    import netCDF4

    with netCDF4.Dataset(file) as header:
        if len(header.variables) > MOST_VARIABLES:
            found = f"{len(header.variables)} variables"
            raise ValueError(found)
        return sum(
            math.prod(v.shape) * (16 if v.dtype is str else v.dtype.itemsize)
            for v in header.variables.values()
        )


def _listed(dataset: xr.Dataset, most: int = 6) -> str:
    names = [str(name) for name in dataset.variables]
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return (", ".join(names[:most]) or "no variable") + rest
