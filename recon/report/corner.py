"""A corner from the user's own points: its supports and their loads, and how these change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from recon.car.mechanism import rows_of
from recon.car.motion import pose_corner
from recon.car.observability import FORCES, described_corner
from recon.car.statics import load_matrix, member_matrix, road_columns
from recon.report.sheet import (
    ACCENT,
    INK,
    LOOKS,
    MIDDLE,
    PALE,
    SMALL,
    TEXT,
    dress,
    empty_sheet,
    style_panel,
)

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from recon.car.motion import Pose
    from recon.car.vehicle import Corner, Vehicle

Floats = NDArray[np.float64]
SCALE = 190.0  # mm of the car per inch of paper, the same in every view
PITCH = 0.33  # in, from one label of two lines to the next
LETTER = 0.072  # in, width of a letter of SMALL type, a little generous
HEAD, FOOT, SIDE, GAP = 1.2, 0.95, 0.75, 0.62  # in, strips around and between the views
THIN, THICK = 0.9, 5.5  # pt, lines of members without and with the largest load
ARROW = 170.0  # mm, length of the largest force
WHEEL_WIDTH = 0.65  # of the radius; drawn only, no file states it
BARE: Any = (0, (3.2, 1.6))
# Axis across and axis up the page; x and y grow to the left, in plan y grows downwards too.
VIEWS = {"plan, seen from above": (0, 1), "side, seen from the left": (0, 2),
         "rear, seen from behind": (1, 2)}  # fmt: skip
ACROSS = ("← x forward [mm]", "← y left [mm]")
UP = {1: "← y left [mm]", 2: "z up → [mm]"}
Keywords = dict[str, Any]
FIXED: Keywords = {"marker": "s", "markersize": 5.5, "color": "white", "markeredgecolor": INK}
MOVING: Keywords = {"marker": "o", "markersize": 5.0, "color": INK, "markeredgecolor": "white"}
LEADER: Keywords = {"arrowstyle": "-", "color": MIDDLE, "linewidth": 0.6, "shrinkB": 0}
PUSH: Keywords = {"arrowstyle": "-|>", "color": INK, "linewidth": 2.0, "mutation_scale": 13,
                  "shrinkA": 0, "shrinkB": 0}  # fmt: skip
TYRE = "#f4f6f7"
TRAVELS = 41
# Marker and colour of the members' curves: the marker tells them in grey.
CURVES = (("o", INK), ("s", ACCENT), ("^", "#4b9cc0"), ("D", "#e3b04b"), ("v", MIDDLE), ("P", INK),
          ("X", ACCENT), ("<", "#4b9cc0"))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scene:
    """One posed and loaded corner.

    `places` (support, 3, xyz) outer, inner and second axis point [mm]; `loads` (support,) [N],
    NaN for a pivot; `gauges` the channels on each support; `force` (3,) [N] at the contact and
    `arrows` (3, xyz) its drawn parts [mm]; `outline` (point, xyz) of the wheel [mm].
    """

    corner: Corner
    places: Floats
    loads: Floats
    gauges: tuple[tuple[str, ...], ...]
    hub: Floats
    contact: Floats
    force: Floats
    arrows: Floats
    outline: Floats

    @property
    def names(self) -> tuple[str, ...]:
        """Supports in words."""
        return tuple(_in_words(s.name) for s in self.corner.supports)


def plot_corner(
    car: Vehicle,
    corner: str,
    *,
    wrench: tuple[float, float, float] = (0.0, 2000.0, 3000.0),
    travel: float = 0.0,
    rack: float = 0.0,
) -> Figure:
    """Draw one corner in plan, side and rear view with the load of every support.

    Parameters
    ----------
    car : Vehicle
    corner : str
        Corner to draw.
    wrench : (3,)
        Force of the road on the tyre at the contact centre, x forward, y left, z up; no
        moments, the wheel rolling. [N]
    travel, rack : float
        Pose, bump and left positive. [m]

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    VehicleError
        The car has no such corner, or the corner does not reach the pose.
    DataError
        Travel outside the range that the vehicle file states.
    """
    scene = _scene(described_corner(car, corner), wrench, travel, rack)
    low, high = _box(scene)
    margin = SCALE * (0.3 + LETTER * _longest(_labels(scene, [0, 1])[0]))
    wide = (high - low + 2 * margin) / SCALE
    tall = (high - low) / SCALE
    width = 2 * SIDE + GAP + wide[0] + wide[1] + 0.1
    figure = empty_sheet(width, HEAD + FOOT + GAP + tall[1] + tall[2])
    left, right, bottom, top = SIDE, SIDE + GAP + wide[0], FOOT, FOOT + GAP + tall[2]
    corners = ((left, top), (left, bottom), (right, bottom))
    for (name, (across, up)), (x, y) in zip(VIEWS.items(), corners, strict=True):
        panel = _panel(figure, x, y, wide[across], tall[up])
        panel.set_xlim(high[across] + margin, low[across] - margin)
        panel.set_ylim((low[up], high[up]) if up == 2 else (high[up], low[up]))
        style_panel(panel, name)
        _draw_view(panel, scene, across, up)
        panel.set_xlabel(ACROSS[across], fontsize=TEXT)
        panel.set_ylabel(UP[up], fontsize=TEXT, labelpad=1)
    names = 0.35 + LETTER * _longest(_rows(scene))
    _draw_loads(_panel(figure, right + names, top, wide[1] - names, tall[1]), scene)
    where = f"travel {_signed(1000 * travel)} mm (bump positive), rack {_signed(1000 * rack)} mm"
    dress(figure, _title(scene), _legend(scene), _footer(car, f"{where} (left positive)"))
    figure.set_layout_engine("none")  # the views keep their places, and so one scale
    return figure


def plot_travel(car: Vehicle, corner: str) -> Figure:
    """Draw each member's load per force at the contact over the stated travel, rack centred.

    One panel for each of Fx (wheel rolling), Fy and Fz; members that hold the upright.

    Parameters
    ----------
    car : Vehicle
    corner : str
        Corner to draw.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    VehicleError
        The car has no such corner, or it does not reach every travel of its stated range.
    """
    described = described_corner(car, corner)
    travel = np.linspace(*described.travel_range, TRAVELS)
    at = pose_corner(described, travel)
    loads = 1000 * (member_matrix(at) @ road_columns(at, hub_passes_spin=False))[..., :3]
    supports = [described.supports[m] for m in at.mechanism.members]
    gauged = [any(g.on == s.name for g in described.gauges) for s in supports]
    names = [_in_words(s.name) for s in supports]
    figure = empty_sheet(13.5, 5.6)
    panels = figure.subplots(1, 3)
    for k, (panel, force) in enumerate(zip(panels, FORCES, strict=True)):
        _draw_curves(panel, 1000 * travel, loads[..., k], gauged)
        change = np.ptp(loads[..., k], axis=0)
        most = int(np.argmax(change))
        words = f"most change in {names[most]},\n{change[most]:.0f} N per kN over the range"
        style_panel(panel, f"per kN of {force}: {words}")
        panel.set_xlabel("travel, bump positive [mm]", fontsize=TEXT)
        panel.set_ylabel(f"load per {force} [N per kN]", fontsize=TEXT)
        _name_curves(panel, 1000 * travel[-1], loads[-1, :, k], names)
    low, high = (_signed(end) for end in 1000 * travel[[0, -1]])
    corner_name = f"{described.name} {LOOKS[described.name].name}"
    title = f"{corner_name}: loads of the members over travel {low} to {high} mm"
    dress(figure, title, _gauged_entries(gauged, 1.6), _footer(car, "rack centred"))
    return figure


def _scene(corner: Corner, wrench: tuple[float, float, float], travel: float, rack: float) -> Scene:
    at = pose_corner(corner, travel, rack)
    force = np.asarray(wrench, dtype=float)
    rows = load_matrix(at) @ road_columns(at, hub_passes_spin=False)[:, :3] @ force
    owner = rows_of(at.mechanism, at.rotation, at.shift, at.points, at.rack).support
    first = np.searchsorted(owner, np.arange(len(corner.supports)))
    pivot = np.array([s.kind == "pivot" for s in corner.supports])
    return Scene(
        corner=corner,
        places=1000 * _places(at),
        loads=np.where(pivot, np.nan, rows[first]),
        gauges=tuple(
            tuple(g.name for g in corner.gauges if g.on == s.name) for s in corner.supports
        ),
        hub=1000 * at.hub,
        contact=1000 * at.contact,
        force=force,
        arrows=np.diag(force) * ARROW / max(float(np.max(np.abs(force))), 1.0),
        outline=1000 * _outline(at),
    )


def _places(at: Pose) -> Floats:
    """Places of outer, inner and second axis point of each support, (support, 3, xyz) [m]."""
    mechanism = at.mechanism
    place = at.points.copy()
    place[..., 1] += mechanism.rack * at.rack
    # The second axis point of a pivot rides on the outer body.
    riding = (mechanism.outer_body, mechanism.inner_body, mechanism.outer_body)
    for slot, bodies in enumerate(riding):
        for support, body in enumerate(bodies):
            if body >= 0:
                arm = at.rotation[body] @ (place[support, slot] - mechanism.reference)
                place[support, slot] = arm + mechanism.reference + at.shift[body]
    return place


def _outline(at: Pose) -> Floats:
    """Rims of a cylinder about the spin axis, (point, xyz) [m]."""
    down = (at.contact - at.hub) / at.mechanism.radius
    ahead = np.cross(at.spin, down)
    turn = np.linspace(0, 2 * np.pi, 121)[:, None]
    rim = at.mechanism.radius * (np.cos(turn) * down + np.sin(turn) * ahead)
    half = 0.5 * WHEEL_WIDTH * at.mechanism.radius * at.spin
    return np.concatenate([at.hub + rim + half, at.hub + rim - half])


def _box(scene: Scene) -> tuple[Floats, Floats]:
    """Ends (xyz) [mm] of all that is drawn, with a little air, the views sharing them."""
    used = scene.places.copy()
    links = np.isfinite(scene.loads)
    used[links, 2] = used[links, 0]  # a link has no axis point
    tips = scene.contact + scene.arrows
    everything = np.concatenate([used.reshape(-1, 3), scene.outline, tips, [scene.contact]])
    return everything.min(axis=0) - 45.0, everything.max(axis=0) + 45.0


def _panel(figure: Figure, left: float, bottom: float, wide: float, tall: float) -> Axes:
    """Axes at a place given in inches, so that all views keep one scale."""
    width, height = figure.get_size_inches()
    return figure.add_axes((left / width, bottom / height, wide / width, tall / height))


def _draw_view(panel: Axes, scene: Scene, across: int, up: int) -> None:
    flat = [across, up]
    outline = _hull(scene.outline[:, flat])
    panel.fill(*outline.T, facecolor=TYRE, edgecolor=MIDDLE, linewidth=1.0, zorder=0.6)
    if up == 2:
        panel.axhline(scene.contact[2], color=MIDDLE, linewidth=1.4, zorder=0.8)
    for body in scene.corner.bodies:
        hull = _hull(_points_on(scene, body)[:, flat])
        panel.fill(*hull.T, facecolor=PALE, edgecolor=MIDDLE, alpha=0.55, linewidth=0.8, zorder=1)
    panel.plot(*scene.hub[flat], marker="+", color=INK, markersize=9, zorder=3)
    for k in range(len(scene.places)):
        _draw_support(panel, scene, k, flat)
    panel.plot(*scene.contact[flat], marker="x", color=INK, markersize=6, zorder=6)
    for arrow in scene.arrows[flat][np.any(scene.arrows[flat], axis=1)]:
        tip = tuple((scene.contact + arrow)[flat])
        panel.annotate("", tip, tuple(scene.contact[flat]), arrowprops=PUSH, zorder=5)
    _write_labels(panel, *_labels(scene, flat))


def _points_on(scene: Scene, body: str) -> Floats:
    """Points (point, xyz) [mm] that ride on a body; the wheel's body holds its centre too."""
    points = [scene.hub] if scene.corner.wheel.on == body else []
    for support, (outer, inner, _) in zip(scene.corner.supports, scene.places, strict=True):
        points += [outer] * (support.outer.on == body) + [inner] * (support.inner.on == body)
    return np.array(points)


