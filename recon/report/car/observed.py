"""Lines on the forces that a set of gauges determines, and on a choice of gauges."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from recon.base.arrays import Floats
from recon.planning.combinations import NOT_KNOWN
from recon.planning.observability import Observability
from recon.planning.selection import Selection
from recon.report.common.text import WIDEST, wrapped

SHIFTS = "error of each force if a moment on the wheel of its usual size is ignored"
SMALL_GAP = 0.05  # %; printed as nothing
NO_CURE = "no link, spring or section in the file helps; state a section near the wheel and try it"


def observability_summary(seen: Observability) -> list[str]:
    """Uncertainties with the gauges of a corner or axle, without each and with one more."""
    count = len(seen.chosen)
    names = ", ".join(seen.chosen) or "none"
    head = f"{seen.label}: {count} gauge{'s' * (count != 1)}"
    short = len(names) <= WIDEST - len(head)
    lines = [f"{head} ({names})"] if short else [head, *wrapped(names)]
    lines += [
        f"  the gauges respond to {seen.rank} of {len(seen.singular_values)} unknowns, least to "
        f"{seen.weak}",
        "  response, strongest to weakest (singular values): "
        + " ".join(f"{v:.2f}" for v in seen.singular_values),
        f"  standard uncertainty u of each force, if that of each gauge's load is {seen.noise:g} N",
    ]
    lines += _axle_table(seen) if seen.corners[1:] else _corner_rows(seen)
    for reason in seen.redundant:
        lines += wrapped(reason)
    for lost in seen.lost:
        cure = f"gauge {' and '.join(lost.cure)}" if lost.cure else NO_CURE
        lines.append(f"  {lost.name} is not known: {lost.reason}")
        lines.append(f"    cheapest cure: {cure}")
    return lines + [f"  known instead: {c.words} (standard uncertainty)" for c in seen.combinations]


def _named_rows(seen: Observability) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Standard uncertainties and errors of the forces [N], by the name of their row."""
    wheels = "wheels" if seen.corners[1:] else "wheel"
    known = {f"{mode} {wheels}": u for mode, u in [("rolling", seen.u), *seen.u_held.items()]}
    known |= {f"without {member}": u for member, u in seen.without.items()}
    known |= {f"with {member} too": u for member, u in seen.with_.items()}
    return known, {f"{name} ignored": bias for name, bias in seen.bias.items()}


def _corner_rows(seen: Observability) -> list[str]:
    known, shifts = _named_rows(seen)
    wide = 2 + max(map(len, [*known, *shifts]))

    def axes(cells: Iterable[str]) -> str:
        return ", ".join(f"F{axis} {cell}" for axis, cell in zip("xyz", cells, strict=True))

    return [
        *(f"  {name:{wide}}{axes(map(_newtons, u))}" for name, u in known.items()),
        f"  {SHIFTS}",
        *(f"  {name:{wide}}{axes(f'{round(b)} N' for b in bias)}" for name, bias in shifts.items()),
    ]


def _newtons(u: float, unit: str = " N") -> str:
    return f"{u:.0f}{unit}" if u <= NOT_KNOWN else "not known"


def _axle_table(seen: Observability) -> list[str]:
    """The same as a table, a column for each force of both wheels."""
    known, shifts = _named_rows(seen)
    wide = 2 + max(map(len, [*known, *shifts]))

    def row(name: str, cells: Iterable[str]) -> str:
        return f"  {name:{wide}}" + "".join(f"{cell:>10}" for cell in cells)

    return [
        row("u in N", seen.forces),
        *(row(name, (_newtons(v, "") for v in u)) for name, u in known.items()),
        f"  {SHIFTS}, in N",
        *(row(name, (str(round(b)) for b in bias)) for name, bias in shifts.items()),
    ]


def selection_summary(chosen: Selection, by_corner: dict[str, tuple[str, ...]]) -> list[str]:
    """The best gauges, how well they determine the forces, and how much better others could be."""
    count = len(chosen.chosen)
    gauges = f"{count} gauge{'s' * (count != 1)}"
    lines = [f"best {gauges} (smallest sum of the variances of the forces)"]
    for corner, members in by_corner.items():
        lines.append(f"  {corner}: {', '.join(members) or 'none'}")
    if chosen.lost:
        short = f"{gauges} cannot" if chosen.least else "even all candidates together do not"
        lines.append(f"  {short} determine all forces; this is the best choice for the others")
    else:
        least, whole = np.sqrt([chosen.bound, chosen.criterion])
        beaten = f"no other choice of {gauges} is better"
        if chosen.gap > SMALL_GAP:
            gap = f"a sum at most {chosen.gap:.1f} % smaller"
            beaten = f"no other choice of {gauges} is below {least:.0f} N ({gap})"
        lines.append(f"  all forces together: u {whole:.0f} N (root of that sum); {beaten}")
    return [*lines, f"  {chosen.message}"] if chosen.message else lines
