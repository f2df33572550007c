"""Picture of how the loads of a corner or an axle change over travel."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.public import public
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly, assembly_of
from recon.mechanics.motion import Pose, posed
from recon.mechanics.statics import load_matrix, road_columns, section_matrix
from recon.mechanics.structure import Mechanism
from recon.planning.questions import FORCES, gaugeable, load_units
from recon.report.car.corner import BARE, footer, gauged_entries
from recon.report.car.scene import signed, spaced, title_of
from recon.report.common.artists import Axes, Figure
from recon.report.common.labels import LETTER, spread
from recon.report.common.looks import ACCENT, INK, MIDDLE, SMALL
from recon.report.common.sheet import Around, Box, add_panel, new_sheet, style_panel

TRAVELS = 41
WIDE, ROW, STRIPS = 13.5, 3.9, 1.7  # in, the sheet, a row of panels, title and footer
LINE = 0.19  # in, a line of words
MARK, NAME = 0.23, 0.33  # in, from a panel's frame to the marker and the name of a curve
BELOW, ABOVE = 0.5, 0.42  # in, for the words below and above a panel
LIGHT, WARM = "#4b9cc0", "#e3b04b"
# Marker and colour of the curves; the marker identifies them in a grey print.
CURVES = (("o", INK), ("s", ACCENT), ("^", LIGHT), ("D", WARM), ("v", MIDDLE), ("P", INK),
          ("X", ACCENT), ("<", LIGHT), (">", WARM), ("p", MIDDLE), ("h", INK), ("*", ACCENT),
          ("d", LIGHT), ("8", WARM))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Curves:
    """Loads (travel, curve, force) per kN over travel [mm] of some wheels, all in one unit."""

    of: str
    travel: Floats
    loads: Floats
    unit: str
    names: list[str]
    gauged: list[bool]


@public
def plot_travel(car: Vehicle, corner: str) -> Figure:
    """Draw each load per force at the contact over the stated travel, rack centred.

    One panel for each of Fx (wheel rolling), Fy and Fz, with the members and everything else
    that the file gauges; loads in N m are drawn below those in N.  Where an axle ties the corner
    to its partner, one row moves both wheels together and one moves the corner alone.

    Parameters
    ----------
    car : Vehicle
    corner : str
        Corner to draw; the force is at its contact.

    Raises
    ------
    VehicleError
        The car has no such corner, or it does not reach every travel of its stated range.
    """
    assembly = assembly_of(car, corner)
    wheel = assembly.wheel(corner)
    travel = np.linspace(*assembly.corners[wheel].travel_range, TRAVELS)
    rows = [
        row
        for of, at in _poses(assembly, wheel, travel)
        for row in _curves(assembly, wheel, of, travel, at)
    ]
    low, high = (signed(end) for end in 1000 * travel[[0, -1]])
    at_corner = f" per kN at {corner}" if assembly.tied else " of the members"
    title = f"{title_of(assembly)}: loads{at_corner} over travel {low} to {high} mm"
    gauged = [g for curves in rows for g in curves.gauged]
    words = footer(car, "rack centred", "force of the road on the tyre")
    figure, room = new_sheet(
        (WIDE, STRIPS + ROW * len(rows)), title, gauged_entries(gauged, 1.6), words
    )
    around = _around(rows)
    for row, curves in zip(room.rows(len(rows)), rows, strict=True):
        for k, (box, force) in enumerate(zip(row.columns(1, 1, 1), FORCES, strict=True)):
            name = f"{force} {corner}" if assembly.tied else force
            _draw_panel(figure, box.inside(around), curves, k, name)
    return figure


def _around(rows: list[_Curves]) -> Around:
    """Space around each panel, on its right for the names of the curves."""
    names = [name for curves in rows for name in _names(curves, np.all(_known(curves), axis=1))]
    right = NAME + LETTER * max(len(name) for name in names)
    return Around(left=0.8, right=right, below=BELOW, above=ABOVE)


def _known(curves: _Curves) -> NDArray[np.bool_]:
    """Loads (curve, force) that are known at every travel."""
    return np.asarray(np.isfinite(curves.loads).all(axis=0))


def _names(curves: _Curves, known: Iterable[bool]) -> list[str]:
    return [n if k else f"{n} (not known)" for n, k in zip(curves.names, known, strict=True)]


def _poses(assembly: Assembly, wheel: int, travel: Floats) -> list[tuple[str, Pose]]:
    """Poses over the travel (travel,) [m] of a wheel, each with words for the wheels that move."""
    together = posed(assembly, travel[:, None])
    if not assembly.tied:
        return [("", together)]
    corner, other = assembly.corners[wheel].name, assembly.corners[1 - wheel].name
    alone = posed(assembly, travel[:, None] * (np.arange(2) == wheel))
    return [(" of both wheels", together), (f" of {corner} alone, {other} at 0", alone)]


def _curves(assembly: Assembly, wheel: int, of: str, travel: Floats, at: Pose) -> list[_Curves]:
    """Loads per force at a wheel's contact over its travel (travel,) [m], by unit."""
    m = assembly.mechanism
    road = road_columns(at, hub_passes_spin=False)[..., 6 * wheel : 6 * wheel + 3]
    loads = 1000 * np.concatenate([load_matrix(at), section_matrix(at)], axis=-2) @ road
    gauged = set(assembly.gauged)
    units = load_units(m)
    rows = _rows(m, gaugeable(m), gauged)
    out = []
    for unit in ("N", "N m"):
        own = [r for r in rows if units[r] == unit]
        if own:
            names = [m.row_names[r] for r in own]
            words = [spaced(name.rpartition(":")[2]) for name in names]  # a section by its gauge
            is_gauged = [name in gauged for name in names]
            out.append(_Curves(of, 1000 * travel, loads[:, own], unit, words, is_gauged))
    return out


