"""Results on disk: netCDF with CF conventions, written whole or not at all.

Labels stay strings, time stays float64 seconds; nothing is decoded on reading.
"""

from __future__ import annotations

import datetime as dt
import platform
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from recon.base.errors import DataError
from recon.records.files import existing_file, replace_whole

if TYPE_CHECKING:
    import xarray as xr

FORMAT = 1
# What `signed_errors` wants of forces: the loadings of every cause and what they multiply.
SIGNED = (
    *("loading", "loading_turned", "loading_steered", "feature_scale", "partner"),
    *("tyre_force_vehicle", "tyre_force_intermediate"),
    *("hub_moment", "hub_mode", "heading", "travel", "rack"),
)


def write_result(dataset: xr.Dataset, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write `dataset` to `path` under a temporary name and rename it when whole.

    Raises
    ------
    OutputError
        The file is there already (unless `overwrite`), or it cannot be written (rights, full
        disk).
    """
    target = Path(path)
    stamped = dataset.assign_attrs(
        Conventions="CF-1.11",
        history=f"{dt.datetime.now(dt.UTC).isoformat(timespec='seconds')} written by recon",
        platform=f"{platform.system()} {platform.machine()}, Python {platform.python_version()}, "
        f"numpy {np.__version__}",
        format=FORMAT,
    )
    encoding: dict[str, dict[str, object]] = {}
    for name, variable in stamped.variables.items():
        label = name in stamped.coords or variable.dtype.kind in "iuUO"
        encoding[str(name)] = {"_FillValue": None} if label else {"_FillValue": np.nan}
    with replace_whole(target, overwrite=overwrite) as temporary:
        try:
            stamped.to_netcdf(temporary, engine="netcdf4", encoding=encoding)
        except RuntimeError as fault:  # how the library tells of a full disk
            raise OSError(str(fault)) from fault
    return target


def read_result(path: str | Path) -> xr.Dataset:
    """Read a netCDF file that this package wrote.

    Raises
    ------
    DataError
        The file is missing, is no netCDF file, was written by another program, or has a newer
        format.
    """
    import xarray as xr

    file = existing_file(path, "result or calibration file")
    try:
        with xr.open_dataset(
            file, engine="netcdf4", decode_times=False, decode_timedelta=False
        ) as opened:
            dataset = opened.load()
    except (OSError, ValueError) as fault:
        raise DataError(
            str(file),
            f"not readable as netCDF ({type(fault).__name__})",
            "a result or calibration file of this package",
            "Write it again with `recon calibrate` or `recon reconstruct`.",
        ) from fault
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
            f"format {FORMAT} or older (1 or more)",
            "Update the package, or write the file again with this one.",
        )
    return dataset


def require_forces(dataset: xr.Dataset, *names: str) -> None:
    """Refuse a dataset that is no result of the reconstruction.

    Parameters
    ----------
    dataset : Dataset
        Meant to be what `reconstruct` returns.
    names : str
        Variables that are needed.

    Raises
    ------
    DataError
        One of them is not there; the message says what the dataset is instead.
    """
    missing = [name for name in dict.fromkeys(names) if name not in dataset]
    if missing:
        title = dataset.attrs.get("title", "without title")
        raise DataError(
            str(dataset.encoding.get("source", title)),
            f"'{title}', without {', '.join(missing)}",
            "forces, as `reconstruct` makes them (forces.nc)",
            "Name the file that `recon reconstruct` wrote.",
        )


def _listed(dataset: xr.Dataset, most: int = 6) -> str:
    names = [str(name) for name in dataset.variables]
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return (", ".join(names[:most]) or "no variable") + rest
