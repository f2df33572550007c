"""Friction use in words, and the picture of Fy against Fx of every tyre, with Fz in three steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.analysis.friction import FEWEST_SAMPLES
from recon.base.arrays import Floats
from recon.base.quantities import COMPONENTS
from recon.base.status import BIT
from recon.base.uncertainty import COVERAGE_FACTOR
from recon.records.forces import require_forces
from recon.report.sheet import (
    INK,
    LOOKS,
    MIDDLE,
    PALE,
    SMALL,
    TEXT,
    Around,
    add_panel,
    dress,
    empty_sheet,
    style_panel,
    tyre_footer,
)

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

AROUND = Around(left=0.85, right=0.2, below=0.5, above=0.45)
# Marker, size [pt] and colour of light, middle and heavy Fz, pale to dark.
DASHES = (0, (4, 3))
STEPS = (("o", 2.6, PALE), ("s", 1.8, MIDDLE), ("^", 2.2, INK))


def friction_summary(answer: xr.Dataset) -> list[str]:
    """Highest demonstrated friction use per tyre."""
    lines = [
        f"Friction use sqrt(Fx^2 + Fy^2) / Fz above {answer.attrs['low_load_N']:.0f} N, tyre axes, "
        f"{answer.attrs['bandwidth_Hz']:.4g} Hz"
    ]
    for k, name in enumerate(answer["corner"].to_numpy()):
        value = float(answer["highest_demonstrated_use"][k])
        if not np.isfinite(value):
            lines.append(
                f"  {name}: highest use not known, fewer than {FEWEST_SAMPLES} known "
                "samples above the load gate"
            )
            continue
        u = float(answer["u_highest_demonstrated_use"][k])
        lines.append(
            f"  {name}: highest use {value:.3f} +-{COVERAGE_FACTOR * u:.3f} (95 %), "
            f"{int(answer['samples_used'][k])} samples (what the tyre used, not its limit)"
        )
    return lines


def plot_friction_plane(forces: xr.Dataset, friction: xr.Dataset | None = None) -> Figure:
    """Draw Fy against Fx of each tyre; shade and marker show in which third of Fz a sample lies.

    Samples whose Fz was held at zero are left out, because a bound is not a measurement.

    Parameters
    ----------
    forces : xarray.Dataset
        Result of the reconstruction: `tyre_force` [N] (elapsed_time, corner, component), tyre
        axes, x forward, y left, z up; `status`.
    friction : xarray.Dataset, optional
        Result of `friction_use` [1]; the title then names the highest use.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    DataError
        `forces` is no result of the reconstruction.
    """
    require_forces(forces, "tyre_force", "status")
    corners = [str(c) for c in forces["corner"].to_numpy()]
    held = {c: _held(forces, c) for c in corners}
    known = {c: np.isfinite(_force(forces, c)).all(axis=1) for c in corners}
    drawn = {c: _force(forces, c)[known[c] & ~held[c]] for c in corners}
    everything = np.concatenate(list(drawn.values()))
    edges = _edges(everything[:, 2])
    reach = float(np.max(np.hypot(everything[:, 0], everything[:, 1]), initial=1.0))
    columns = min(len(corners), 2)
    rows = -(-len(corners) // columns)
    figure = empty_sheet(1.0 + 4.3 * columns, 1.5 + 4.3 * rows)
    room = dress(
        figure, _title(drawn, friction), _legend(edges), tyre_footer(forces), columns=columns
    )
    boxes = [box for row in room.rows(rows) for box in row.columns(*[1.0] * columns)]
    for box, corner in zip(boxes, corners, strict=False):
        panel = add_panel(figure, box.inside(AROUND))
        _draw_tyre(panel, drawn[corner], edges)
        _draw_circles(panel, reach, drawn[corner])
        unknown = int(np.sum(~known[corner] & ~held[corner]))
        name = _panel_name(corner, len(drawn[corner]), int(np.sum(held[corner])), unknown)
        style_panel(panel, name)
    return figure


def _force(forces: xr.Dataset, corner: str) -> Floats:
    force = forces["tyre_force"].sel(corner=corner, component=list(COMPONENTS))
    return force.transpose("elapsed_time", "component").to_numpy()


def _held(forces: xr.Dataset, corner: str) -> NDArray[np.bool_]:
    return (forces["status"].sel(corner=corner).to_numpy() & BIT["bound_active"]) != 0


def _edges(vertical: Floats) -> Floats:
    """Two round values of Fz [N] that part all samples into thirds."""
    if not vertical.size:
        return np.array([1000.0, 2000.0])
    low, high = np.round(np.quantile(vertical, [1 / 3, 2 / 3]), -2)
    return np.array([low, max(high, low + 100.0)])


def _draw_tyre(panel: Axes, force: Floats, edges: Floats) -> None:
    step = np.digitize(force[:, 2], edges)
    # Heavy first: light samples lie near the middle and would be hidden otherwise.
    for k in (2, 1, 0):
        marker, size, colour = STEPS[k]
        part = force[step == k]
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


def _draw_circles(panel: Axes, reach: float, force: Floats) -> None:
    """Circles of constant size of the force, at most five, labelled in kN."""
    from matplotlib.ticker import MultipleLocator

    spacing = next(s for s in _round_steps() if reach / s <= 5)
    limit = 1.05 * reach
    radii = spacing * np.arange(1, int(reach // spacing) + 1)
    direction = _empty_direction(force, radii, 0.08 * limit)
    turn = np.linspace(0, 2 * np.pi, 181)
    for radius in radii:
        circle = radius * np.cos(turn), radius * np.sin(turn)
        panel.plot(*circle, color=MIDDLE, linewidth=0.6, linestyle=DASHES, zorder=1)
        panel.text(
            radius * np.cos(direction),
            radius * np.sin(direction),
            f"{radius / 1000:g} kN",
            fontsize=SMALL,
            ha="center",
            va="center",
            color=INK,
            zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )
    panel.set_xlim(-limit, limit)
    panel.set_ylim(-limit, limit)
    panel.set_aspect("equal")
    between = spacing if len(radii) < 4 else 2 * spacing
    panel.xaxis.set_major_locator(MultipleLocator(between))
    panel.yaxis.set_major_locator(MultipleLocator(between))
    panel.set_xlabel("longitudinal force Fx [N]", fontsize=TEXT)
    panel.set_ylabel("lateral force Fy [N]", fontsize=TEXT)


def _round_steps() -> Floats:
    return np.outer(10.0 ** np.arange(0, 7), [1.0, 2.0, 5.0]).ravel()


def _empty_direction(force: Floats, radii: Floats, clear: float) -> float:
    """Return the direction [rad] in which labels on the circles hide the fewest samples."""
    choices = np.radians(np.arange(45, 405, 15))
    plane = force[:, 0] + 1j * force[:, 1]
    hidden = [
        sum(np.sum(np.abs(plane - radius * np.exp(1j * choice)) < clear) for radius in radii)
        for choice in choices
    ]
    return float(choices[np.argmin(hidden)])


def _panel_name(corner: str, drawn: int, held: int, unknown: int) -> str:
    return (
        f"{corner} {LOOKS[corner].name}: {drawn} samples drawn\n"
        f"left out: {held} with Fz held at 0, {unknown} not known"
    )


def _legend(edges: Floats) -> list[Artist]:
    from matplotlib.lines import Line2D

    low, high = edges
    words = (
        f"light: Fz below {low:.0f} N",
        f"middle: Fz {low:.0f} N to {high:.0f} N",
        f"heavy: Fz above {high:.0f} N",
    )
    entries: list[Artist] = [
        Line2D([], [], linestyle="none", marker=m, markersize=6, color=c, label=w)
        for (m, _, c), w in zip(STEPS, words, strict=True)
    ]
    circle = "circle: constant horizontal force"
    entries.append(Line2D([], [], color=MIDDLE, linewidth=0.8, linestyle=DASHES, label=circle))
    return entries


def _title(drawn: dict[str, Floats], friction: xr.Dataset | None) -> str:
    if friction is not None:
        highest = friction["highest_demonstrated_use"].to_numpy()
        k = int(np.nanargmax(highest))  # there is one, or there would be no result
        half = COVERAGE_FACTOR * float(friction["u_highest_demonstrated_use"][k])
        corner = str(friction["corner"].to_numpy()[k])
        return f"Friction use: highest {highest[k]:.2f} ± {half:.2f} ({corner}, 95 %)"
    largest = {c: np.max(np.hypot(f[:, 0], f[:, 1])) for c, f in drawn.items() if len(f)}
    if not largest:
        return "Forces in the road plane: none known"
    corner = max(largest, key=lambda c: largest[c])
    return f"Forces in the road plane: largest {largest[corner] / 1000:.1f} kN ({corner})"
