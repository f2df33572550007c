"""Picture of a corner or an axle in three views, with its bodies, supports, gauges and loads."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.public import public
from recon.car.vehicle import TWO_FORCE, TWO_POINTS, Vehicle
from recon.planning.questions import FORCES
from recon.report.car.scene import Cut, Load, Scene, scene_of, signed
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.labels import LETTER, PITCH, clear_point, write_labels
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL, TEXT
from recon.report.common.sheet import Box, add_panel, new_sheet, style_panel

SCALES = {1: 190.0, 2: 260.0}  # mm of the car per inch of paper in every view, by wheels
HEAD, FOOT, SIDE, GAP = 1.2, 0.95, 0.75, 0.62  # in, strips around and between the views
THIN, THICK = 0.9, 5.5  # pt, lines of members without and with the largest load
CUT = 55.0  # mm, length of the bar that marks gauges at a section
BESIDE = -60.0  # mm past the middle; the side view of an axle leaves out what is beyond
BARE: Any = (0, (3.2, 1.6))
# Axis across and axis up the page; x and y grow to the left, in plan y grows downwards too.
VIEWS = {"plan, seen from above": (0, 1), "side, seen from the left": (0, 2),
         "rear, seen from behind": (1, 2)}  # fmt: skip
SIDE_VIEW = (0, 2)
ACROSS = ("← x forward [mm]", "← y left [mm]")
UP = {1: "← y left [mm]", 2: "z up → [mm]"}
Keywords = dict[str, Any]
ROUNDING = 0.5  # N; a load below it is written as 0 and is neither tension nor compression
FIXED: Keywords = {"marker": "s", "markersize": 5.5, "color": "white", "markeredgecolor": INK}
MOVING: Keywords = {"marker": "o", "markersize": 5.0, "color": INK, "markeredgecolor": "white"}
PUSH: Keywords = {"arrowstyle": "-|>", "color": INK, "linewidth": 2.0, "mutation_scale": 13,
                  "shrinkA": 0, "shrinkB": 0}  # fmt: skip
# Supports with an axis: name in the legend and style of the line between their two points.
AXES: dict[str, tuple[str, Keywords]] = {
    "pivot": ("pivot axis", {"marker": "d", "linestyle": "-"}),
    "slider": ("sliding direction", {"marker": "H", "linestyle": "-"}),
    "torsion": ("torsion axis", {"marker": "*", "linestyle": ":"}),
}
AXIS: Keywords = {"color": INK, "linewidth": 2.0, "markersize": 7, "markeredgecolor": "white",
                  "markeredgewidth": 0.6}  # fmt: skip
MARK, RIM = "#e3b04b", 2.2  # colour of a section's bar, pt of ink around it
TYRE = "#f4f6f7"


@public
def plot_corner(
    car: Vehicle,
    corner: str,
    *,
    wrench: tuple[float, float, float] = (0.0, 2000.0, 3000.0),
    travel: float = 0.0,
    rack: float = 0.0,
) -> Figure:
    """Draw one corner in plan, side and rear view with the load of every support and section.

    Where an axle ties the corner to its partner, both are drawn and the corner's wheel alone is
    loaded, so that the effect of its force on the other side can be seen.

    Parameters
    ----------
    car : Vehicle
    corner : str
        Corner to draw.
    wrench : (3,)
        Force of the road on the tyre at the contact centre, x forward, y left, z up; no
        moments, the wheel rolling. [N]
    travel, rack : float
        Pose, bump and left positive; of an axle both wheels. [m]

    Raises
    ------
    VehicleError
        The car has no such corner, or the corner does not reach the pose.
    DataError
        Travel outside the range that the vehicle file states.
    """
    scene = scene_of(car, corner, wrench, travel, rack)
    scale = SCALES[len(scene.wheels)]
    low, high = _box(scene, scale)
    margin = scale * (0.3 + LETTER * _longest(_labels(scene, [0, 1])[0]))
    wide = (high - low + 2 * margin) / scale
    tall = (high - low) / scale
    names = 0.35 + LETTER * _longest([_row_name(load) for load in scene.every_load])
    room = max(wide[1], names + 4.2)
    width = 2 * SIDE + GAP + wide[0] + room + 0.1
    where = f"travel {signed(1000 * travel)} mm (bump positive), rack {signed(1000 * rack)} mm"
    footer = _footer(car, scene, f"{where} (left positive)")
    size = width, HEAD + FOOT + GAP + tall[1] + tall[2]
    figure, _ = new_sheet(size, _title(scene), _legend(scene), footer)
    left, right, bottom, top = SIDE, SIDE + GAP + wide[0], FOOT, FOOT + GAP + tall[2]
    corners = ((left, top), (left, bottom), (right, bottom))
    for (name, (across, up)), (x, y) in zip(VIEWS.items(), corners, strict=True):
        panel = add_panel(figure, Box(x, y, wide[across], tall[up]))
        panel.set_xlim(high[across] + margin, low[across] - margin)
        panel.set_ylim((low[up], high[up]) if up == 2 else (high[up], low[up]))
        halved = (across, up) == SIDE_VIEW and len(scene.wheels) > 1
        style_panel(panel, f"{name}: the half of {corner}" if halved else name, x=ACROSS[across])
        _draw_view(panel, scene, across, up)
        panel.set_ylabel(UP[up], fontsize=TEXT, labelpad=1)
    _draw_every_load(figure, Box(right + names, top, room - names, tall[1]), scene)
    return figure


def _box(scene: Scene, scale: float) -> tuple[Floats, Floats]:
    """Lower and upper limits (xyz) [mm] of everything drawn plus a margin, shared by the views."""
    used = scene.places.copy()
    bare = np.array([kind not in TWO_POINTS for kind in scene.mechanism.kinds])
    used[bare, 2] = used[bare, 0]  # a link has no axis point
    drawn = [used.reshape(-1, 3), scene.contact + scene.arrows, scene.contact[None]]
    drawn += [w.outline for w in scene.wheels] + [cut.station[None] for cut in scene.cuts]
    everything = np.concatenate(drawn)
    low, high = everything.min(axis=0) - 45.0, everything.max(axis=0) + 45.0
    for axis, views in ((1, [[0, 1]]), (2, [[0, 2], [1, 2]])):
        most = max(-(-len(_labels(scene, flat)[0]) // 2) for flat in views)
        short = scale * PITCH * (most + 0.3) - (high[axis] - low[axis])
        high[axis] += max(short, 0.0) / 2
        low[axis] -= max(short, 0.0) / 2
    rows = len(scene.every_load) * scale * PITCH * 1.05 - (high[1] - low[1])
    high[1] += max(rows, 0.0) / 2
    low[1] -= max(rows, 0.0) / 2
    return low, high


def _draw_view(panel: Axes, scene: Scene, across: int, up: int) -> None:
    flat = [across, up]
    for wheel in scene.wheels:
        outline = _hull(wheel.outline[:, flat])
        panel.fill(*outline.T, facecolor=TYRE, edgecolor=MIDDLE, linewidth=1.0, zorder=0.6)
        panel.plot(*wheel.hub[flat], marker="+", color=INK, markersize=9, zorder=3)
    if up == 2:
        panel.axhline(scene.contact[2], color=MIDDLE, linewidth=1.4, zorder=0.8)
    for body in range(len(scene.mechanism.bodies)):
        hull = _hull(scene.points_on(body)[:, flat])
        panel.fill(*hull.T, facecolor=PALE, edgecolor=MIDDLE, alpha=0.55, linewidth=0.8, zorder=1)
    shown = [k for k in range(len(scene.places)) if _shown(scene, flat, _ends(scene, k))]
    for k in shown:
        _draw_support(panel, scene, k, flat)
    _draw_joints(panel, scene, shown, flat)
    for cut in scene.cuts:
        if _shown(scene, flat, cut.station):
            panel.plot(*_bar(cut, flat).T, **_section_look(), zorder=4.5)
    panel.plot(*scene.contact[flat], marker="x", color=INK, markersize=6, zorder=6)
    for arrow in scene.arrows[flat][np.any(scene.arrows[flat], axis=1)]:
        tip = tuple((scene.contact + arrow)[flat])
        panel.annotate("", tip, tuple(scene.contact[flat]), arrowprops=PUSH, zorder=5)
    write_labels(panel, *_labels(scene, flat), scale=SCALES[len(scene.wheels)])


def _shown(scene: Scene, flat: list[int], points: Floats) -> bool:
    """Whether a view shows an item at the points (..., xyz) [mm].

    The side view of an axle leaves out the half whose wheel is not loaded, because the two halves
    would overlap.
    """
    if tuple(flat) != SIDE_VIEW or len(scene.wheels) == 1:
        return True
    return bool(np.mean(points[..., 1]) * np.sign(scene.contact[1]) > BESIDE)


def _ends(scene: Scene, k: int) -> Floats:
    """The two points (2, xyz) [mm] between which a support is drawn."""
    return scene.places[k][[0, 2] if scene.mechanism.kinds[k] in AXES else [0, 1]]


def _hull(points: Floats) -> Floats:
    """Convex outline of points (point, 2); points on one line are allowed."""
    turn = np.linspace(0, 2 * np.pi, 361)
    return points[np.argmax(points @ np.stack([np.cos(turn), np.sin(turn)]), axis=0)]


def _bar(cut: Cut, flat: list[int]) -> Floats:
    """Ends (2, 2) of the bar that marks a section across its body in this view."""
    along = cut.along[flat]
    way = np.array([-along[1], along[0]])
    if np.linalg.norm(way) < 0.2:  # seen along the body: the bar lies in the cut
        way = cut.across[flat] if np.linalg.norm(cut.across[flat]) > 0.2 else np.array([0.0, 1.0])
    half = 0.5 * CUT * way / np.linalg.norm(way)
    return cut.station[flat] + np.array([-half, half])


def _section_look() -> Keywords:
    """A pale bar with a dark rim, unlike any link even in a grey print."""
    from matplotlib.patheffects import withStroke

    rim = withStroke(linewidth=3.2 + RIM, foreground=INK)
    return {"color": MARK, "linewidth": 3.2, "solid_capstyle": "butt", "path_effects": [rim]}


def _draw_support(panel: Axes, scene: Scene, k: int, flat: list[int]) -> None:
    m, load = scene.mechanism, scene.loads[k]
    ends = _ends(scene, k)[:, flat]
    if m.kinds[k] in AXES:
        panel.plot(*ends.T, **AXIS, **AXES[m.kinds[k]][1], zorder=4)
        return
    if load is not None:
        size = abs(load.value) / scene.most if np.isfinite(load.value) else 0.0
        panel.plot(
            *ends.T, color=_shade(load), linewidth=THIN + (THICK - THIN) * size,
            linestyle="-" if load.gauges else BARE, solid_capstyle="butt", dash_capstyle="butt",
            zorder=3, label=m.supports[k],
        )  # fmt: skip


def _draw_joints(panel: Axes, scene: Scene, shown: list[int], flat: list[int]) -> None:
    """Mark both joints of the shown supports that have no axis, one call for each kind of mark."""
    m = scene.mechanism
    links = [k for k in shown if m.kinds[k] not in AXES]
    places = scene.places[links][:, :2][:, :, flat].reshape(-1, 2)
    bodies = np.array([(m.outer_body[k], m.inner_body[k]) for k in links]).ravel()
    for chosen, look in ((bodies < 0, FIXED), (bodies >= 0, MOVING)):
        panel.plot(*places[chosen].T, linestyle="none", **look, zorder=4)


def _shade(load: Load) -> str:
    """Colour of a load: compression stands out; a moment counts as neither."""
    return ACCENT if load.value < -ROUNDING and load.unit == "N" else INK


def _labels(scene: Scene, flat: list[int]) -> tuple[list[str], Floats]:
    """Texts of the labels and the points (label, 2) [mm] that they name."""
    words, anchors = [], []
    lines = scene.places[:, :2][:, :, flat]
    for k, (name, load) in enumerate(zip(scene.names, scene.loads, strict=True)):
        if not _shown(scene, flat, _ends(scene, k)):
            continue
        words.append(name if load is None else f"{name}\n{load.words}")
        two_force = scene.mechanism.kinds[k] in TWO_FORCE
        anchors.append(
            clear_point(lines, k) if two_force else _ends(scene, k)[:, flat].mean(axis=0)
        )
    for cut in scene.cuts:
        if _shown(scene, flat, cut.station):
            words.append(f"section {cut.letter}")
            anchors.append(cut.station[flat])
    for axis in flat:
        words.append(f"{FORCES[axis]}\n{signed(scene.force[axis])} N")
        anchors.append((scene.contact + 0.6 * scene.arrows[axis])[flat])
    return words, np.array(anchors)


def _row_name(load: Load) -> str:
    return f"{load.name}\n{', '.join(load.gauges) or 'no gauge'}"


def _longest(words: list[str]) -> int:
    return max(len(line) for word in words for line in word.split("\n"))


def _draw_every_load(figure: Figure, box: Box, scene: Scene) -> None:
    """Draw bars of the loads in N and, below, of those in N m, all with the same spacing."""
    by_unit = [[x for x in scene.every_load if x.unit == unit] for unit in ("N", "N m")]
    parts = [(unit, loads) for unit, loads in zip(("N", "N m"), by_unit, strict=True) if loads]
    room = box.tall - GAP * (len(parts) - 1)
    top = box.bottom + box.tall
    for unit, loads in parts:
        high = room * len(loads) / len(scene.every_load)
        _draw_loads(add_panel(figure, Box(box.left, top - high, box.wide, high)), loads, unit)
        top -= high + GAP


def _draw_loads(panel: Axes, loads: list[Load], unit: str) -> None:
    """Draw bars of the loads in the line styles and colours of the views."""
    values = np.array([x.value for x in loads])
    reach = 1.55 * max(float(np.max(np.abs(np.nan_to_num(values)))), 1.0)
    for row, load in enumerate(loads):
        value = np.nan_to_num(load.value)
        bar = panel.barh(
            row, value, height=0.42, facecolor=PALE if load.gauges else "white", zorder=2,
            edgecolor=_shade(load), linewidth=1.2, linestyle="-" if load.gauges else "--",
        )  # fmt: skip
        panel.bar_label(bar, [load.words], padding=3, fontsize=SMALL, color=INK)
    panel.axvline(0, color=INK, linewidth=0.8, zorder=3)
    name = "loads" if unit == "N" else "bending and torsion"
    words = "← compression   load   tension → [N]" if unit == "N" else "moment [N m]"
    style_panel(panel, name, x=words)
    panel.grid(visible=False, axis="y")
    panel.set_yticks(np.arange(len(loads)), [_row_name(load) for load in loads])
    panel.set_ylim(len(loads) - 0.5, -0.5)
    panel.set_xlim(-reach, reach)
    panel.locator_params(axis="x", nbins=4)


def _legend(scene: Scene) -> list[Artist]:
    m = scene.mechanism
    gauged = [bool(x.gauges) for x in scene.loads if x is not None]
    axes = [
        line_entry(**AXIS, **look, label=words)
        for kind, (words, look) in AXES.items()
        if kind in m.kinds
    ]
    section = line_entry(**_section_look(), label="gauged section of a body")
    return [
        *gauged_entries(gauged, 2.6),
        line_entry(color=INK, linewidth=2.0, marker=">", label="force at the contact (×)"),
        line_entry(color=INK, linewidth=THICK, label="tension +, width by load"),
        line_entry(
            color=ACCENT, linewidth=THICK, label="compression \N{MINUS SIGN}, width by load"
        ),
        line_entry(color=MIDDLE, linewidth=1.4, label="ground"),
        line_entry(linestyle="none", label="joint on the chassis", **FIXED),
        line_entry(linestyle="none", label="joint on a moving body", **MOVING),
        *axes,
        *[section][: len(scene.cuts)],
        patch_entry(facecolor=PALE, edgecolor=MIDDLE, label=", ".join(m.bodies)),
        patch_entry(facecolor=TYRE, edgecolor=MIDDLE, label="wheel, width not to scale"),
    ]


def gauged_entries(gauged: list[bool], width: float) -> list[Artist]:
    """Legend entries for solid and dashed lines, each only where it is drawn."""
    styles = {True: ("-", "solid: gauged"), False: (BARE, "dashed: no gauge")}
    return [
        line_entry(color=INK, linewidth=width, linestyle=style, label=words)
        for is_gauged, (style, words) in styles.items()
        if is_gauged in gauged
    ]


def _title(scene: Scene) -> str:
    known = [x for x in scene.every_load if x.unit == "N" and np.isfinite(x.value)]
    force = ", ".join(f"{n} {signed(f)}" for n, f in zip(FORCES, scene.force, strict=True))
    wheel = f" at {scene.corner}" if len(scene.wheels) > 1 else ""
    head = f"{scene.title} under {force} N{wheel}"
    most = max(known, key=lambda x: abs(x.value), default=None)
    if most is None or abs(most.value) < ROUNDING:
        return head
    kind = "compression" if most.value < 0 else "tension"
    return f"{head}: largest load in {most.name}, {abs(most.value):.0f} N {kind}"


def _footer(car: Vehicle, scene: Scene, where: str) -> str:
    alone = f" at {scene.corner} alone" if len(scene.wheels) > 1 else ""
    return footer(car, where, f"force of the road on the tyre{alone}")


def footer(car: Vehicle, where: str, force: str) -> str:
    """Car, pose, force, axes and sign convention of the loads in a picture."""
    return (
        f"{car.name}; {where}; tension positive, section loads act on the outer side;\n"
        f"{force}, vehicle axes, x forward, y left, z up; wheel rolling, no moments at the contact;"
        " static loads, so no bandwidth"
    )
