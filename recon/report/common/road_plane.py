"""One panel per tyre in the road plane, with Fz in three steps and round circles; shared parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.quantities import COMPONENTS
from recon.base.status import AT_BOUND
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.labels import note, white_box
from recon.report.common.legend import line_entry
from recon.report.common.looks import INK, LOOKS, MIDDLE, PALE, TEXT
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel, tyre_footer

AROUND = Around(left=0.85, right=0.2, below=0.5, above=0.45)
CELLS = 1000  # across the points of a panel, each a tenth of a dot
DASHES = (0, (4, 3))
# Marker, size [pt] and colour of light, middle and heavy Fz, pale to dark.
STEPS = (("o", 2.6, PALE), ("s", 1.8, MIDDLE), ("^", 2.2, INK))


@dataclass(frozen=True, slots=True)
class Tyre:
    """Points of one tyre: `plane` (sample, 2) in the plane's unit and `vertical` (sample,) [N].

    `left_out` says in words which samples are not drawn.
    """

    plane: Floats
    vertical: Floats
    left_out: str


@dataclass(frozen=True, slots=True)
class Plane:
    """The plane that all tyres are drawn in.

    Labels of circles are values over `per` with `unit` after them; `least` is the smallest reach
    of an empty plane, in the plane's unit.
    """

    labels: tuple[str, str]
    circle: str
    per: float
    unit: str
    least: float


def known_forces(
    forces: xr.Dataset, corner: str
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_], int]:
    """Forces (known, 3) [N] of a tyre in tyre axes that are known and not at a bound.

    Also the masks (sample,) of these samples and of those at a bound, and the number of those not
    known.
    """
    force = forces["tyre_force"].sel(corner=corner, component=list(COMPONENTS))
    values = force.transpose("elapsed_time", "component").to_numpy()
    held = (forces["status"].sel(corner=corner).to_numpy() & AT_BOUND) != 0
    known = np.isfinite(values).all(axis=1)
    measured = known & ~held
    return values[measured], measured, held, int(np.sum(~known & ~held))


def plot_plane(forces: xr.Dataset, plane: Plane, tyres: dict[str, Tyre], title: str) -> Figure:
    """Draw every tyre's points in its panel, all with one scale."""
    edges = _edges(np.concatenate([tyre.vertical for tyre in tyres.values()]))
    reach = max(float(np.max(np.hypot(*t.plane.T), initial=plane.least)) for t in tyres.values())
    columns = min(len(tyres), 2)
    rows = -(-len(tyres) // columns)
    legend = _legend(edges, plane.circle)
    figure, room = new_sheet(
        (1.0 + 4.3 * columns, 1.5 + 4.3 * rows), title, legend, tyre_footer(forces), columns=columns
    )
    boxes = room.grid(rows, columns)
    for box, (corner, tyre) in zip(boxes, tyres.items(), strict=False):
        panel = add_panel(figure, box.inside(AROUND))
        _draw_tyre(panel, tyre, edges)
        _draw_circles(panel, plane, reach, _apart(tyre.plane))
        drawn = f"{corner} {LOOKS[corner].name}: {len(tyre.plane)} samples drawn"
        style_panel(panel, f"{drawn}\nleft out: {tyre.left_out}")
    return figure


def _edges(vertical: Floats) -> Floats:
    """Two round values of Fz [N] that part all samples into thirds."""
    if not vertical.size:
        return np.array([1000.0, 2000.0])
    low, high = np.round(np.quantile(vertical, [1 / 3, 2 / 3]), -2)
    return np.array([low, max(high, low + 100.0)])


def _draw_tyre(panel: Axes, tyre: Tyre, edges: Floats) -> None:
    step = np.digitize(tyre.vertical, edges)
    # Heavy first: light samples lie near the middle and would be hidden otherwise.
    for k in (2, 1, 0):
        marker, size, colour = STEPS[k]
        part = _apart(tyre.plane[step == k])
        panel.plot(
            part[:, 0],
            part[:, 1],
            linestyle="none",
            marker=marker,
            markersize=size,
            markeredgewidth=0,
            color=colour,
            zorder=4 - k,
        )


def _apart(points: Floats) -> Floats:
    """Points (point, 2) of which none covers another: one for each cell finer than a dot."""
    if len(points) <= CELLS:
        return points
    low, high = points.min(axis=0), points.max(axis=0)
    cell = ((points - low) / np.maximum(high - low, 1e-6) * (CELLS - 1)).astype(np.int64)
    last = np.full(CELLS * CELLS, -1)
    last[cell[:, 0] * CELLS + cell[:, 1]] = np.arange(len(points))
    return points[np.sort(last[last >= 0])]


def _draw_circles(panel: Axes, plane: Plane, reach: float, points: Floats) -> None:
    """Circles of constant size, at most five, labelled in the plane's unit."""
    from matplotlib.ticker import MultipleLocator

    round_steps = np.outer(10.0 ** np.arange(-2, 7), [1.0, 2.0, 5.0]).ravel()
    spacing = next(s for s in round_steps if reach / s <= 5)
    limit = 1.05 * reach
    radii = spacing * np.arange(1, int(reach // spacing) + 1)
    direction = _empty_direction(points, radii, 0.08 * limit)
    turn = np.linspace(0, 2 * np.pi, 181)
    for radius in radii:
        circle = radius * np.cos(turn), radius * np.sin(turn)
        panel.plot(*circle, color=MIDDLE, linewidth=0.6, linestyle=DASHES, zorder=1)
        words = f"{radius / plane.per:g} {plane.unit}".strip()
        place = (radius * np.cos(direction), radius * np.sin(direction))
        look = {"ha": "center", "va": "center", "zorder": 5, "bbox": white_box(0.8)}
        note(panel, words, place, (0, 0), **look)
    panel.set_xlim(-limit, limit)
    panel.set_ylim(-limit, limit)
    panel.set_aspect("equal")
    between = spacing if len(radii) < 4 else 2 * spacing
    panel.xaxis.set_major_locator(MultipleLocator(between))
    panel.yaxis.set_major_locator(MultipleLocator(between))
    panel.set_xlabel(plane.labels[0], fontsize=TEXT)
    panel.set_ylabel(plane.labels[1], fontsize=TEXT)


def _empty_direction(points: Floats, radii: Floats, clear: float) -> float:
    """Return the direction [rad] in which labels on the circles hide the fewest samples."""
    choices = np.radians(np.arange(45, 405, 15))
    plane = points[:, 0] + 1j * points[:, 1]
    hidden = [
        sum(np.sum(np.abs(plane - radius * np.exp(1j * choice)) < clear) for radius in radii)
        for choice in choices
    ]
    return float(choices[np.argmin(hidden)])


def _legend(edges: Floats, circle: str) -> list[Artist]:
    low, high = edges
    words = (
        f"light: Fz below {low:.0f} N",
        f"middle: Fz {low:.0f} N to {high:.0f} N",
        f"heavy: Fz above {high:.0f} N",
    )
    entries: list[Artist] = [
        line_entry(linestyle="none", marker=m, markersize=6, color=c, label=w)
        for (m, _, c), w in zip(STEPS, words, strict=True)
    ]
    entries.append(line_entry(color=MIDDLE, linewidth=0.8, linestyle=DASHES, label=circle))
    return entries
