"""Files of one logger, which have one clock: stated in a map, and held to what they show."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from recon.base.errors import DataError
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.carrying import Channel
from recon.conditioning.clocks import DELAY_SHARE, U_DELAY, Agreement, Clock, align

SURELY = 5.0  # standard uncertainties
DAY = 86400.0  # s


def states_same_clock(first: xr.Dataset, second: xr.Dataset) -> bool:
    """Whether the map of either log says that it is a file of the other's logger."""
    return bool(first.attrs.get("same_clock", 0) or second.attrs.get("same_clock", 0))


def same_clock(first: xr.Dataset, second: xr.Dataset) -> tuple[Clock, str]:
    """The clock of the second log where it is that of the first, and the same in words.

    Logs (elapsed_time, gauge) are as `read_log` returns them, times in [s].

    Raises DataError: one has times of day and the other numbers, or channels of both show that the
    clocks differ.
    """
    own = second["elapsed_time"].to_numpy()
    delay = float(np.hypot(U_DELAY, DELAY_SHARE * Channel.of(own, own, "").step))
    path = str(second.attrs.get("path", "log"))
    clock = Clock(path, 0.0, _offset(first, second), delay=delay)
    agreements, seen = _checked(first, second, clock)
    within = 1e3 * COVERAGE_FACTOR * delay
    return replace(clock, agreements=agreements), (
        f"{Path(path).name} has the clock of {Path(str(first.attrs['path'])).name}, by a column "
        f"map, within +-{within:.1f} ms (95 %); {seen}"
    )


def _both(first: xr.Dataset, second: xr.Dataset) -> str:
    return f"{second.attrs['path']} beside {first.attrs['path']}"


def _offset(first: xr.Dataset, second: xr.Dataset) -> float:
    """Time [s] by which elapsed time of the second log begins after that of the first."""
    days = [str(log.attrs.get("date", "")) for log in (first, second)]
    apart = second.attrs["time_of_day"] - first.attrs["time_of_day"]
    numbers = [bool(np.isnan(log.attrs["time_of_day"])) for log in (first, second)]
    if all(numbers):
        return 0.0
    if any(numbers) or bool(days[0]) != bool(days[1]):
        raise DataError(
            _both(first, second),
            "same_clock = true, but the times of both are not written alike",
            "times of one logger: numbers in both, times of day in both, or dated times in both",
            "Delete same_clock from the column map: clocks are then found by common channels.",
        )
    if days[0]:
        apart += DAY * (date.fromisoformat(days[1]) - date.fromisoformat(days[0])).days
    return float(apart)


def _checked(
    first: xr.Dataset, second: xr.Dataset, clock: Clock
) -> tuple[tuple[Agreement, ...], str]:
    """Channels of both logs and what they say of it; a refusal where they contradict it."""
    try:
        found = align(first, second)
    except DataError as fault:
        return (), f"nothing shows whether that is so: {fault.found}"
    best = max(found.agreements, key=lambda a: a.like)
    own = second["elapsed_time"].to_numpy()
    ends = np.array([own[0], found.middle, own[-1]])
    apart = found.on_first(ends) - clock.on_first(ends)
    u = np.hypot(found.u(ends), clock.delay)
    worst = int(np.argmax(np.abs(apart)))
    if abs(apart[worst]) > SURELY * u:
        raise DataError(
            _both(first, second),
            f"same_clock = true, but {' and '.join(dict.fromkeys(best.names))} agree "
            f"{1e3 * apart[worst]:+.0f} +-{1e3 * COVERAGE_FACTOR * u:.0f} ms (95 %) later",
            "files of one logger, whose times agree",
            "Delete same_clock from the column map: clocks are then found by common channels.",
        )
    return found.agreements, (
        f"{' and '.join(dict.fromkeys(best.names))} agree within "
        f"+-{1e3 * COVERAGE_FACTOR * u:.0f} ms"
    )
