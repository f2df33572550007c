"""Bodies, supports and gauges of an assembly: a corner alone, or the two corners an axle ties.

In a tied axle the names of a corner's bodies and supports begin with the corner's name, `RL.arm`;
those of the axle itself keep their names.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from recon.car.vehicle import AXLE

if TYPE_CHECKING:
    from collections.abc import Callable

    from recon.car.vehicle import Axle, Corner, Gauge, Support, Vehicle


@dataclass(frozen=True, slots=True)
class Parts:
    """Everything that belongs to one assembly; `corners` has one or two entries, left first.

    `wheel_on` names the body that carries each wheel; `gauge_of` the corner of each gauge, empty
    for a gauge of the axle.
    """

    name: str
    corners: tuple[Corner, ...]
    bodies: tuple[str, ...]
    supports: tuple[Support, ...]
    gauges: tuple[Gauge, ...]
    wheel_on: tuple[str, ...]
    gauge_of: tuple[str, ...]

    @property
    def tied(self) -> bool:
        """True if an axle ties two corners."""
        return len(self.corners) > 1


def lone(corner: Corner) -> Parts:
    """Parts of a corner that no axle ties, with unchanged names."""
    return Parts(
        name=corner.name,
        corners=(corner,),
        bodies=corner.bodies,
        supports=corner.supports,
        gauges=corner.gauges,
        wheel_on=(corner.wheel.on,),
        gauge_of=(corner.name,) * len(corner.gauges),
    )


def assemblies_of(car: Vehicle, corners: tuple[str, ...]) -> tuple[Parts, ...]:
    """Assemblies to which `corners` belong, each once, in the order of the car's corners."""
    out = {}
    for name, corner in car.corners.items():
        axle = car.axle_of(name)
        if axle is None and name in corners:
            out[name] = lone(corner)
        elif axle is not None and set(corners) & set(axle.corners):
            out[axle.name] = _tied(car, axle)
    return tuple(out.values())


def _tied(car: Vehicle, axle: Axle) -> Parts:
    sides = tuple(car.corners[name] for name in axle.corners)
    parts = [(side, _namer(f"{side.name}.", side.bodies)) for side in sides]
    return Parts(
        name=axle.name,
        corners=sides,
        bodies=(*axle.bodies, *(named(body) for side, named in parts for body in side.bodies)),
        supports=tuple(
            _renamed(s, f"{side.name}.", named) for side, named in parts for s in side.supports
        )
        + axle.supports,
        gauges=tuple(
            replace(g, on=f"{side.name}.{g.on}" if _own(side, g) else named(g.on))
            for side, named in parts
            for g in side.gauges
        )
        + axle.gauges,
        wheel_on=tuple(named(side.wheel.on) for side, named in parts),
        gauge_of=tuple(side.name for side in sides for _ in side.gauges) + ("",) * len(axle.gauges),
    )


def _own(side: Corner, gauge: Gauge) -> bool:
    return gauge.on in (s.name for s in side.supports)


def _namer(before: str, own: tuple[str, ...]) -> Callable[[str], str]:
    def named(body: str) -> str:
        return before + body if body in own else body.removeprefix(f"{AXLE}.")

    return named


def _renamed(support: Support, before: str, named: Callable[[str], str]) -> Support:
    outer = replace(support.outer, on=named(support.outer.on))
    inner = replace(support.inner, on=named(support.inner.on))
    return replace(support, name=before + support.name, outer=outer, inner=inner)
