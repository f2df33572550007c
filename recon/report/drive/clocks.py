"""Clocks of several loggers: what was found in words, and a picture before and after."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from recon.base.errors import DataError
from recon.base.quantities import COVERAGE_FACTOR
from recon.conditioning.clocks import Clock
from recon.conditioning.joining import Joined
from recon.report.common.artists import Axes, Figure
from recon.report.common.legend import line_entry
from recon.report.common.looks import ACCENT, INK, MIDDLE, PALE, SMALL
from recon.report.common.sheet import Around, Box, add_panel, new_sheet, style_panel

ROW, WIDTH = 6.6, 10.0  # in
DRAWN = 4000  # points of a curve
SIDES = Around(0.7, 0.25, 0.5, 0.3)


def clock_lines(joined: Joined) -> list[str]:
    """Clock and coverage of each further log in words, none for a single log."""
    return [f"{words}." for words in joined.words]


def plot_clocks(clocks: Sequence[Clock]) -> Figure:
    """Draw for each clock the channel that aligned it, before and after, and the lag left over.

    `clocks` as `joined_logs` returns them: times in [s], channels in SI units.
    Raises DataError: there is no clock to draw.
    """
    if not clocks:
        raise DataError(
            where="clocks",
            found="no second log",
            needed="at least two logs",
            do="Draw the clocks of `joined_logs` with more than one log.",
        )

    legend = [
        line_entry(color=INK, linewidth=1.2, label="second logger"),
        line_entry(color=ACCENT, linewidth=1.0, linestyle="--", label="first logger"),
        line_entry(color=MIDDLE, marker="o", linestyle="", label="lag left, 95 % interval"),
    ]
    footer = "times of the first logger's clock; its channel is scaled to the second's"
    figure, room = new_sheet((WIDTH, ROW * len(clocks)), _title(clocks), legend, footer)
    for box, clock in zip(room.rows(len(clocks)), clocks, strict=True):
        _draw(figure, box, clock)
    return figure


def _title(clocks: Sequence[Clock]) -> str:
    worst = max(clocks, key=lambda clock: clock.within)
    within = f"aligned within \u00b1 {1e3 * worst.within:.1f} ms (95 %)"
    if len(clocks) > 1:
        return f"Clocks of {len(clocks)} further logs {within}"
    return f"{worst.started}, {within}"


def _draw(figure: Figure, box: Box, clock: Clock) -> None:
    best = max(clock.agreements, key=lambda a: a.like)
    label = f"{best.names[1].replace('_', ' ')} [{best.unit}]"
    before, after, lag = (add_panel(figure, row.inside(SIDES)) for row in box.rows(3))
    name = Path(clock.path).name
    own = clock.middle + (best.time - clock.middle - clock.offset) / (1.0 + clock.drift)
    for panel, time, expected, words in (
        (before, own, best.before, "before: each clock from its own start"),
        (after, best.time, best.expected, f"after: shifted by {clock.start:+.3f} s at the start"),
    ):
        style_panel(panel, f"{name}, {words}", y=label, size=SMALL)
        for values, colour, dash, wide in ((best.seen, INK, "-", 1.2), (expected, ACCENT, "--", 1)):
            thin = slice(None, None, max(len(time) // DRAWN, 1))
            panel.plot(time[thin], values[thin], color=colour, linestyle=dash, linewidth=wide)
    _draw_lag(lag, clock)
    ends = min(own[0], best.time[0]), max(own[-1], best.time[-1])
    for panel in (before, after, lag):
        panel.set_xlim(*ends)


def _draw_lag(panel: Axes, clock: Clock) -> None:
    words = f"lag left; that this clock is {clock.pace} is taken out (95 %)".replace(
        "+-", "\u00b1 "
    )
    style_panel(panel, words, x="elapsed time [s]", y="lag [ms]", size=SMALL)
    time, lag, u = clock.windows.T
    panel.axhline(0.0, color=PALE, linewidth=1.0)
    panel.errorbar(
        time, 1e3 * lag, 1e3 * COVERAGE_FACTOR * u, fmt="o", color=MIDDLE, markersize=4, capsize=2
    )