def _hull(points: Floats) -> Floats:
    """Outermost points (point, 2) all around; straight rows of points do no harm."""
    turn = np.linspace(0, 2 * np.pi, 361)
    return points[np.argmax(points @ np.stack([np.cos(turn), np.sin(turn)]), axis=0)]


def _draw_support(panel: Axes, scene: Scene, k: int, flat: list[int]) -> None:
    support, load = scene.corner.supports[k], scene.loads[k]
    if support.kind == "pivot":
        ends = scene.places[k][[0, 2]][:, flat]
        panel.plot(*ends.T, color=INK, linewidth=2.2, marker="d", markersize=6, zorder=4)
        return
    most = max(float(np.nanmax(np.abs(scene.loads))), 1.0)
    ends = scene.places[k][:2][:, flat]
    width = THIN + (THICK - THIN) * abs(load) / most
    panel.plot(
        *ends.T, color=_shade(load), linewidth=width, linestyle="-" if scene.gauges[k] else BARE,
        solid_capstyle="butt", dash_capstyle="butt", zorder=3, label=support.name,
    )  # fmt: skip
    for end, place in zip((support.outer, support.inner), ends, strict=True):
        fixed = end.on not in scene.corner.bodies
        panel.plot(*place, **(FIXED if fixed else MOVING), zorder=4)


