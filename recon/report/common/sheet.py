"""Layout and style shared by all pictures; every mark stays distinct in a grey print.

Nothing here touches matplotlib's global state: figures are made without pyplot and every size
and colour is stated where it is used.  Every panel has its place in inches: a layout engine that
measures all words first would take as long as the drawing itself.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from recon.base.late import xr
from recon.base.public import public
from recon.records.files import replace_whole, require_ending
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.looks import FAINT, INK, MIDDLE, SMALL, TEXT

if TYPE_CHECKING:
    from PIL import Image

Pictures = dict[str, Callable[[], "Figure"]]  # file name to the call that draws it
TITLE = 12.0  # pt
LEGEND_LINE, FOOTER_LINE = 0.17, 0.15  # in
CHARACTER = 0.52  # mean width of a character, as a share of the font's size
DOTS_PER_INCH = 150
DRAWING = ("matplotlib.backends.backend_agg", "matplotlib.figure", "xarray")  # what it imports


@dataclass(frozen=True, slots=True)
class Around:
    """Space between a panel's frame and the edges of its box, for its own words [in]."""

    left: float
    right: float
    below: float
    above: float


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the sheet, measured from the sheet's lower left corner [in]."""

    left: float
    bottom: float
    wide: float
    tall: float

    def rows(self, count: int) -> list[Box]:
        """Boxes of equal height, from the top down."""
        return self.stack(*[1.0] * count)

    def stack(self, *heights: float) -> list[Box]:
        """Boxes one below another whose heights are in the ratio of those given [in or 1]."""
        ends = self.tall * np.cumsum((0.0, *heights)) / sum(heights)
        top = self.bottom + self.tall
        return [Box(self.left, top - b, self.wide, b - a) for a, b in pairwise(map(float, ends))]

    def columns(self, *shares: float) -> list[Box]:
        """Boxes side by side whose widths are in the ratio of the shares."""
        ends = self.wide * np.cumsum((0.0, *shares)) / sum(shares)
        return [
            Box(self.left + a, self.bottom, b - a, self.tall) for a, b in pairwise(map(float, ends))
        ]

    def grid(self, rows: int, columns: int) -> list[Box]:
        """Boxes of equal size, row by row from the top left."""
        return [box for row in self.rows(rows) for box in row.columns(*[1.0] * columns)]

    def inside(self, around: Around) -> Box:
        """The box without the space around it."""
        wide = self.wide - around.left - around.right
        tall = self.tall - around.below - around.above
        return Box(self.left + around.left, self.bottom + around.below, wide, tall)


def add_panel(figure: Figure, box: Box) -> Axes:
    """Add axes whose frame is the box."""
    width, height = figure.get_size_inches()
    return figure.add_axes(
        (box.left / width, box.bottom / height, box.wide / width, box.tall / height)
    )


