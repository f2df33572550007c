"""Words for what a set of gauges determines, and for a choice of gauges."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.planning.combinations import NOT_KNOWN
from recon.report.text import WIDEST, wrapped

if TYPE_CHECKING:
    from recon.planning.observability import Observability
    from recon.planning.selection import Selection

SMALL_GAP = 0.05  # %; printed as nothing
NO_CURE = "none in the file's links, springs and sections; try a section near the wheel"


def observability_summary(seen: Observability) -> list[str]:
    """Uncertainties with the gauges of a corner or axle, without each and with one more."""
    count = len(seen.chosen)
    names = ", ".join(seen.chosen) or "none"
    head = f"{seen.label}: {count} gauge{'s' * (count != 1)}"
    short = len(names) <= WIDEST - len(head)
    lines = [f"{head} ({names})"] if short else [head, *wrapped(names)]
    lines += [
        f"  rank {seen.rank} of {len(seen.singular_values)} unknowns, {seen.noise:g} N of noise "
        "per gauge",
        "  singular values " + " ".join(f"{v:.2f}" for v in seen.singular_values),
        f"  measured worst: {seen.weak}",
    ]
    lines += _axle_table(seen) if seen.corners[1:] else _corner_rows(seen)
    for reason in seen.redundant:
        lines += wrapped(reason)
    for lost in seen.lost:
        cure = f"gauge {' and '.join(lost.cure)}" if lost.cure else NO_CURE
        lines.append(f"  {lost.name} is not known: {lost.reason}")
        lines.append(f"    cheapest cure: {cure}")
    return lines + [f"  known instead: {c.words}" for c in seen.combinations]


def _by_mode(seen: Observability) -> list[tuple[str, Floats]]:
    """Standard uncertainties of the forces for each thing that hubs may pass."""
    return [("rolling", seen.u), *seen.u_held.items()]


def _corner_rows(seen: Observability) -> list[str]:
    lines = [f"  {mode:8} wheel: u of {_three(u)}" for mode, u in _by_mode(seen)]
    for name, bias in seen.bias.items():
        lines.append(f"  {name} of its usual size, if ignored, would shift {_shift(bias)}")
    wide = max(14, *map(len, seen.without), *(len(m) + 1 for m in seen.with_), 0)
    lines += [f"  without {member:{wide}} {_three(u)}" for member, u in seen.without.items()]
    return lines + [
        f"  with {member + ' too':{wide + 3}} {_three(u)}" for member, u in seen.with_.items()
    ]


def _axle_table(seen: Observability) -> list[str]:
    """The same as a table, a column for each force of both wheels."""
    shifts = {f"{name} ignored": bias for name, bias in seen.bias.items()}
    known = {f"{mode} wheels": u for mode, u in _by_mode(seen)}
    rest = {f"without {member}": u for member, u in seen.without.items()}
    rest |= {f"with {member} too": u for member, u in seen.with_.items()}
    wide = 2 + max(map(len, [*shifts, *known, *rest]))

    def row(name: str, cells: Iterable[str]) -> str:
        return f"  {name:{wide}}" + "".join(f"{cell:>10}" for cell in cells)

    return [
        row("standard uncertainty in N", seen.forces),
        *(row(name, map(_known, u)) for name, u in (known | rest).items()),
        "  shift in N by a moment of its usual size that is ignored",
        *(row(name, (str(round(b)) for b in bias)) for name, bias in shifts.items()),
    ]


def _known(value: float) -> str:
    return f"{value:.0f}" if value <= NOT_KNOWN else "not known"


def selection_summary(chosen: Selection, by_corner: dict[str, tuple[str, ...]]) -> list[str]:
    """The best gauges, how well they determine the forces, and how much better others could be."""
    count = len(chosen.chosen)
    lines = [f"best {count} gauge{'s' * (count != 1)} (least sum of the variances of the forces)"]
    for corner, members in by_corner.items():
        lines.append(f"  {corner}: {', '.join(members) or 'none'}")
    if chosen.lost:
        untold = "these few gauges do not determine" if chosen.least else "no candidate determines"
        lines.append(
            f"  the sum is mostly forces that {untold}; the choice is the best for the others"
        )
    else:
        least, whole = np.sqrt([chosen.bound, chosen.criterion])
        beaten = "no other choice is better"
        if chosen.gap > SMALL_GAP:
            gap = f"at most {chosen.gap:.1f} % of the sum less"
            beaten = f"no other choice of as many gauges is below {least:.0f} N ({gap})"
        lines.append(f"  root of the sum {whole:.0f} N; {beaten}")
    return [*lines, f"  {chosen.message}"] if chosen.message else lines


def _shift(bias: Floats) -> str:
    return ", ".join(f"F{axis} {round(value)} N" for axis, value in zip("xyz", bias, strict=True))


def _three(values: Floats) -> str:
    return ", ".join(
        f"F{axis} {_newtons(value)}" for axis, value in zip("xyz", values, strict=True)
    )


def _newtons(value: float) -> str:
    return f"{value:.0f} N" if abs(value) < NOT_KNOWN else "not known"
