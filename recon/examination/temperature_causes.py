"""Temperatures in degrees Fahrenheit that were labelled as degrees Celsius.

Zeros are interpolated over temperature between two tares.  Where log and tares are not in one unit,
every zero is off by what it drifted, many times over.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from recon.base.arrays import Floats, known_mean
from recon.base.late import xr
from recon.base.quantities import celsius
from recon.conditioning.zero import ENOUGH_WARMING, share_at
from recon.examination.term import Candidate, Term
from recon.examination.view import Part, View

# Of the gauges between a tare and the nearest end of a log: more is another unit, or another day,
# and less than the second is one temperature.  Common practice, no source.
APART, ALIKE = 15.0, 8.0  # K
ENDS = 10  # differences that both ends of a drive count as, of four corners each


def temperatures_agree(view: View) -> Iterator[Term]:
    """Temperatures of log and tares: so far apart at both ends that another unit explains it."""
    found = _temperatures(view)
    if found is None:
        return
    tares, logged = found
    apart = float(np.min(np.abs(logged - tares)))
    by_unit = any(_brought_together(logged, tares, of_log=of_log) for of_log in (True, False))
    yield Term(
        place="car",
        corners=view.corners,
        name="temperatures of log and tares",
        size=(apart / APART) ** 2 if by_unit else 0.0,
        count=ENDS,
        limit=1.0,
        words=f"Temperatures of the gauges are {_degrees(logged)} at start and end of the log, "
        f"those of the tares {_degrees(tares)}.",
    )


def _temperatures(view: View) -> tuple[Floats, Floats] | None:
    """Mean temperatures (2,) [degC] of the tares, and of the log at start and end; None without."""
    if "gauge_temperature" not in view.log or "tare_temperature" not in view.log:
        return None
    tares = known_mean(view.log["tare_temperature"].to_numpy())
    logged = known_mean(view.log["gauge_temperature"].to_numpy()[[0, -1]])
    return (tares, logged) if np.isfinite([tares, logged]).all() else None


def _brought_together(logged: Floats, tares: Floats, *, of_log: bool) -> bool:
    """Whether temperatures that are far apart are alike once one side is read as degF."""
    other = celsius(logged) - tares if of_log else logged - celsius(tares)
    return bool(np.all(np.abs(logged - tares) > APART) and np.all(np.abs(other) < ALIKE))


def temperature_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Temperatures of log or tares in degF, where that makes them agree with each other."""
    found = _temperatures(view)
    if not doubted or found is None:
        return
    tares, logged = found
    channels = tuple(f"gauge_temperature_{corner}" for corner in view.corners)
    for of_log, names, files in ((True, channels, "log"), (False, ("temperature",), "tare table")):
        if _brought_together(logged, tares, of_log=of_log):
            yield Candidate(
                "other unit",
                view.corners,
                names,
                partial(_in_celsius, of_log=of_log),
                f"Correct the unit of temperatures in the {files} or its column map: they seem to "
                "be in degF.",
                files=(files,),
            )


def beyond_tares(view: View, part: Part, gauge: str) -> str:
    """A sentence where a gauge was much warmer or colder than at both its tares, or ""."""
    channels = [view.channel("gauge_temperature", corner) for corner in part.corners]
    logged = np.array([channel for channel in channels if channel is not None])
    if not np.isfinite(logged).any() or "tare_temperature" not in view.log:
        return ""
    tares = view.log["tare_temperature"].sel(gauge=gauge).to_numpy()
    if not np.isfinite(tares).all():
        return ""
    warmer, colder = np.nanmax(logged) - tares.max(), tares.min() - np.nanmin(logged)
    if max(warmer, colder) < APART:
        return ""
    how = f"{warmer:.0f} K warmer" if warmer > colder else f"{colder:.0f} K colder"
    return (
        f" It was up to {how} than at its tares, which alone may move it: take one more tare at "
        "such a temperature, right after the drive."
    )


def _degrees(values: Floats) -> str:
    return " and ".join(f"{value:.0f}" for value in values)


def _in_celsius(view: View, *, of_log: bool) -> View:
    """The view with zeros interpolated over the temperatures that were meant."""
    log = view.log.copy()
    name = "gauge_temperature" if of_log else "tare_temperature"
    log[name] = log[name].copy(data=celsius(log[name].to_numpy()))
    parts = {}
    for part in view.parts.values():
        change = _drift(view.log, part)
        moved = np.nan_to_num(_drift(log, part) - change)
        mended = part.samples.indication - moved.T
        parts[part.name] = part.changed(mended, part.zero + moved.mean(axis=0))
    return replace(view, log=log, parts=parts, kept={})


def _drift(log: xr.Dataset, part: Part) -> Floats:
    """Change of the zeros (n, gauge) [unit] since the first tare, by temperature; NaN by time."""
    gauges = list(part.gauges)
    cold, warm = log["tare_temperature"].sel(gauge=gauges).to_numpy()
    of_corners = log["gauge_temperature"].sel(corner=list(part.corners)).to_numpy()
    warm = np.where(np.abs(warm - cold) > ENOUGH_WARMING, warm, np.nan)
    share = share_at(np.mean(of_corners, axis=1)[:, None], cold, warm)
    return np.asarray(share * log["zero_change"].sel(gauge=gauges).to_numpy())
