"""An uncertainty budget in words, and the picture of its largest causes for every force."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.records.forces import NO_GAUGE, require_forces
from recon.report.common.artists import Axes, Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.legend import part_legend
from recon.report.common.looks import INK, LOOKS, PART_LOOKS, SMALL
from recon.report.common.sheet import Around, add_panel, new_sheet, style_panel, tyre_footer
from recon.report.common.text import wrapped

ENOUGH = 0.9  # share of the variance after which the words of one force end
FEW, MANY = 4, 30  # lines of each force: where several are asked for, and where one is
TOGETHER = 24  # lines of all forces, so that twelve of them with their cures fit on a screen
BARS = 7
AROUND = Around(left=2.2, right=0.45, below=0.45, above=0.45)


def budget_summary(answer: xr.Dataset) -> list[str]:
    """Causes of each force, largest first, and the cures of those that are named."""
    corners, components = (answer[n].to_numpy() for n in ("corner", "component"))
    count = len(corners) * len(components)
    most = MANY if count == 1 else min(FEW, TOGETHER // count)
    lines = [
        _finding(answer),
        f"Uncertainty budget {answer.attrs['where']}, tyre axes, "
        f"{answer.attrs['bandwidth_Hz']:.4g} Hz; standard uncertainty in N, share of its variance",
    ]
    named: dict[int, float] = {}
    for k, corner in enumerate(corners):
        for i, component in enumerate(components):
            one = answer.isel(corner=k, component=i)
            lines.append(f"  {_force(one, f'{corner} F{component}')}")
            for n in _largest(one, most):
                lines.append(f"    {_line(one, n)}")
                named[n] = max(named.get(n, 0.0), float(one["contribution"][n]))
    lines.append("Cheapest cures, those of the largest causes first:")
    for n in sorted(named, key=lambda n: -named[n]):
        words, of, cure = (str(answer[f"cause_{x}"].to_numpy()[n]) for x in ("words", "of", "cure"))
        lines += wrapped(f"{words} ({of}): {cure}")
    return lines


def _finding(answer: xr.Dataset) -> str:
    """The widest force and its largest cause in one sentence."""
    u = answer["u_force"].to_numpy()
    k, i = np.unravel_index(int(np.nanargmax(u)), u.shape)
    one = answer.isel(corner=int(k), component=int(i))
    name = f"{one['corner'].item()} F{one['component'].item()}"
    n = _largest(one, MANY)[0]
    words, share = str(one["cause_words"].to_numpy()[n]), float(one["share_of_variance"][n])
    which = f"{name} is" if u.size == 1 else f"The widest force is {name},"
    return (
        f"{which} known to +-{COVERAGE_FACTOR * float(u[k, i]):.0f} N (95 %); "
        f"{100 * share:.0f} % of its variance comes from: {words}"
    )


def _force(one: xr.Dataset, name: str) -> str:
    force, u, time = (float(one[n]) for n in ("force", "u_force", "sample_time"))
    if not np.isfinite(u):
        return f"{name}: not known"
    if not np.isfinite(time):
        return f"{name}, single samples: u = {u:.1f} N (root mean square) from"
    interval = f"{force:.0f} +-{COVERAGE_FACTOR * u:.0f} N (95 %)"
    return f"{name} {interval} at {time:.2f} s, u = {u:.1f} N from"


def _line(one: xr.Dataset, n: int) -> str:
    size, share = float(one["contribution"][n]), float(one["share_of_variance"][n])
    words, part = (str(one[f"cause_{x}"].to_numpy()[n]) for x in ("words", "part"))
    gauge = str(one["main_gauge"].to_numpy()[n])
    most = "" if gauge == NO_GAUGE else f", most from {gauge}"
    return f"{size:7.1f} N {100 * share:5.1f} %  {words} [{part}]{most}"


def _largest(one: xr.Dataset, most: int) -> list[int]:
    """Causes of one force, largest first, until they explain enough of its variance."""
    share = one["share_of_variance"].to_numpy()
    if not np.isfinite(share).any():
        return []
    order = np.argsort(-share, kind="stable")
    if most == MANY:
        return [int(n) for n in order[:most] if share[n] > 0]
    enough = int(np.searchsorted(np.cumsum(share[order]), ENOUGH)) + 1
    return [int(n) for n in order[: min(enough, most)]]


@public
def plot_budget(forces: xr.Dataset, answer: xr.Dataset) -> Figure:
    """Draw the largest causes of every force as bars, filled by the part they belong to.

    `forces` is the result of the reconstruction, for the words below the picture. `answer` is the
    result of `budget`: `contribution` [N] (cause, corner, component).
    Raises DataError: `forces` is no result of `reconstruct`, or `answer` is none of `budget`.
    """
    require_forces(forces, "tyre_force")
    require_answer(answer, "contribution", ("cause", "corner", "component"), "budget")
    corners, components = (list(map(str, answer[n].to_numpy())) for n in ("corner", "component"))
    columns = len(components)
    # At least as wide as the words below need.
    figure, room = new_sheet(
        (max(4.9 * columns, 8.5), 1.3 + 2.35 * len(corners)),
        _title(answer),
        part_legend(),
        _footer(forces, answer),
        columns=min(2 * columns, 4),
    )
    boxes = room.grid(len(corners), columns)
    places = [(c, x) for c in corners for x in components]
    for box, (corner, component) in zip(boxes, places, strict=True):
        one = answer.sel(corner=corner, component=component)
        _draw_bars(add_panel(figure, box.inside(AROUND)), one, f"{corner} F{component}")
    return figure


def _draw_bars(panel: Axes, one: xr.Dataset, name: str) -> None:
    size, u = one["contribution"].to_numpy(), float(one["u_force"])
    if not np.isfinite(u):
        style_panel(panel, f"{name} ({LOOKS[name[:2]].name}): not known")
        panel.set_axis_off()
        return
    order = [int(n) for n in np.argsort(-size, kind="stable")[:BARS] if size[n] > 0]
    rest = float(np.sqrt(max(u**2 - np.sum(size[order] ** 2), 0.0)))
    words = [str(one["cause_words"].to_numpy()[n]) for n in order] + ["all others together"]
    parts = [str(one["cause_part"].to_numpy()[n]) for n in order] + [""]
    widths = [*(float(size[n]) for n in order), rest]
    for row, (width, part) in enumerate(zip(widths, parts, strict=True)):
        colour, hatch, _ = PART_LOOKS.get(part, ("white", "", ""))
        panel.barh(-row, width, height=0.7, facecolor=colour, edgecolor=INK, linewidth=0.6,
                   hatch=hatch)  # fmt: skip
        share = 100 * (width / u) ** 2
        panel.text(width + 0.015 * max(widths), -row, f"{share:.0f} %", fontsize=SMALL, va="center")
    style_panel(
        panel, _panel_name(one, name), x="standard uncertainty from this cause [N]", size=SMALL
    )
    panel.set_yticks(-np.arange(len(words)), words, fontsize=SMALL)
    panel.set_xlim(0.0, 1.12 * max(widths))


def _panel_name(one: xr.Dataset, name: str) -> str:
    force, u, time = (float(one[n]) for n in ("force", "u_force", "sample_time"))
    which = f"{force:.0f} N at {time:.2f} s" if np.isfinite(time) else "single samples (rms)"
    return f"{name} {which}: u = {u:.1f} N"


def _title(answer: xr.Dataset) -> str:
    total: NDArray = answer["u_force"].to_numpy()
    k, i = np.unravel_index(int(np.nanargmax(total)), total.shape)
    corner, component = answer["corner"].to_numpy()[k], answer["component"].to_numpy()[i]
    widest = "widest " if total.size > 1 else ""
    return f"Causes of the uncertainty: {widest}u = {total[k, i]:.0f} N ({corner} F{component})"


def _footer(forces: xr.Dataset, answer: xr.Dataset) -> str:
    return (
        f"{answer.attrs['where']}; {tyre_footer(forces)}\n"
        "% = share of the variance of that force; squares of the bars add up to u squared"
    )
