"""Asks a conditioned log which channels it has, and warns of those that it lacks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import PriorWarning, warn
from recon.base.labelled import corner_names
from recon.base.late import xr


def logged(log: xr.Dataset, name: str, corner: str | None) -> bool:
    """True where a channel of a corner, or of any of them if that is None, holds any number."""
    values = _of_corner(log, name, corner)
    return values is not None and bool(_any_number(values).any())


def braking_known(log: xr.Dataset) -> bool:
    """True where the pressure of at least one brake line is logged."""
    return logged(log, "brake_pressure", None)


def warn_missing(log: xr.Dataset, corner: str, channel: str, instead: str) -> None:
    """Warn that a channel of a corner is not logged, and of what is used instead."""
    warn_of_prior(
        f"{log.attrs.get('path', 'log')}, corner {corner}: {channel} is not logged; {instead}."
    )


def warn_of_prior(text: str) -> None:
    """Warn of an assumption."""
    warn(text, PriorWarning)


def axes_logged(log: xr.Dataset, name: str, corner: str | None) -> NDArray[np.bool_]:
    """Axes of an acceleration that hold any number, (3,)."""
    values = _of_corner(log, name, corner)
    return np.zeros(3, dtype=bool) if values is None else _any_number(values)


def _of_corner(log: xr.Dataset, name: str, corner: str | None) -> NDArray | None:
    """Values (sample, ...) of a channel of a corner, or of the car; None if there are none."""
    if name not in log:
        return None
    values = log.variables[name].to_numpy()
    if corner is None:
        return values
    names = corner_names(log)
    return values[:, names.index(corner)] if corner in names else None


def _any_number(values: NDArray) -> NDArray[np.bool_]:
    """Whether a column of (sample, ...) holds any number."""
    # The start decides nearly always; only a channel that begins late is looked at whole.
    start = np.isfinite(values[:100]).any(axis=0)
    return np.asarray(start if start.all() else np.isfinite(values).any(axis=0))


def specific_force(log: xr.Dataset) -> Floats | None:
    """Specific force (3, sample) of the body [m/s2] with all its axes, None if it is not logged."""
    if not axes_logged(log, "acceleration", None).all():
        return None
    return np.asarray(log.variables["acceleration"].to_numpy().T)
