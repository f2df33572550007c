"""Link loads in words, and a picture of them as bars of tension and compression."""

from __future__ import annotations

import numpy as np

from recon.analysis.link_loads import NO_CLEARANCE
from recon.base.arrays import Floats
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.answer_labels import not_given
from recon.records.forces import require_forces
from recon.report.common.artists import Artist, Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.labels import note
from recon.report.common.legend import line_entry, patch_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel
from recon.report.common.text import value_and_half

KILO = 1e3
ROW, WIDTH = 0.24, 10.0  # in
AROUND = Around(left=1.35, right=0.25, below=0.42, above=0.26)


def link_loads_summary(answer: xr.Dataset) -> list[str]:
    """The largest load and the link nearest to its limit; then one line for each corner or axle."""
    lines = [_finding(answer)]
    lines += [_of_home(answer, home, rows) for home, rows in _homes(answer).items()]
    pairs = zip(answer["corner"].to_numpy(), answer["samples_used"].to_numpy(), strict=True)
    counts = ", ".join(f"{corner} {int(count)} samples" for corner, count in pairs)
    lines.append(
        f"  Samples used: {answer.attrs['gate']} ({counts}); assumed: "
        f"{answer.attrs['assumed'].replace(' | ', '; ')}; {NO_CLEARANCE}"
    )
    lines.append(f"  {answer.attrs['widest']}; {NO_CLEARANCE}")
    return lines + [f"  Not given: {sentence}; {NO_CLEARANCE}" for sentence in not_given(answer)]


def _finding(answer: xr.Dataset) -> str:
    """The largest load of all and the use nearest to a limit, in one sentence."""
    words = _title(answer)
    use = answer["utilisation_upper"].to_numpy()
    if np.isfinite(use).any():
        words += f"; nearest to its limit {_use_in_words(answer, *_largest(use))}"
    return f"{words} ({NO_CLEARANCE})"


def _of_home(answer: xr.Dataset, home: str, rows: list[int]) -> str:
    """Largest tension and compression of the links of a corner or axle, and the nearest limit."""
    near = _near(answer)[rows]
    if not np.isfinite(near).any():
        return f"  {home}: loads not known; {NO_CLEARANCE}"
    tension, compression = (rows[int(row)] for row in np.nanargmax(near, axis=0))
    parts = [
        f"{_link(answer, link).partition(' ')[2]} {_load(answer, link, way)}"
        for link, way in ((tension, 0), (compression, 1))
    ]
    use = answer["utilisation_upper"].to_numpy()[rows]
    if np.isfinite(use).any():
        link, way = _largest(use)
        parts.append(f"nearest to its limit {_use_in_words(answer, rows[link], way)}")
    return f"  {home}: {'; '.join(parts)}; {NO_CLEARANCE}"


def _homes(answer: xr.Dataset) -> dict[str, list[int]]:
    """Corners and axles with the rows of their links."""
    out: dict[str, list[int]] = {}
    for row, name in enumerate(answer["link"].to_numpy()):
        out.setdefault(str(name).partition(" ")[0], []).append(row)
    return out


def _near(answer: xr.Dataset) -> np.ndarray:
    """Near ends (link, direction) [N] of the intervals, positive: loads that were there for sure.

    The largest load is sought among them, so that no wide interval makes one.
    """
    ends = [answer["peak_load_lower"].to_numpy()[:, 0], -answer["peak_load_upper"].to_numpy()[:, 1]]
    return np.stack(ends, axis=1)


def _largest(values: np.ndarray) -> tuple[int, int]:
    row, column = np.unravel_index(int(np.nanargmax(values)), values.shape)
    return int(row), int(column)


def _link(answer: xr.Dataset, link: int) -> str:
    return str(answer["link"].to_numpy()[link])


def _load(answer: xr.Dataset, link: int, way: int) -> str:
    """Load with its interval and instant, such as '1.20 +-0.15 kN tension at 3.20 s'."""
    one = answer.isel(link=link, direction=way)
    (load, half), time = value_and_half(one, "peak_load", 1 / KILO), float(one["peak_time"])
    kind = "tension" if load > 0 else "compression"
    return f"{abs(load):.2f} +-{half:.2f} kN {kind} at {time:.2f} s"


def _use_in_words(answer: xr.Dataset, link: int, way: int) -> str:
    upper = 100 * float(answer["utilisation_upper"][link, way])
    limit = float(answer["limit"][link, way]) / KILO
    kind = str(answer["limit_kind"].to_numpy()[link, way])
    return f"{_link(answer, link)}, up to {upper:.0f} % of {limit:.1f} kN ({kind})"


# --- picture -----------------------------------------------------------------------------------