def _rows(m: Mechanism, names: tuple[str, ...], gauged: set[str]) -> list[int]:
    """Rows that a gauge can measure and that are members or already gauged."""
    members = m.member_names
    return [m.row_names.index(n) for n in names if n in members or n in gauged]


def _draw_panel(figure: Figure, frame: Box, curves: _Curves, k: int, force: str) -> None:
    panel = add_panel(figure, frame)
    loads, known = curves.loads[..., k], _known(curves)[:, k]
    _draw_curves(panel, curves.travel, loads, curves.gauged)
    words = "split between supports not known"
    if not np.any(known):
        panel.set_xlim(curves.travel[0], curves.travel[-1])  # no curve stretches it
    else:
        change = np.where(known, np.ptp(loads, axis=0), -1.0)
        most = int(np.argmax(change))
        words = f"largest change in {curves.names[most]},\n{change[most]:.0f} {curves.unit} per kN"
        words += " over the range"
    style_panel(
        panel,
        f"per kN of {force}: {words}",
        x=f"travel{curves.of}, bump positive [mm]",
        y=f"load per {force} [{curves.unit} per kN]",
    )
    ends = np.nan_to_num(loads[-1])
    _name_curves(panel, frame, curves.travel[-1], ends, _names(curves, known))


def _draw_curves(panel: Axes, travel: Floats, loads: Floats, gauged: list[bool]) -> None:
    panel.axhline(0, color=INK, linewidth=0.6, zorder=1)
    panel.axvline(0, color=INK, linewidth=0.6, zorder=1)
    for m, is_gauged in enumerate(gauged):
        marker, colour = CURVES[m % len(CURVES)]
        panel.plot(
            travel, loads[:, m], color=colour, linewidth=1.6, marker=marker, markersize=5.5,
            markevery=(m % 8, 8), markeredgecolor="white", markeredgewidth=0.5,
            linestyle="-" if is_gauged else BARE, zorder=3,
        )  # fmt: skip


def _name_curves(panel: Axes, frame: Box, travel: float, loads: Floats, names: list[str]) -> None:
    """Write every load's name and marker beside the end of its curve, with a line to it."""
    from matplotlib.collections import LineCollection

    (left, right), (low, high) = panel.get_xlim(), panel.set_ylim(panel.get_ylim())
    ends = (loads - low) / (high - low)
    shares = spread(ends, LINE / frame.tall, 0.0, 1.0)
    beside: dict[str, Any] = {"transform": panel.transAxes, "clip_on": False}
    looks = [CURVES[m % len(CURVES)] for m in range(len(names))]
    end, mark = (travel - left) / (right - left), 1 + MARK / frame.wide
    leaders = [((end, y), (mark, share)) for y, share in zip(ends, shares, strict=True)]
    lines = LineCollection(
        leaders, colors=[colour for _, colour in looks], linewidths=0.6, **beside
    )
    panel.add_collection(lines, autolim=False)
    for (marker, colour), share, name in zip(looks, shares, names, strict=True):
        panel.plot(mark, share, marker=marker, color=colour, markersize=5.5, **beside)
        panel.text(1 + NAME / frame.wide, share, name, va="center", fontsize=SMALL, color=INK,
                   transform=panel.transAxes)  # fmt: skip
