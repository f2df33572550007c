"""Several logs of one drive on one time base: that of the log with the most gauges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, warn
from recon.base.labelled import stamp
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.vehicle import Vehicle
from recon.conditioning.carrying import BANDS, Channel, filled_attributes, reach_of
from recon.conditioning.clocks import FASTEST_DRIFT, Clock, align, in_words
from recon.conditioning.same_clock import same_clock, states_same_clock
from recon.records.logs import LOG, VARIABLES, read_log

Source = str | Path | tuple[str | Path, str | Path | None]  # a log, or a log and its column map
OTHER_UNIT = 0.2  # a gain so far from 1 is no tolerance of a sensor; common practice, no source
UNCOVERED = 0.05  # s at either end of the drive; shorter ones are not worth a word
SURELY = 5.0  # standard uncertainties
SURE = 0.9  # share of the variance from which a gain says something


@dataclass(frozen=True, slots=True)
class Joined:
    """Logs of one drive in one `log`, on the clock of the first; the other clocks, also in words.

    `clocks` are those that were found by common channels.  The words have no full stop.
    """

    log: xr.Dataset
    words: tuple[str, ...] = ()
    clocks: tuple[Clock, ...] = ()


@public
def read_logs(sources: Sequence[Source], car: Vehicle) -> xr.Dataset:
    """Read several logs of one drive into one, on the clock of the one with the most gauges.

    Parameters
    ----------
    sources : sequence of paths, or of (path, column map)
        Logs as for `read_log`, each with its own columns, rate, clock and gaps.
    car : Vehicle

    Returns
    -------
    xarray.Dataset
        As `read_log` returns it, in SI along elapsed_time [s] of the log with the most gauges.
        Channels of other logs are carried at their own rate and are NaN where a log has a gap or
        was not running.  They have the attributes `from_log`, `u_clock` [s], the standard
        uncertainty of the alignment, and, where they are slower, `own_step` [s]; `u_filled` is
        the standard uncertainty from both in the channel's unit.  A channel that several logs
        hold is taken from the log with the most gauges, else from the first.

    Raises
    ------
    DataError
        There is no list of logs, one is refused as by `read_log` or stands there twice, none has a
        gauge, a gauge is in two of them, or clocks cannot be aligned.

    Warns
    -----
    DataWarning
        A channel that two logs hold differs between them by a factor, or a clock jumps.
    """
    if not sources or isinstance(sources, str | Path):
        where, found = "recon.read_logs, argument sources", f"the value {sources!r}"
        raise DataError(where, found, "a list of one log or more", "Put them in brackets.")
    return joined_logs(sources, car).log


def joined_logs(sources: Sequence[Source], car: Vehicle) -> Joined:
    """Read logs as `read_logs` does, and return the log together with the clocks that were found.

    Raises DataError: see `read_logs`.
    """
    pairs = [s if isinstance(s, tuple) else (s, None) for s in sources]
    if len(pairs) < 2:
        return Joined(read_log(pairs[0][0], car, column_map=pairs[0][1]))
    logs = [read_log(path, car, column_map=chosen, gauged=False) for path, chosen in pairs]
    _refuse_same_file(logs, [chosen for _, chosen in pairs])
    first = max(range(len(logs)), key=lambda k: logs[k].sizes["gauge"])
    if not logs[first].sizes["gauge"]:
        raise DataError(
            ", ".join(str(path) for path, _ in pairs),
            "no column of any gauge",
            "gauges of the vehicle file in at least one of the logs",
            "Name the gauges' columns in a column map: ours = theirs.",
        )
    base, clocks, words = logs.pop(first), [], []
    name = str(pairs[first][0])
    for other in logs:
        _refuse_same_gauge(base, other)
        if states_same_clock(base, other):
            clock, said = same_clock(base, other)
        else:
            clock = align(base, other)
            said = in_words(clock, name)
            _warn_of_clock(clock, name)
            clocks.append(clock)
        _warn_of_factors(base, clock)
        words.append(said + _coverage(base, other, clock))
        base = _joined(base, other, clock)
    return Joined(base.assign_attrs(clocks=words), tuple(words), tuple(clocks))


def _coverage(base: xr.Dataset, other: xr.Dataset, clock: Clock) -> str:
    """The part of the drive that another log covers, in words; empty if it is the whole drive."""
    begins, ends = base["elapsed_time"].to_numpy()[[0, -1]]
    start, end = clock.on_first(other["elapsed_time"].to_numpy()[[0, -1]])
    if start - begins < UNCOVERED and ends - end < UNCOVERED:
        return ""
    return (
        f"; it covers only {max(start, begins):.1f} to {min(end, ends):.1f} s of a drive from "
        f"{begins:.1f} to {ends:.1f} s, and its channels are missing outside that time"
    )


def _refuse_same_file(logs: list[xr.Dataset], maps: list[str | Path | None]) -> None:
    """Refuse a file that is given twice; two maps may each take other columns of one file."""
    seen: dict[tuple[str, str], str] = {}
    for log, chosen in zip(logs, maps, strict=True):
        path, file = str(log.attrs["path"]), (str(log.attrs["checksum"]), str(chosen))
        if file in seen:
            raise DataError(
                path,
                "the same log twice" if path == seen[file] else f"the same log as {seen[file]}",
                "each log once",
                "Leave one out, or name the log that was meant.",
            )
        seen[file] = path


def _refuse_same_gauge(base: xr.Dataset, other: xr.Dataset) -> None:
    both = sorted(set(base["gauge"].to_numpy()) & set(other["gauge"].to_numpy()))
    if both:
        raise DataError(
            str(other.attrs["path"]),
            f"gauge {both[0]}, which {base.attrs['path']} holds as well",
            "each gauge in one log only",
            "Leave the gauge out of one of them with a column map that names another column.",
        )


def _warn_of_factors(base: xr.Dataset, clock: Clock) -> None:
    for found in clock.agreements:
        same = found.names[0] == found.names[1]
        if same and found.like > SURE and abs(found.gain - 1.0) > OTHER_UNIT:
            warn(
                f"{clock.path}: {found.names[0]} here, times {found.gain:.4g}, is that of "
                f"{base.attrs['path']}. Check unit and sign of this channel in both logs.",
                DataWarning,
            )


def _warn_of_clock(clock: Clock, first: str) -> None:
    """Warn of clocks that disagree in parts of the drive, or differ more than any that work."""
    time, lag, u = clock.windows.T
    off = np.abs(lag) > np.maximum(SURELY * u, SURELY * clock.delay)
    if off.any():
        worst = int(np.argmax(np.where(off, np.abs(lag), 0.0)))
        warn(
            f"{clock.path}: its clock is {1e3 * lag[worst]:+.0f} ms off around {time[worst]:.0f} s "
            "although it is aligned over the whole drive. Did the logger stop and start again, or "
            "lose samples without leaving a gap in time? Look at clocks.png, and give the parts "
            "as logs of their own.",
            DataWarning,
        )
    elif abs(clock.drift) - COVERAGE_FACTOR * clock.u_drift > FASTEST_DRIFT:
        warn(
            f"{clock.path}: against {Path(first).name} its clock is {clock.pace}, and no logger's "
            f"clock is off by more than {1e6 * FASTEST_DRIFT:.0f} ppm. Are both logs of the same "
            "drive? If they are, one of them has times that were rounded or rewritten, or lost "
            "samples without leaving a gap in time: look at clocks.png.",
            DataWarning,
        )


def _joined(base: xr.Dataset, other: xr.Dataset, clock: Clock) -> xr.Dataset:
    """The base with all columns of the other log that it has no numbers in."""
    own, times = clock.on_first(other["elapsed_time"].to_numpy()), base["elapsed_time"].to_numpy()
    u_clock = clock.u(other["elapsed_time"].to_numpy())
    step = float(np.median(np.diff(times)))
    out = _with_gauges(base, other, own, u_clock)
    for name in VARIABLES:
        if name not in other:
            continue
        block = other[name].to_numpy().reshape(len(own), -1)
        shape = (len(times), *other[name].shape[1:])
        there = base[name].to_numpy().reshape(len(times), -1) if name in base else None
        values = np.full((len(times), block.shape[1]), np.nan) if there is None else there.copy()
        carried = _Carried(other[name], step, u_clock, np.zeros((block.shape[1], len(BANDS))))
        for k in range(block.shape[1]):
            if there is None or np.isnan(there[:, k]).all():
                values[:, k] = carried.take(k, Channel.of(own, block[:, k], name), times)
        if carried.taken:
            more = {"from_log": str(other.attrs["path"])} | carried.attributes
            attributes = (base if name in base else other)[name].attrs | more
            dims = {d: other[d].to_numpy() for d in other[name].dims[1:] if d not in out.coords}
            out = out.assign_coords(dims)
            out = out.assign({name: (other[name].dims, values.reshape(shape), attributes)})
    return out.assign_attrs(_sources(base, other))


@dataclass(slots=True)
class _Carried:
    """Carries a `variable` onto times a `step` [s] apart and keeps its errors (column, band)."""

    variable: xr.DataArray
    step: float
    u_clock: float
    errors: Floats
    taken: int = 0
    own_step: float = 0.0

    def take(self, k: int, channel: Channel, times: Floats) -> Floats:
        """Column `k` at the times (sample,) [s]; NaN where it was not logged."""
        if len(channel.time) < 2:
            return np.full(len(times), np.nan)
        self.taken += 1
        slow = channel.step > self.step
        filled = channel.errors() if slow else 0.0
        self.own_step = max(self.own_step, channel.step if slow else 0.0)
        self.errors[k] = np.hypot(filled, self.u_clock * channel.pace())
        return channel.at(times, reach_of(channel.step))

    @property
    def attributes(self) -> dict[str, object]:
        """Attributes of the variable that holds what was taken."""
        filled = filled_attributes(self.variable, self.own_step, self.errors)
        return {"u_clock": self.u_clock, **filled}


def _with_gauges(base: xr.Dataset, other: xr.Dataset, own: Floats, u_clock: float) -> xr.Dataset:
    """The base with the gauges of the other log; `u_clock` [s] is then between some of both."""
    if not other.sizes["gauge"]:
        return base
    times = base["elapsed_time"].to_numpy()
    more = [
        (channel := Channel.of(own, column, "")).at(times, reach_of(channel.step), ends=False)
        for column in other["indication"].to_numpy().T
    ]
    values = np.concatenate([base["indication"].to_numpy(), np.stack(more, axis=1)], axis=1)
    names = np.concatenate([base["gauge"].to_numpy(), other["gauge"].to_numpy()])
    units = {log["indication"].attrs.get("units") for log in (base, other)}
    out = base.drop_vars(["indication", "gauge"]).assign_coords(gauge=stamp(LOG["gauge"], names))
    out["indication"] = stamp(LOG["indication"], values)
    before = base["indication"].attrs
    out["indication"].attrs |= {
        "u_clock": max(u_clock, float(before.get("u_clock", 0.0))),
        "from_log": " + ".join([*filter(None, [before.get("from_log")]), str(other.attrs["path"])]),
        "carried": [*before.get("carried", []), *other["gauge"].to_numpy().tolist()],
    }
    if len(units) == 1 and None not in units:
        out["indication"].attrs["units"] = units.pop()
    return out


def _sources(base: xr.Dataset, other: xr.Dataset) -> dict[str, object]:
    """Attributes of the joined log: names and checksums of both, and what neither used."""
    texts: dict[str, object] = {
        key: f"{base.attrs[key]} + {other.attrs[key]}" for key in ("path", "checksum", "encoding")
    }
    lists = {key: [*base.attrs[key], *other.attrs[key]] for key in ("not_used", "gaps")}
    return texts | lists