def new_sheet(
    size: tuple[float, float],
    title: str,
    legend: Sequence[Artist],
    footer: str,
    *,
    columns: int = 4,
) -> tuple[Figure, Box]:
    """A white figure of that width and height [in], and the room for its panels.

    Title, legend and footer have strips of their own.  Summaries write +- in plain text; pictures
    show it as one sign.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, dpi=DOTS_PER_INCH, facecolor="white")
    width, height = size
    lines = -(-len(legend) // columns)
    head = 0.45 + LEGEND_LINE * lines
    foot = 0.2 + FOOTER_LINE * (footer.count("\n") + 1)
    left = 0.12 / width
    figure.text(
        left, 1 - 0.12 / height, title.replace("+-", "± "), fontsize=TITLE, va="top", color=INK
    )
    figure.text(left, 0.1 / height, footer, fontsize=SMALL, va="bottom", color=INK)
    figure.legend(
        handles=list(legend),
        loc="upper left",
        bbox_to_anchor=(left, 1 - 0.38 / height),
        ncols=columns,
        fontsize=TEXT,
        frameon=False,
        borderaxespad=0.0,
        borderpad=0.0,
        labelspacing=0.25,
    )
    return figure, Box(0.0, foot, width, height - head - foot)


def style_panel(
    panel: Axes, name: str, *, x: str = "", y: str = "", size: float = TEXT, fold: bool = False
) -> None:
    """Name the panel at its top left and its axes `x` and `y`, and draw a quiet frame and grid.

    `size` [pt] is that of the axes' names.  With `fold`, a name that is wider than the panel takes
    more lines.
    """
    # A stated height spares the search for one, which measures every tick label.
    name = name.replace("+-", "± ")
    panel.set_title(
        _folded(panel, name) if fold else name, loc="left", fontsize=TEXT, color=INK, pad=4, y=1.0
    )
    panel.set_xlabel(x or panel.get_xlabel(), fontsize=size, color=INK)
    panel.set_ylabel(y or panel.get_ylabel(), fontsize=size, color=INK)
    panel.tick_params(labelsize=SMALL, color=MIDDLE, labelcolor=INK)
    panel.grid(color=FAINT, linewidth=0.6)
    panel.set_axisbelow(True)
    panel.spines[["top", "right"]].set_visible(False)
    panel.spines[["left", "bottom"]].set_color(MIDDLE)


def _folded(panel: Axes, words: str) -> str:
    width = 72 * panel.bbox.width / panel.figure.dpi
    room = int(width / (CHARACTER * TEXT))
    return "\n".join(part for line in words.splitlines() for part in textwrap.wrap(line, room))


def tyre_footer(forces: xr.Dataset) -> str:
    """Axes, sign and bandwidth of the forces drawn, in words."""
    bandwidth = float(forces.attrs.get("bandwidth_Hz", np.nan))
    stated = f"{bandwidth:.4g} Hz bandwidth" if np.isfinite(bandwidth) else "bandwidth not stated"
    few = f", {forces.attrs['drawn']}" if "drawn" in forces.attrs else ""
    return f"tyre axes, {stated}{few}; force of the road on the tyre, x forward, y left, z up"


@public
def save_figure(figure: Figure, path: str | Path, *, overwrite: bool = False) -> Path:
    """Save the figure as PNG with 150 dots per inch, the whole file or none.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        One of this package's pictures.
    path : str or Path
        Target; its name ends `.png`.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        The name does not end `.png`, the folder is missing, the target exists and `overwrite`
        is false, or the file cannot be written.
    """
    target = Path(path)
    require_ending(target, ".png")
    with replace_whole(target, overwrite=overwrite) as temporary:
        _write_png(figure, temporary)
    return target


def save_drawn(draw: Callable[[], Figure], path: Path) -> Path:
    """Draw a picture and save it."""
    return save_figure(draw(), path)


def small_png(figure: Figure) -> bytes:
    """The picture as PNG with few colours, a quarter of the usual size."""
    return _with_few_colours(_drawn(figure))


def small_png_of(path: Path) -> bytes:
    """A picture that was saved, as PNG with few colours."""
    from PIL import Image

    with Image.open(path) as image:
        return _with_few_colours(image)


def _with_few_colours(image: Image.Image, colours: int = 64) -> bytes:
    from io import BytesIO

    from PIL.Image import Quantize

    # Twice as quick as the median cut, and as near; `optimize` saves 8 % and takes seven times as
    # long as compression at its usual level.
    stream = BytesIO()
    image.convert("RGB").quantize(colours, Quantize.MAXCOVERAGE).save(stream, "PNG")
    return stream.getvalue()


def _drawn(figure: Figure) -> Image.Image:
    """The picture without transparency: a tenth smaller as a file, and quicker to write."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # once; `savefig` would draw everything twice
    return Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")


def _write_png(figure: Figure, path: Path) -> None:
    dots = (figure.dpi, figure.dpi)
    # More compression saves a tenth and takes half as long again.
    _drawn(figure).save(path, "PNG", compress_level=1, dpi=dots)