def _shade(load: float) -> str:
    return ACCENT if load < 0 else INK


def _labels(scene: Scene, flat: list[int]) -> tuple[list[str], Floats]:
    """Words and the points (label, 2) [mm] that they belong to."""
    words, anchors = [], []
    ends = scene.places[:, :2][:, :, flat]
    for k, name in enumerate(scene.names):
        pivot = scene.corner.supports[k].kind == "pivot"
        words.append(name if pivot else f"{name}\n{_signed(scene.loads[k])} N")
        anchors.append(scene.places[k][[0, 2]][:, flat].mean(axis=0) if pivot
                       else _clear_point(ends, k))  # fmt: skip
    for axis in flat:
        words.append(f"{FORCES[axis]}\n{_signed(scene.force[axis])} N")
        anchors.append((scene.contact + 0.6 * scene.arrows[axis])[flat])
    return words, np.array(anchors)


def _clear_point(ends: Floats, k: int) -> Floats:
    """Point of segment k of `ends` (segment, 2, 2) that is farthest from the others."""
    shares = np.linspace(0.25, 0.75, 11)[:, None]
    points = ends[k, 0] + shares * (ends[k, 1] - ends[k, 0])
    others = np.delete(ends, k, axis=0)
    along = others[:, 1] - others[:, 0]
    square = np.maximum(np.sum(along**2, axis=1), 1e-9)
    offset = points[:, None] - others[:, 0]
    foot = np.clip(np.sum(offset * along, axis=2) / square, 0, 1)
    apart = np.linalg.norm(offset - foot[..., None] * along, axis=2).min(axis=1, initial=np.inf)
    return points[np.argmax(np.minimum(apart, 25.0) - 20 * np.abs(shares[:, 0] - 0.5))]


