"""Types of the plotting library by name, so that words about a result do not import it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
else:
    Artist = Axes = Figure = Any

__all__ = ["Artist", "Axes", "Figure"]
