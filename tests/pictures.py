"""Everything that is read in a picture, and the checks that all pictures pass."""

from __future__ import annotations

import warnings
from itertools import combinations
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text


def words_of(figure: Figure) -> list[Text]:
    """Every text that is seen: titles, labels, tick labels inside the view, legend, footer."""
    with warnings.catch_warnings(action="error"):
        FigureCanvasAgg(figure).draw()
    seen = [*figure.texts, *figure.legends[0].get_texts()]
    for panel in figure.axes:
        seen += [panel.title, panel._left_title, panel.xaxis.label, panel.yaxis.label]
        seen += panel.texts
        for axis, limits in ((panel.xaxis, panel.get_xlim()), (panel.yaxis, panel.get_ylim())):
            ticks = [t for t in axis.get_major_ticks() if min(limits) <= t.get_loc() <= max(limits)]
            seen += [t.label1 for t in ticks]
    return [t for t in seen if t.get_visible() and t.get_text().strip()]


def require_legible(figure: Figure) -> None:
    """All words are large enough, inside the picture, and apart."""
    words = words_of(figure)
    assert min(t.get_fontsize() for t in words) >= 8
    width, height = figure.bbox.size
    # Of an annotation the words only, without the line that leads to its point.
    boxes = [(t.get_text(), Text.get_window_extent(t)) for t in words]
    for text, box in boxes:
        assert box.x0 >= 0, text
        assert box.y0 >= 0, text
        assert box.x1 <= width, text
        assert box.y1 <= height, text
    for (one, a), (other, b) in combinations(boxes, 2):
        # One dot: text boxes carry a margin of their own beyond the ink.
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        along = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across <= 1 or along <= 1, (one, other)


def legend_of(figure: Figure) -> str:
    return "; ".join(t.get_text() for t in figure.legends[0].get_texts())


def labels_of(figure: Figure) -> list[str]:
    """Names of all axes that have one."""
    every = [name for a in figure.axes for name in (a.get_xlabel(), a.get_ylabel())]
    return [name for name in every if name]


def panel_named(figure: Figure, start: str) -> Any:
    return next(a for a in figure.axes if a.get_title(loc="left").startswith(start))


def lightness(colour: Any) -> float:
    """Relative luminance by ITU-R BT.709 weights, as a grey print shows it."""
    return float(np.dot(to_rgb(colour), [0.2126, 0.7152, 0.0722]))