def _write_labels(panel: Axes, words: list[str], anchors: Floats) -> None:
    """Write the words into a column on either side, in the order of their points."""
    (left, right), (bottom, top) = panel.get_xlim(), panel.get_ylim()
    upwards = np.sign(top - bottom)
    order = np.argsort(-anchors[:, 0])
    half = (len(order) + 1) // 2
    for column, at, align in ((order[:half], left, "left"), (order[half:], right, "right")):
        ends = sorted((upwards * bottom, upwards * top))
        heights = spread(upwards * anchors[column, 1], SCALE * PITCH, *ends)
        inward = SCALE * 0.06 * (-1 if align == "left" else 1)
        for k, height in zip(column, heights, strict=True):
            panel.annotate(
                words[k], tuple(anchors[k]), (at + inward, upwards * height), ha=align,
                va="center", fontsize=SMALL, linespacing=1.0, color=INK, zorder=7,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
                arrowprops=LEADER | {"shrinkA": 1},
            )  # fmt: skip
            panel.plot(*anchors[k], marker="o", markersize=2.6, color="white",
                       markeredgecolor=MIDDLE, markeredgewidth=0.7, zorder=6)  # fmt: skip


def spread(wanted: Floats, pitch: float, low: float, high: float) -> Floats:
    """Heights near the wanted ones, in their order, a pitch apart and between low and high."""
    order = np.argsort(wanted)
    steps = pitch * np.arange(len(wanted))
    loose = wanted[order] - steps
    # Both passes keep the pitch, so their mean does; it moves all labels alike.
    up = np.maximum.accumulate(loose)
    down = np.minimum.accumulate(loose[::-1])[::-1]
    limits = low + pitch / 2, high - pitch / 2 - steps[-1:]
    out = np.empty_like(wanted)
    out[order] = np.clip((up + down) / 2, *limits) + steps
    return out


