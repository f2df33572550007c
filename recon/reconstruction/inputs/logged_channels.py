"""Asks a conditioned log which channels it has, and warns of those that it lacks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import PriorWarning, warn
from recon.base.late import xr


def logged(log: xr.Dataset, name: str, corner: str) -> bool:
    """True where a channel of a corner holds any number."""
    if name not in log or corner not in set(map(str, log["corner"].to_numpy())):
        return False
    values = log[name].sel(corner=corner).to_numpy()
    # The start decides nearly always; only a channel that begins late is looked at whole.
    return any(bool(np.isfinite(part).any()) for part in (values[:100], values))


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
    if name not in log or (corner is not None and not logged(log, name, corner)):
        return np.zeros(3, dtype=bool)
    values = log[name] if corner is None else log[name].sel(corner=corner)
    return np.asarray(np.isfinite(values.to_numpy()).any(axis=0))


def specific_force(log: xr.Dataset) -> Floats | None:
    """Specific force (3, sample) of the body [m/s2] with all its axes, None if it is not logged."""
    if not axes_logged(log, "acceleration", None).all():
        return None
    return np.asarray(log["acceleration"].to_numpy().T)
