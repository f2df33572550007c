"""Write logs, pull sheets and tares in our own formats; the virtual car uses it.

Units are those of the workshop (mm, deg, bar, km/h, N), and numbers are rounded to what a
logger or a person would keep, so that files stay small.  Reading gives back what was written
to within half of the last place.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np

from recon.base.late import pd, xr
from recon.base.quantities import COMPONENTS, UNITS, Unit
from recon.car.vehicle import Vehicle
from recon.records.column_maps import QUANTITIES
from recon.records.files import replace_whole
from recon.records.logs import VARIABLES, column_names
from recon.records.sheets import PullSheet, Tares
from recon.records.tares import GAUGE_UNIT

# Unit and decimal places of each kind of quantity in a file.
WRITTEN: dict[str, tuple[str, int]] = {
    "time": ("s", 6),
    "force": ("N", 1),
    "length": ("mm", 2),
    "distance": ("m", 2),
    "angle": ("deg", 4),
    "angular_rate": ("rad/s", 4),
    "acceleration": ("m/s2", 3),
    "speed": ("km/h", 2),
    "pressure": ("bar", 3),
    "temperature": ("degC", 2),
    "ratio": ("1", 5),
    "mV/V": ("mV/V", 5),
    "microstrain": ("microstrain", 2),
    "V": ("V", 5),
    "counts": ("counts", 1),
    GAUGE_UNIT: (GAUGE_UNIT, 5),  # rows of several kinds
}

Columns = dict[str, tuple[str, Any]]  # name -> kind of quantity, values in SI


def write_log(
    path: str | Path, dataset: xr.Dataset, car: Vehicle, *, overwrite: bool = False
) -> None:
    """Write a dataset of the form that `read_log` returns, packed when the name ends `.gz`.

    Raises OutputError: the target exists (unless `overwrite`) or cannot be written.
    """
    units = {gauge.name: gauge.unit for _, gauge in car.gauges}
    columns: Columns = {"elapsed_time": ("time", dataset["elapsed_time"].to_numpy())}
    for name in dataset["gauge"].to_numpy().astype(str):
        columns[name] = units[name], dataset["indication"].sel(gauge=name).to_numpy()
    for name, described in VARIABLES.items():
        dims = described.dims[1:]
        if name in dataset:
            whole = dataset[name].transpose("elapsed_time", *dims)
            if "corner" in dims:
                whole = whole.reindex(corner=list(car.corners))
            series = whole.to_numpy().reshape(whole.sizes["elapsed_time"], -1).T
            for key, values in zip(column_names(name, car), series, strict=True):
                columns[key] = QUANTITIES["log"][key], values
    _write(path, columns, overwrite)


def write_pulls(
    path: str | Path, sheet: PullSheet, car: Vehicle, *, overwrite: bool = False
) -> None:
    """Write a pull sheet; see `write_log` for the parameters.

    Raises OutputError: the target exists or cannot be written.
    """
    units = {gauge.name: gauge.unit for _, gauge in car.gauges}
    columns: Columns = {}
    for name, dimension in QUANTITIES["pulls"].items():
        stem, _, component = name.rpartition("_")
        if component in COMPONENTS:
            columns[name] = dimension, sheet.column(stem)[:, COMPONENTS.index(component)]
        else:
            columns[name] = dimension, sheet.column(name)
    for name, values in zip(sheet.gauges, sheet.indication.T, strict=True):
        columns[name] = units[name], values
    _write(path, columns, overwrite)


def write_tares(path: str | Path, tares: Tares, car: Vehicle, *, overwrite: bool = False) -> None:
    """Write a tare table; see `write_log` for the parameters.

    Raises OutputError: the target exists or cannot be written.
    """
    units = {gauge.unit for _, gauge in car.gauges if gauge.name in tares.gauge}
    kind = units.pop() if len(units) == 1 else GAUGE_UNIT
    columns: Columns = {
        name: (kind if dimension == "gauge" else dimension, getattr(tares, name))
        for name, dimension in QUANTITIES["tares"].items()
    }
    _write(path, columns, overwrite)


def write_whole_text(path: str | Path, text: str, *, overwrite: bool = False) -> Path:
    """Write a text in UTF-8, the whole file or none.

    Raises OutputError: the file exists and `overwrite` is false, or it cannot be written.
    """
    with replace_whole(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


def _write(path: str | Path, columns: Columns, overwrite: bool) -> None:
    table = {}
    for name, (dimension, values) in columns.items():
        if dimension == "word":
            if (values != "").any():
                table[name] = values
        elif not np.isnan(values).all():
            unit, places, scale = _written(dimension)
            table[f"{name} [{unit}]"] = np.round((values - scale.offset) / scale.factor, places)
    with replace_whole(path, overwrite=overwrite) as temporary, opened_text(temporary) as stream:
        pd.DataFrame(table).to_csv(stream, index=False, lineterminator="\n")


def _written(dimension: str) -> tuple[str, int, Unit]:
    unit, places = WRITTEN[dimension]
    known = dimension in UNITS
    return unit, places, UNITS[dimension][unit] if known else Unit(dimension, 1.0)


@contextmanager
def opened_text(path: Path) -> Iterator[IO[str]]:
    """Open for text, packed where the name ends `.gz`; equal content gives equal bytes."""
    if not path.name.endswith(".gz"):
        with path.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        return
    with (
        path.open("wb") as raw,
        gzip.GzipFile("", "wb", fileobj=raw, mtime=0) as packed,
        io.TextIOWrapper(packed, encoding="utf-8", newline="") as text,
    ):
        yield text
