"""Wrong plugs that a drive would not show: two gauges exchanged, or one with the opposite sign.

Such a fault has no size that could grow until it is found: it is tried as it is.  A corner with
more unknowns than other gauges and channels can check may look as sound with two of its plugs
exchanged as without.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.examination.every_comparison import contradictions
from recon.examination.gauge_causes import limit_of
from recon.examination.plugs import WrongPlugs, exchange, scaled, shown_by
from recon.examination.term import USUAL, WORTH
from recon.examination.view import Part, View


def hidden_plugs(view: View) -> Iterator[WrongPlugs]:
    """Wrong plugs that no comparison contradicts, those that may hide most first.

    What hides less in every force than another of its kind is left out.
    """
    against = {name: _Against.of(part) for name, part in view.parts.items() if part.known.any()}
    before, most = set(contradictions(view)), dict[tuple[str, str], Floats]()
    for wrong, errors in _by_error(view, against):
        keys = {name: (wrong.kind, name) for name in errors}
        if all(np.all(errors[n] <= most.get(key, 0.0)) for n, key in keys.items()):
            continue
        if all(one in before for one in contradictions(wrong.made(view))):
            yield wrong
            for name, key in keys.items():
                most[key] = np.fmax(errors[name], most.get(key, 0.0))


@dataclass(frozen=True, slots=True)
class _Against:
    """Residuals of an assembly, by which its own gauges are found to contradict each other.

    `weighted` (n, gauge) are residuals times their weights `weight` (n, gauge, gauge).
    """

    part: Part
    weighted: Floats
    weight: Floats

    @classmethod
    def of(cls, part: Part) -> _Against:
        weight = part.expected.weight[part.known]
        weighted = np.einsum("ngh,nh->ng", weight, part.residual[part.known])
        return cls(part, weighted, weight)

    def holds(self, at: list[int], change: Floats) -> bool:
        """Whether the gauges still agree with the gauges `at` changed by `change` (k, n)."""
        change = change[:, self.part.known].T
        more = 2 * change * self.weighted[:, at]
        more += change * np.einsum("nkl,nl->nk", self.weight[:, at][:, :, at], change)
        size = np.mean(self.part.misfit[self.part.known])
        size += np.mean(np.sum(more, axis=1)) / len(self.part.gauges)
        return bool(size <= limit_of(self.part))


def _by_error(
    view: View, against: Mapping[str, _Against]
) -> list[tuple[WrongPlugs, dict[str, Floats]]]:
    """Wrong plugs that the gauges of their assemblies allow, with errors (w, 3) [N] by assembly."""
    shown, found = shown_by(view), []
    for wrong in _every([part for name, part in view.parts.items() if name in against]):
        at, changes = {}, {}
        for name, own in wrong.by_part.items():
            at[name] = [plug.i for plug in own]
            changes[name] = np.array([plug.change(shown) for plug in own])
        if all(against[name].holds(at[name], change) for name, change in changes.items()):
            parts = {name: view.parts[name] for name in at}
            errors = {name: _usual(part, at[name], changes[name]) for name, part in parts.items()}
            size = max(float(np.max(errors[n] / part.half_width)) for n, part in parts.items())
            if size > WORTH:
                found.append((size, wrong, errors))
    found.sort(key=lambda one: -one[0])
    return [(wrong, errors) for _, wrong, errors in found]


def _usual(part: Part, at: list[int], change: Floats) -> Floats:
    """Change (w, 3) [N] of forces, exceeded for a twentieth of the drive, by that of gauges."""
    forces = part.leverage[:, :, at] @ change[:, part.known]
    return np.nan_to_num(np.quantile(np.abs(forces), USUAL, axis=2))


def _every(parts: list[Part]) -> Iterator[WrongPlugs]:
    """All pairs of gauges exchanged and all gauges inverted, since the tare or before it."""
    gauges = [(part, i) for part in parts for i in range(len(part.gauges))]
    for part, i in gauges:
        for tares_too in (True, False):
            if tares_too or np.isfinite(part.zero[i]):
                yield WrongPlugs("inverted", (scaled(part, i, -1.0, tares_too=tares_too),))
    for (one, i), (other, j) in combinations(gauges, 2):
        for tares_too in (True, False):
            if tares_too or np.isfinite(one.zero[i] + other.zero[j]):
                yield WrongPlugs("exchanged", exchange(one, i, other, j, tares_too=tares_too))
