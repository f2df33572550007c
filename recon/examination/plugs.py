"""Wrong plugs: two gauges exchanged, or one that shows another sign or unit.

Such a fault undoes itself: what makes a sound drive wrong makes a wrong one sound.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.words import enumerated
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
        return self.shown(indications) - indications[self.part.gauges[self.i]]

    def shown(self, indications: Mapping[str, Floats]) -> Floats:
        """Indication (n,) of the gauge in this plug, from those (n,) by gauge [mV/V]."""
        return self.factor * indications[self.gauge] + self.offset


def exchange(one: Part, i: int, other: Part, j: int, *, tares_too: bool) -> tuple[Plug, Plug]:
    """Gauges `i` and `j` in each other's plug, since the tare or before it."""
    own, its = float(one.zero[i]), float(other.zero[j])
    off = 0.0 if tares_too else float(np.nan_to_num(its - own))
    if tares_too:
        own, its = its, own
    return (
        Plug(one, i, other.gauges[j], 1.0, off, own),
        Plug(other, j, one.gauges[i], 1.0, -off, its),
    )


def scaled(part: Part, i: int, factor: float, *, tares_too: bool) -> Plug:
    """Gauge `i` with `factor` times its raw indications, since the tare or before it."""
    zero = float(part.zero[i])
    if tares_too:
        return Plug(part, i, part.gauges[i], factor, 0.0, factor * zero)
    return Plug(part, i, part.gauges[i], factor, (factor - 1.0) * float(np.nan_to_num(zero)), zero)


@dataclass(frozen=True, slots=True)
class WrongPlugs:
    """Plugs that are wrong together; `kind` is one of `recon.base.doubt.CAUSES`."""

    kind: str
    plugs: tuple[Plug, ...]

    @property
    def title(self) -> str:
        """Names of the gauges."""
        return enumerated([plug.part.gauges[plug.i] for plug in self.plugs])

    @property
    def by_part(self) -> dict[str, list[Plug]]:
        """The plugs of each assembly that has some, by its name."""
        return {
            name: [plug for plug in self.plugs if plug.part.name == name]
            for name in dict.fromkeys(plug.part.name for plug in self.plugs)
        }

    def made(self, view: View) -> View:
        """The drive with these plugs, and with travels as their springs show them then."""
        view = replugged(view, self.plugs, mended=False)
        if "u_travel" in view.log:
            for name in self.by_part:
                view = view.with_part(_with_travel(view.parts[name]))
        return view


def replugged(view: View, plugs: Sequence[Plug], *, mended: bool = True) -> View:
    """The drive with gauges in these plugs, at its own travels; `mended` by that or made wrong."""
    shown = shown_by(view)
    for plug in plugs:
        part = view.parts[plug.part.name]
        y, zero = part.samples.indication.copy(), part.zero.copy()
        y[plug.i], zero[plug.i] = plug.shown(shown), plug.zero
        view = view.with_part(part.changed(y, zero), mended=mended)
    return view


def _with_travel(part: Part) -> Part:
    """The assembly at the travel that its spring's load shows, if that is how travel is known."""
    spring = None if part.solver.outputs.lost else StatedSpring.of(part.solver)
    if spring is None:
        return part
    force, _ = forces_of(part.solver, part.samples)
    travel = spring.travel(force[0].astype(float), part.samples.hub)
    travel = np.where(np.isfinite(travel), travel, 0.0)  # as where a travel has a gap
    travel = np.clip(travel, *part.solver.assembly.corners[0].travel_range)
    return Part(part.solver, replace(part.samples, travel=travel[None]), part.zero)


def shown_by(view: View) -> dict[str, Floats]:
    """Indications (n,) less zeros by gauge, each in its unit [mV/V]."""
    return {
        gauge: values
        for part in view.parts.values()
        for gauge, values in zip(part.gauges, part.samples.indication, strict=True)
    }