def _rows(scene: Scene) -> list[str]:
    """Names of the loaded supports, with the channels on them beneath."""
    loaded = np.flatnonzero(np.isfinite(scene.loads))
    return [f"{scene.names[k]}\n{', '.join(scene.gauges[k]) or 'no gauge'}" for k in loaded]


def _longest(words: list[str]) -> int:
    return max(len(line) for word in words for line in word.split("\n"))


def _draw_loads(panel: Axes, scene: Scene) -> None:
    """Bars of the loads; the same line styles and colours as in the views."""
    loaded = np.flatnonzero(np.isfinite(scene.loads))
    reach = 1.55 * max(float(np.nanmax(np.abs(scene.loads))), 1.0)
    for row, k in enumerate(loaded):
        load = scene.loads[k]
        bar = panel.barh(
            row, load, height=0.42, facecolor=PALE if scene.gauges[k] else "white", zorder=2,
            edgecolor=_shade(load), linewidth=1.2, linestyle="-" if scene.gauges[k] else "--",
        )  # fmt: skip
        panel.bar_label(bar, [f"{_signed(load)} N"], padding=3, fontsize=SMALL, color=INK)
    panel.axvline(0, color=INK, linewidth=0.8, zorder=3)
    style_panel(panel, "loads")
    panel.grid(visible=False, axis="y")
    panel.set_yticks(np.arange(len(loaded)), _rows(scene))
    panel.set_ylim(len(loaded) - 0.5, -0.5)
    panel.set_xlim(-reach, reach)
    panel.locator_params(axis="x", nbins=4)
    panel.set_xlabel("← compression   load   tension → [N]", fontsize=TEXT)


