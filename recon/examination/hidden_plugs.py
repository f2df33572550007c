"""Wrong plugs that a drive would not show: two gauges exchanged, or one with the opposite sign.

Such a fault has no size that could grow until it is found: it is tried as it is.  A corner with
more unknowns than other gauges and channels can check may look as sound with two of its plugs
exchanged as without.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from recon.base.arrays import Floats
from recon.examination.every_comparison import contradictions
from recon.examination.gauge_causes import limit_of
from recon.examination.term import USUAL, WORTH
from recon.examination.view import Part, View
from recon.reconstruction.inputs.spring_travel import StatedSpring
from recon.reconstruction.solving.solve import forces_of


@dataclass(frozen=True, slots=True)
class Plug:
    """Gauge `i` of an assembly, in the plug of `gauge`, which may be itself.

    It shows `factor` times what that one should, and `offset` more (less zeros, in its unit);
    `zero` is what is subtracted then.
    """

    part: Part
    i: int
    gauge: str
    factor: float
    offset: float
    zero: float

    def change(self, indications: Mapping[str, Floats]) -> Floats:
        """Change (n,) of the gauge's indication, from those (n,) by gauge, in its unit [mV/V]."""
        own = indications[self.part.gauges[self.i]]
        return self.factor * indications[self.gauge] + self.offset - own


@dataclass(frozen=True, slots=True)
class WrongPlugs:
    """Plugs that are wrong together."""

    kind: str
    plugs: tuple[Plug, ...]

    @property
    def title(self) -> str:
        """Names of the gauges."""
        return " and ".join(plug.part.gauges[plug.i] for plug in self.plugs)

    @property
    def by_part(self) -> dict[str, list[Plug]]:
        """The plugs of each assembly that has some, by its name."""
        return {
            name: [plug for plug in self.plugs if plug.part.name == name]
            for name in dict.fromkeys(plug.part.name for plug in self.plugs)
        }

    def made(self, view: View) -> View:
        """The drive with these plugs, and with travels as their springs show them then."""
        shown = shown_by(view)
        for name, own in self.by_part.items():
            part = view.parts[name]
            y, zero = part.samples.indication.copy(), part.zero.copy()
            for plug in own:
                y[plug.i] += plug.change(shown)
                zero[plug.i] = plug.zero
            part = part.changed(y, zero)
            view = view.with_part(_with_travel(part) if "u_travel" in view.log else part)
        return view


def _with_travel(part: Part) -> Part:
    """The assembly at the travel that its spring's load shows, if that is how travel is known."""
    spring = None if part.solver.outputs.lost else StatedSpring.of(part.solver)
    if spring is None:
        return part
    force, _ = forces_of(part.solver, part.samples)
    travel = spring.travel(force[0].astype(float), part.samples.hub)
    travel = np.clip(travel, *part.solver.assembly.corners[0].travel_range)
    return Part(part.solver, replace(part.samples, travel=travel[None]), part.zero)


def shown_by(view: View) -> dict[str, Floats]:
    """Indications (n,) less zeros by gauge, each in its unit [mV/V]."""
    return {
        gauge: values
        for part in view.parts.values()
        for gauge, values in zip(part.gauges, part.samples.indication, strict=True)
    }


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
        own, zero = part.gauges[i], float(part.zero[i])
        yield WrongPlugs("inverted", (Plug(part, i, own, -1.0, 0.0, -zero),))
        if np.isfinite(zero):
            yield WrongPlugs("inverted", (Plug(part, i, own, -1.0, -2.0 * zero, zero),))
    for (one, i), (other, j) in combinations(gauges, 2):
        names = one.gauges[i], other.gauges[j]
        zeros = float(one.zero[i]), float(other.zero[j])
        for tares_too in (True, False):
            off = 0.0 if tares_too else zeros[1] - zeros[0]
            own_zero, its_zero = zeros[::-1] if tares_too else zeros
            if np.isfinite(off):
                plugs = (
                    Plug(one, i, names[1], 1.0, off, own_zero),
                    Plug(other, j, names[0], 1.0, -off, its_zero),
                )
                yield WrongPlugs("exchanged", plugs)