@public
def plot_link_loads(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw the largest tension and compression of every link as bars, with intervals and limits.

    `forces` as `reconstruct` returns it; not needed beside the answer. `answer` is the result of
    `link_loads` [N].
    Raises DataError: `forces` is no result of `reconstruct`, or `answer` is none of `link_loads`.
    """
    require_forces(forces, "tyre_force")
    require_answer(answer, "peak_load", ("link", "direction"), "link_loads")
    homes = _homes(answer)
    pairs = [list(homes)[i : i + 2] for i in range(0, len(homes), 2)]
    rows = [max(len(homes[home]) for home in pair) for pair in pairs]
    height = 1.5 + sum(ROW * row + AROUND.below + AROUND.above for row in rows)
    figure, room = new_sheet((WIDTH, height), _title(answer), _legend(), _footer(answer), columns=4)
    ends = [answer[name].to_numpy() for name in ("peak_load_lower", "peak_load_upper")]
    size = np.nanmax(np.abs(np.append(ends, 1.0))) / KILO
    limits = answer["limit"].to_numpy() / KILO
    size = max(size, float(np.nanmax(np.where(limits < 2.5 * size, limits, 0.0), initial=0.0)))
    heights = [ROW * row + AROUND.below + AROUND.above for row in rows]
    for pair, line in zip(pairs, room.stack(*heights), strict=True):
        for home, box in zip(pair, line.columns(1, 1), strict=False):
            panel = add_panel(figure, box.inside(AROUND))
            _bars(panel, answer, homes[home], 1.08 * size)
            style_panel(panel, home, x="compression   <   load [kN]   >   tension", size=SMALL)
            panel.set_xlim(-1.08 * size, 1.08 * size)
    return figure


def _mark_limits(panel: Axes, limit: Floats, place: Floats, edge: float) -> None:
    """A tick at each limit [kN], and an arrow with its size where it lies beyond the `edge`."""
    panel.plot(limit, place, "|", color=ACCENT, markersize=13, markeredgewidth=2)
    for one, row in zip(limit, place, strict=True):
        if abs(one) > edge:
            right = one > 0
            words = f"{abs(one):.0f} \u2192" if right else f"\u2190 {abs(one):.0f}"
            at, side = np.copysign(0.99 * edge, one), "right" if right else "left"
            note(panel, words, (at, row), (0, 0), color=ACCENT, ha=side, va="center")


def _bars(panel: Axes, answer: xr.Dataset, rows: list[int], edge: float) -> None:
    """One row per link: bars, 95 % intervals, and a tick at each limit; the axis ends at `edge`."""
    load = answer["peak_load"].to_numpy()[rows] / KILO
    half = COVERAGE_FACTOR * answer["u_peak_load"].to_numpy()[rows] / KILO
    limit = answer["limit"].to_numpy()[rows] / KILO
    place = np.arange(len(rows), dtype=float)
    for way, (colour, hatch) in enumerate(((PALE, ""), (MIDDLE, "////"))):
        shown = np.maximum(load[:, way], 0) if way == 0 else np.minimum(load[:, way], 0)
        panel.barh(place, shown, 0.62, color=colour, edgecolor=INK, linewidth=0.6, hatch=hatch)
        drawn = np.where(shown != 0, load[:, way], np.nan)
        panel.errorbar(
            drawn, place, xerr=half[:, way], fmt="none", ecolor=INK, elinewidth=1.1, capsize=2.5
        )
        sign = 1 - 2 * way
        _mark_limits(panel, sign * limit[:, way], place, edge)
    panel.axvline(0.0, color=INK, linewidth=0.8)
    names = [str(name).partition(" ")[2] for name in answer["link"].to_numpy()[rows]]
    panel.set_yticks(place, names)
    panel.set_ylim(len(rows) - 0.4, -0.6)


def _legend() -> list[Artist]:
    bar = {"edgecolor": INK, "linewidth": 0.6}
    limit = {"marker": "|", "linestyle": "none", "markersize": 11, "markeredgewidth": 2}
    return [
        patch_entry(facecolor=PALE, **bar, label="largest tension"),
        patch_entry(facecolor=MIDDLE, **bar, hatch="////", label="largest compression"),
        line_entry(color=INK, linewidth=1.1, label="95 % interval"),
        line_entry(
            color=ACCENT, **limit, label="lowest limit that is known (arrow: beyond the axis)"
        ),
    ]


def _title(answer: xr.Dataset) -> str:
    link, way = _largest(_near(answer))
    return f"Link loads: largest {_link(answer, link)} {_load(answer, link, way)}"


def _footer(answer: xr.Dataset) -> str:
    use = answer["utilisation_upper"].to_numpy()
    nearest = "no limit is known"
    if np.isfinite(use).any():
        nearest = f"nearest to its limit: {_use_in_words(answer, *_largest(use))}"
    return (
        f"{nearest}; {answer.attrs['gate']}\nlimits: straight tubes with a pin at each end, or as "
        f"stated in the vehicle file; this is {NO_CLEARANCE}"
    )