def _legend(scene: Scene) -> list[Artist]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    gauged = [bool(scene.gauges[k]) for k in np.flatnonzero(np.isfinite(scene.loads))]
    pivot = Line2D([], [], color=INK, linewidth=2.2, marker="d", label="pivot, its axis")
    return [
        *_gauged_entries(gauged, 2.6),
        Line2D([], [], color=INK, linewidth=2.0, marker=">", label="force at the contact (×)"),
        Line2D([], [], color=INK, linewidth=THICK, label="tension +, the wider the more"),
        Line2D([], [], color=ACCENT, linewidth=THICK, label="compression \N{MINUS SIGN}, likewise"),
        Line2D([], [], color=MIDDLE, linewidth=1.4, label="ground"),
        Line2D([], [], linestyle="none", label="joint on the chassis", **FIXED),
        Line2D([], [], linestyle="none", label="joint on a moving body", **MOVING),
        *[pivot][: len(scene.loads) - len(gauged)],
        Patch(facecolor=PALE, edgecolor=MIDDLE, label=", ".join(scene.corner.bodies)),
        Patch(facecolor=TYRE, edgecolor=MIDDLE, label="wheel, width not to scale"),
    ]


def _gauged_entries(gauged: list[bool], width: float) -> list[Artist]:
    from matplotlib.lines import Line2D

    styles = {True: ("-", "solid: gauged"), False: (BARE, "dashed: no gauge")}
    return [
        Line2D([], [], color=INK, linewidth=width, linestyle=style, label=words)
        for is_gauged, (style, words) in styles.items()
        if is_gauged in gauged
    ]


def _title(scene: Scene) -> str:
    k = int(np.nanargmax(np.abs(scene.loads)))
    load = scene.loads[k]
    kind = "compression" if load < 0 else "tension"
    force = ", ".join(f"{n} {_signed(f)}" for n, f in zip(FORCES, scene.force, strict=True))
    corner = f"{scene.corner.name} {LOOKS[scene.corner.name].name}"
    return f"{corner} under {force} N: most in {scene.names[k]}, {abs(load):.0f} N {kind}"


def _footer(car: Vehicle, where: str) -> str:
    return (
        f"{car.name}; {where}; link loads, tension positive;\nforce of the road on the tyre, "
        "vehicle axes, x forward, y left, z up; wheel rolling, no moments at the contact; still "
        "loads, so no bandwidth"
    )


def _draw_curves(panel: Axes, travel: Floats, loads: Floats, gauged: list[bool]) -> None:
    panel.axhline(0, color=INK, linewidth=0.6, zorder=1)
    panel.axvline(0, color=INK, linewidth=0.6, zorder=1)
    for m, is_gauged in enumerate(gauged):
        marker, colour = CURVES[m % len(CURVES)]
        panel.plot(
            travel, loads[:, m], color=colour, linewidth=1.6, marker=marker, markersize=5.5,
            markevery=(m, 8), markeredgecolor="white", markeredgewidth=0.5,
            linestyle="-" if is_gauged else BARE, zorder=3,
        )  # fmt: skip


def _name_curves(panel: Axes, end: float, loads: Floats, names: list[str]) -> None:
    """Write every member's name and marker beside the end of its curve."""
    low, high = panel.set_ylim(panel.get_ylim())
    pitch = 0.19 / 3.2  # in of a line of words over in of the panel, at least
    shares = spread((loads - low) / (high - low), pitch, 0.0, 1.0)
    for m, (load, share, name) in enumerate(zip(loads, shares, names, strict=True)):
        marker, colour = CURVES[m % len(CURVES)]
        place: Keywords = {"transform": panel.transAxes, "clip_on": False}
        panel.plot(1.06, share, marker=marker, color=colour, markersize=5.5, **place)
        panel.annotate(
            name, (end, load), (1.085, share), textcoords=panel.transAxes, va="center",
            fontsize=SMALL, color=INK, annotation_clip=False,
            arrowprops=LEADER | {"color": colour, "shrinkA": 7, "relpos": (0, 0.5)},
        )  # fmt: skip


def _in_words(name: str) -> str:
    return name.replace("_", " ")


def _signed(value: float) -> str:
    """Whole number with its sign, a real minus, and no sign on nought."""
    rounded = round(value)
    return f"{rounded:+d}".replace("-", "\N{MINUS SIGN}") if rounded else "0"
