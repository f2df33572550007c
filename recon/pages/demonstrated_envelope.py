"""Demonstrated envelope of every tyre by direction and load, for the force plane of a page."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from recon.base.errors import ReconError
from recon.base.late import xr
from recon.pages.shown_answers import Shown

ANSWER = "grip"  # the answer that has envelopes


def envelopes(shown: Iterable[Shown]) -> dict[str, list[dict[str, Any]]]:
    """Envelopes by corner: direction, loads and forces with limits [N]; none without the answer."""
    for one in shown:
        if one.answer.name == ANSWER and not isinstance(one.result, ReconError):
            corners = map(str, one.result["corner"].to_numpy())
            return {corner: _of_corner(one.result.sel(corner=corner)) for corner in corners}
    return {}


def _of_corner(grip: xr.Dataset) -> list[dict[str, Any]]:
    out = []
    loads = grip["load"].to_numpy()
    for direction in grip["direction"].to_numpy():
        own = grip.sel(direction=direction)
        force, low, high = (
            own[f"demonstrated_force{end}"].to_numpy() for end in ("", "_lower", "_upper")
        )
        known = np.isfinite(force)
        if known.any():
            limit = bool(np.isfinite(own["available_force"].to_numpy()).any())
            columns = {"loads": loads, "force": force, "lower": low, "upper": high}
            rows = {name: [round(float(v)) for v in a[known]] for name, a in columns.items()}
            out.append({"direction": str(direction), "limit": limit, **rows})
    return out
