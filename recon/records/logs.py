"""Logs of a drive: one block of numbers, named and in SI."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, warn
from recon.base.labelled import (
    Variable,
    index_of,
    place_of,
    require,
    require_attributes,
    require_labels,
    require_order,
    stamp,
    stamped,
)
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COMPONENTS
from recon.car.vehicle import Gauge, Vehicle
from recon.records.column_conversion import TOO_LARGE, BoundTable, open_table
from recon.records.corrections import on_time
from recon.records.files import checksum
from recon.records.scratch import columns, room
from recon.records.tables import line_of_row, parse_table
from recon.records.time_checks import check_time
from recon.records.time_stamps import dated_day, past_midnight

_AXLE = {"F": "front", "R": "rear"}

TIME, BY_CORNER = ("elapsed_time",), ("elapsed_time", "corner")
MAKE_AGAIN = "Pass the log as `read_log` returns it, or stamp the variable with its unit in SI."
# Channels of a log beside its gauges.
VARIABLES: dict[str, Variable] = {
    "gauge_temperature": Variable(BY_CORNER, "temperature of the gauges", "degC"),
    "hub_acceleration": Variable((*BY_CORNER, "component"), "specific force at the hub", "m/s2"),
    "travel": Variable(BY_CORNER, "wheel travel, bump positive", "m"),
    "wheel_speed": Variable(BY_CORNER, "speed of rotation of the wheel", "rad/s"),
    "brake_pressure": Variable(BY_CORNER, "brake pressure of the line", "Pa"),
    "acceleration": Variable((*TIME, "component"), "specific force of the body", "m/s2"),
    "rack": Variable(TIME, "rack shift, left positive", "m"),
    "steer": Variable(TIME, "steer angle of the front wheels, left positive", "rad"),
    "steering_wheel_angle": Variable(TIME, "angle of the steering wheel, left positive", "rad"),
    "roll": Variable(TIME, "roll angle, left side up positive", "rad"),
    "pitch": Variable(TIME, "pitch angle, nose down positive", "rad"),
    "speed": Variable(TIME, "speed over ground", "m/s"),
    "yaw_rate": Variable(TIME, "yaw rate, left positive", "rad/s"),
    "throttle": Variable(TIME, "throttle opening", "1"),
    "gear": Variable(TIME, "gear", "1"),
    "clutch": Variable(TIME, "clutch pedal, 1 where the clutch is open", "1"),
    "engine_speed": Variable(TIME, "speed of rotation of the engine", "rad/s"),
    "distance": Variable(TIME, "distance driven along the course", "m"),
    "lap": Variable(TIME, "number of the lap", "1"),
    "marker": Variable(TIME, "marker of a part of the drive", "1"),
}
LOG: dict[str, Variable] = {
    "elapsed_time": Variable(TIME, "elapsed time", "s"),
    "gauge": Variable(("gauge",), "gauge", kind="word"),
    "indication": Variable((*TIME, "gauge"), "indication in the unit of its gauge", None),
    **VARIABLES,
}


# What a log has besides once it is conditioned, in the unit of each gauge where it has one.
_BY_GAUGE, _BY_CORNER = ("gauge",), ("tared_corner",)
CONDITIONED: dict[str, Variable] = {
    "gauge_status": Variable((*TIME, "gauge"), kind="whole"),
    **{
        name: Variable(_BY_GAUGE, units=None) for name in ("zero", "zero_change", "u_zero", "noise")
    },
    "tare_temperature": Variable(("tare", "gauge"), units=None),
    "tare_state": Variable(_BY_CORNER, kind="word"),
    "tare_pad_load": Variable(_BY_CORNER, units=None),
}


def require_log(dataset: xr.Dataset) -> None:
    """Refuse a dataset that is no log: gauges along time, other channels in SI units.

    Raises DataError: a variable is missing, or has other dimensions, another type or another unit.
    """
    there = [name for name in LOG if name in dataset.variables]
    require(dataset, LOG, ("elapsed_time", "gauge", "indication", *there), MAKE_AGAIN)
    require_labels(dataset, MAKE_AGAIN)


def require_raw(dataset: xr.Dataset) -> None:
    """Refuse a log whose tares are subtracted already.

    Raises DataError: as `require_log`; or the log was conditioned before.
    """
    require_log(dataset)
    if _is_conditioned(dataset):
        raise DataError(
            where=place_of(dataset),
            found="a log that was conditioned before",
            needed="a log as recon.read_log returns it",
            do="Keep both under names of their own: tares subtracted twice would make every force "
            "wrong.",
        )


def require_conditioned(dataset: xr.Dataset) -> None:
    """Refuse a log whose tares are not subtracted yet.

    Raises DataError: as `require_log`; or the log is as it was read, or lacks what the tares left.
    """
    require_log(dataset)
    if not _is_conditioned(dataset):
        raise DataError(
            where=place_of(dataset),
            found="a log as it was read",
            needed="a log whose tares are subtracted",
            do="Condition it first: recon.condition(log, car, tares).",
        )
    require(
        dataset, CONDITIONED, CONDITIONED, "Condition it again: recon.condition(log, car, tares)."
    )
    require_attributes(dataset, ("rate", "bandwidth"), MAKE_AGAIN)


def _is_conditioned(log: xr.Dataset) -> bool:
    return "tared_corner" in log.variables


def require_in_order(log: xr.Dataset) -> None:
    """Refuse samples of a conditioned log that do not follow each other in time.

    Raises DataError: as `require_conditioned`; or there are fewer than two samples, or one is not
    after the one before.
    Warns DataWarning: samples were picked, so that all are further apart than the rate says.
    """
    require_conditioned(log)
    require_order(log, "Take a part of a drive with recon.part_of.")
    rate, step = float(log.attrs["rate"]), float(np.diff(log["elapsed_time"].to_numpy()).min())
    if step > 1.5 / rate:
        warn(
            f"{place_of(log)}: samples {1e3 * step:.4g} ms apart in a log conditioned at "
            f"{rate:g} Hz. Whatever is filtered again, and every test of time, is wrong by that. "
            "Take a part with recon.part_of, and fewer samples of a drive with Prepared.solve.",
            DataWarning,
        )


@public
def read_log(
    path: str | Path, car: Vehicle, *, column_map: str | Path | None = None, gauged: bool = True
) -> xr.Dataset:
    """Read the log of a drive.

    Parameters
    ----------
    path : str or Path
        CSV, plain or `.gz`.
    car : Vehicle
        Its corners, gauges and the units of the gauges.
    column_map : str or Path, optional
        Map (TOML) of foreign columns.
    gauged : bool
        Whether the log must hold a gauge; one of several loggers may have none.

    Returns
    -------
    xarray.Dataset
        `indication` (elapsed_time, gauge) in the unit of each gauge, and whatever else was
        logged, in SI, along elapsed_time [s], corner and component.  Missing samples are NaN,
        so are corners that were not logged.  Attributes: path, checksum, encoding, not_used,
        gaps, and the date of the first sample where times are dated; `same_clock` where the map
        says so, and `time_of_day`, the time [s] at which elapsed time is zero, NaN where times are
        numbers.

    Raises
    ------
    DataError
        A column or unit is missing or wrong, a cell is no number, no gauge was logged, time
        stands still or runs back.

    Warns
    -----
    DataWarning
        The log has gaps in time, or columns with missing samples.
    """
    table = open_table(path, "log", car, column_map)
    gauges = _logged_gauges(table, car, needed=gauged)
    keys = {name: column_names(name, car) for name in VARIABLES}
    logged = {n: k for n, k in keys.items() if not table.bound.keys().isdisjoint(k)}
    wanted = [g.name for g in gauges] + [key for group in logged.values() for key in group]
    names = [n for n in dict.fromkeys(["elapsed_time", *wanted]) if n in table.bound]
    values, time_of_day = _values(table, names)
    gaps = check_time(table, values[0], gauged=bool(gauges))
    for index, name in enumerate(names):
        if late := table.bound[name].late:
            values[index] = on_time(values[0], values[index], late)
    _warn_of_missing(table, names, values)
    data = xr.Dataset(
        coords=stamped(
            LOG,
            {
                # A copy: whoever keeps the time of a log does not keep all of its channels.
                "elapsed_time": index_of(values[0].copy()),
                "gauge": np.array([g.name for g in gauges], dtype=str),
            },
        ),
        attrs={
            "path": str(path),
            "checksum": checksum(path),
            "date": _date(table),
            "same_clock": int(table.same_clock),
            "time_of_day": time_of_day,
            "encoding": table.layout.encoding,
            "not_used": _not_used(table, names),
            "gaps": gaps,
            "gauged_axles": _gauged_axles(gauges, car),
        },
    )
    data["indication"] = stamp(LOG["indication"], values[1 : 1 + len(gauges)].T)
    if len({gauge.unit for gauge in gauges}) == 1:
        data["indication"].attrs["units"] = gauges[0].unit
    row = {name: index for index, name in enumerate(names)}
    for name, group in logged.items():
        data = _with_variable(data, name, _block(values, row, group), car)
    return data


def log_at_rows(log: xr.Dataset, rows: NDArray[np.intp]) -> xr.Dataset:
    """The log at some of its rows (row,) [1]; those of a long log are not copied into memory."""
    along = {name: v for name, v in log.variables.items() if v.dims[:1] == TIME}
    taken = {}
    for name, variable in along.items():
        values = variable.to_numpy()
        chosen = columns((len(rows), *values.shape[1:]), values.dtype)
        for at in np.ndindex(values.shape[1:]):
            np.take(values[:, *at], rows, out=chosen[:, *at])
        taken[name] = (variable.dims, chosen, variable.attrs)
    dims, elapsed, attributes = taken.pop("elapsed_time")
    time = (dims, index_of(elapsed), attributes)
    return log.drop_vars(along).assign_coords(elapsed_time=time).assign(taken)


def _with_variable(data: xr.Dataset, name: str, block: Floats, car: Vehicle) -> xr.Dataset:
    """Add the variable `name` whose columns are the rows of `block`."""
    described = VARIABLES[name]
    dims = described.dims[1:]
    coords = {"corner": list(car.corners), "component": list(COMPONENTS)}
    shape = tuple(len(coords[dim]) for dim in dims)
    values = np.moveaxis(block.reshape(*shape, -1), -1, 0)
    data = data.assign_coords({dim: coords[dim] for dim in dims})
    return data.assign({name: stamp(described, values)})


def _logged_gauges(table: BoundTable, car: Vehicle, *, needed: bool) -> list[Gauge]:
    gauges = [gauge for _, gauge in car.gauges]
    logged = [gauge for gauge in gauges if gauge.name in table.bound]
    if not logged and needed:
        wanted = ", ".join(gauge.name for gauge in gauges)
        raise DataError(
            str(table.layout.path),
            f"no column of any gauge among {', '.join(table.layout.names)}",
            f"at least one of {wanted or 'the gauges, of which the vehicle file has none'}",
            "Name the gauges' columns in a column map: ours = theirs.",
        )
    return logged


def _gauged_axles(gauges: list[Gauge], car: Vehicle) -> str:
    """Axles that the gauges of a log belong to, in words."""
    places = {_AXLE[place[0].upper()] for place, gauge in car.gauges if gauge in gauges}
    return ", ".join(sorted(places))


def column_names(name: str, car: Vehicle) -> list[str]:
    """Return the columns that fill the variable `name`, last dimension fastest."""
    if name == "brake_pressure":
        return [f"{name}_{_AXLE[corner[0]]}" for corner in car.corners]
    ends = {"corner": tuple(car.corners), "component": COMPONENTS}
    keys = [name]
    for dim in VARIABLES[name].dims[1:]:
        keys = [f"{key}_{end}" for key in keys for end in ends[dim]]
    return keys


def _values(table: BoundTable, names: list[str]) -> tuple[Floats, float]:
    """Columns in SI, shape (name, row), and the time [s] of day at which elapsed time is zero."""
    bound = [table.bound[name] for name in names]
    parsed = [b.position for b in bound if b.position is not None]
    stamps = bound[0].position if bound[0].stamps else None
    values = parse_table(table.layout, parsed, stamps)
    for index, column in enumerate(bound):
        if column.position is None:
            values = np.insert(values, index, float(column.constant), axis=0)
        if column.unit is not None and (column.unit.factor, column.unit.offset) != (1.0, 0.0):
            values[index] *= column.unit.factor  # in place: a long log has no room to spare
            values[index] += column.unit.offset
        _require_possible(table, names[index], values[index])
    if stamps is not None:
        day = past_midnight(values[0], table.layout.first_cell(stamps))
        began = float(day[0])
        values[0] = day - began
        return values, began
    return values, float("nan")


def _date(table: BoundTable) -> str:
    """Day of the first sample, YYYY-MM-DD; empty where the log states times without dates."""
    column = table.bound["elapsed_time"]
    if not column.stamps or column.position is None:
        return ""
    return dated_day(table.layout.first_cell(column.position))


def _require_possible(table: BoundTable, name: str, values: Floats) -> None:
    """Refuse a column with a number that no car and no sensor has."""
    bound = table.bound[name]
    highest, lowest = np.fmax.reduce(values), np.fmin.reduce(values)  # NaN is passed over
    if max(highest, -lowest) > bound.largest:
        row = int(np.nanargmax(np.abs(values)))
        raise DataError(
            table.layout.where(line_of_row(table.layout, row), bound.position),
            f"{name} = {values[row]:g} in SI units",
            f"a size of at most {bound.largest:g} in SI units",
            TOO_LARGE,
        )


def _block(values: Floats, row: dict[str, int], group: list[str]) -> Floats:
    """Rows of `group`, shape (len(group), time): a view where they stand together, else a copy."""
    rows = [row.get(key, -1) for key in group]
    if rows == list(range(rows[0], rows[0] + len(rows))):
        return values[rows[0] : rows[0] + len(rows)]
    block = room((len(rows), values.shape[1]))
    for index, place in enumerate(rows):
        block[index] = values[place] if place >= 0 else np.nan
    return block


def _not_used(table: BoundTable, names: list[str]) -> list[str]:
    positions = {table.bound[name].position for name in names}
    return [n for p, n in enumerate(table.layout.names) if n and p not in positions]


def _warn_of_missing(table: BoundTable, names: list[str], values: Floats) -> None:
    # The sum of a column is NaN if and only if a sample is missing: infinity was refused.
    gone = np.flatnonzero(np.isnan(values.sum(axis=1)))
    if gone.size:
        counts = ", ".join(f"{names[i]} {int(np.isnan(values[i]).sum())}" for i in gone)
        warn(
            f"{table.layout.path}: samples without a number, of {values.shape[1]}: {counts}",
            DataWarning,
        )
