"""The linkage of an assembly: all that belongs to it, under one set of names.

An assembly is calibrated and solved as one: a corner that stands alone, or the two corners that an
axle ties.  In the linkage of a tied axle, the names of a corner's bodies and supports begin with
the name of the corner, `RL.arm`; those of the axle itself keep their names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from recon.base.errors import VehicleError, nearest
from recon.car.vehicle import AXLE, Axle, Corner, Gauge, Support, Vehicle


@dataclass(frozen=True, slots=True)
class Linkage:
    """Bodies, supports, gauges and wheels of one assembly."""

    name: str  # 'FL', or for an axle 'rear'
    corners: tuple[Corner, ...]  # one or two, left first
    bodies: tuple[str, ...]
    supports: tuple[Support, ...]
    gauges: tuple[Gauge, ...]
    wheel_on: tuple[str, ...]  # the body that carries each wheel
    home_of: tuple[str, ...]  # name of the corner or axle that each gauge belongs to

    @property
    def tied(self) -> bool:
        """True if an axle ties two corners."""
        return len(self.corners) > 1

    @property
    def label(self) -> str:
        """'FL' or 'axle rear', for results."""
        return f"axle {self.name}" if self.tied else self.name

    @property
    def title(self) -> str:
        """'corner FL' or 'axle rear', for messages."""
        return self.label if self.tied else f"corner {self.name}"

    @property
    def gauged(self) -> tuple[str, ...]:
        """Load that each gauge measures: a support's name, or 'body:gauge' for a section."""
        return tuple(f"{g.on}:{g.name}" if g.at_section else g.on for g in self.gauges)

    def per_wheel(self, names: Iterable[str]) -> tuple[str, ...]:
        """Names of quantities that each wheel has: 'Fx', or 'Fx RL' and 'Fx RR' with two wheels."""
        every = [(name, corner.name) for corner in self.corners for name in names]
        return tuple(f"{name} {corner}" if self.tied else name for name, corner in every)

    def wheel(self, corner: str) -> int:
        """Index of the corner's wheel.

        Raises VehicleError: the assembly has no such corner, for example if an axle is named
        instead.
        """
        names = [c.name for c in self.corners]
        if corner not in names:
            raise VehicleError(
                where=self.title,
                found=f"no corner '{corner}'",
                needed=nearest(corner, names),
                do="Name a corner of the vehicle file.",
            )
        return names.index(corner)


def lone(corner: Corner) -> Linkage:
    """Linkage of a corner that stands alone, with unchanged names."""
    return Linkage(
        name=corner.name,
        corners=(corner,),
        bodies=corner.bodies,
        supports=corner.supports,
        gauges=corner.gauges,
        wheel_on=(corner.wheel.on,),
        home_of=(corner.name,) * len(corner.gauges),
    )


def linkage_of(car: Vehicle, name: str) -> Linkage:
    """Linkage of the assembly of that name, or of the assembly of the corner of that name.

    Raises VehicleError: the car has no such corner or tied axle (the message offers the nearest
    name), or a corner of the axle is not described.
    """
    axle = car.axles.get(name) or car.axle_of(name)
    if axle is not None:
        return _tied(car, axle)
    if name in car.corners:
        return lone(car.corners[name])
    tied = ", or an axle that ties two," if car.axles else ""
    raise VehicleError(
        where=car.path or car.name,
        found=f"no corner '{name}'",
        needed=nearest(name, (*car.corners, *car.axles)),
        do=f"Name a corner{tied} of the vehicle file.",
    )


def assembly_names(car: Vehicle) -> tuple[str, ...]:
    """Names of all assemblies of the car, in the order of its corners."""
    axles = ((name, car.axle_of(name)) for name in car.corners)
    return tuple(dict.fromkeys(name if axle is None else axle.name for name, axle in axles))


def _tied(car: Vehicle, axle: Axle) -> Linkage:
    for name in axle.corners:
        if name not in car.corners:
            raise VehicleError(
                where=f"{car.path or 'car'}: axle {axle.name}",
                found=f"no corner {name}",
                needed=f"both corners that it ties, {' and '.join(axle.corners)}",
                do=f"Describe [corner.{name}], or remove [axle.{axle.name}].",
            )
    sides = tuple(car.corners[name] for name in axle.corners)
    homes: tuple[Corner | Axle, ...] = (*sides, axle)
    parts = [(side, _namer(f"{side.name}.", side.bodies)) for side in sides]
    return Linkage(
        name=axle.name,
        corners=sides,
        bodies=(*axle.bodies, *(named(body) for side, named in parts for body in side.bodies)),
        supports=tuple(
            _renamed(s, f"{side.name}.", named) for side, named in parts for s in side.supports
        )
        + axle.supports,
        gauges=tuple(
            replace(g, on=f"{side.name}.{g.on}" if g.on in supported else named(g.on))
            for side, named in parts
            for supported in [{s.name for s in side.supports}]
            for g in side.gauges
        )
        + axle.gauges,
        wheel_on=tuple(named(side.wheel.on) for side, named in parts),
        home_of=tuple(home.name for home in homes for _ in home.gauges),
    )


def _namer(before: str, own: tuple[str, ...]) -> Callable[[str], str]:
    def named(body: str) -> str:
        return before + body if body in own else body.removeprefix(f"{AXLE}.")

    return named


def _renamed(support: Support, before: str, named: Callable[[str], str]) -> Support:
    outer = replace(support.outer, on=named(support.outer.on))
    inner = replace(support.inner, on=named(support.inner.on))
    return replace(support, name=before + support.name, outer=outer, inner=inner)
