"""Pull plans of the virtual crew: fore, aft, in, out and up, off-centre, strap and pad together.

Points are given for a left corner, from the contact centre or the hub, x forward and y outwards,
and mirrored for a right corner.  Invented; not based on any published plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from recon.car.vehicle import Corner, Vec, Vehicle

FORE_UP, AFT_UP = (0.906, 0.0, 0.423), (-0.966, 0.0, 0.259)  # 25 and 15 degrees up
FORE_OUT, AFT_IN = (0.7, 0.7, 0.05), (-0.7, -0.7, 0.05)
FORE, AFT, OUT, IN = (1.0, 0.0, 0.06), (-1.0, 0.0, 0.06), (0.0, 1.0, 0.05), (0.0, -1.0, 0.05)


@dataclass(frozen=True, slots=True)
class PlannedPull:
    """One pull: a strap, a pad or both.

    `attach` (x, outwards, z) [m] is measured from the contact centre, or from the hub if `high`;
    `direction` is that of the force on the wheel; `pad` (x, outwards, z) [m] is measured from the
    contact centre; peak loads are in N, zero for a device not in use.
    """

    name: str
    corner: str
    held_by: Literal["brake", "half-shaft", "free"]
    attach: Vec = (0.0, 0.0, 0.0)
    direction: Vec = (1.0, 0.0, 0.0)
    strap_peak: float = 0.0
    pad: Vec = (0.0, 0.0, 0.0)
    pad_peak: float = 0.0
    high: bool = False
    purpose: Literal["fit", "verify"] = "fit"


def pull_plan(car: Vehicle, corners: tuple[str, ...]) -> tuple[PlannedPull, ...]:
    """Plan 14 pulls for each corner and, for a driven one, two more held by the half-shaft."""
    out: list[PlannedPull] = []
    for name in corners:
        corner = car.corners[name]
        p = PlannedPull("", name, _held_by(corner))
        out += [
            replace(p, name="fore", attach=(0.11, 0, 0.01), direction=FORE, strap_peak=3000),
            replace(p, name="aft", attach=(-0.11, 0, 0.01), direction=AFT, strap_peak=3000),
            replace(p, name="outward", attach=(0, 0.06, 0.02), direction=OUT, strap_peak=3000),
            replace(p, name="inward", attach=(0, -0.06, 0.02), direction=IN, strap_peak=3000),
            replace(p, name="pad", pad_peak=3600),
            replace(p, name="fore-out", attach=(0.08, 0.06, 0.02), direction=FORE_OUT,
                    strap_peak=2800),
            replace(p, name="aft-in", attach=(-0.08, -0.06, 0.02), direction=AFT_IN,
                    strap_peak=2800),
            replace(p, name="outward, 90 ahead", attach=(0.09, 0.06, 0.03), direction=OUT,
                    strap_peak=2800),
            replace(p, name="inward, 80 behind", attach=(-0.08, -0.06, 0.03), direction=IN,
                    strap_peak=2800),
            replace(p, name="hub fore", attach=(0.03, 0.08, 0), direction=FORE, strap_peak=2600,
                    high=True),
            replace(p, name="rim top inward", attach=(0, 0, 0.17), direction=IN, strap_peak=1800,
                    high=True),
            replace(p, name="fore, up 25", attach=(0.10, 0, 0.05), direction=FORE_UP,
                    strap_peak=2600),
            replace(p, name="pad, 60 outboard", pad=(0, 0.06, 0), pad_peak=3200),
            replace(p, name="outward on the pad", attach=(0, 0.06, 0.02), direction=OUT,
                    strap_peak=2400, pad_peak=3400),
        ]  # fmt: skip
        if corner.driven and not corner.final_drive:
            p = replace(p, held_by="half-shaft")
            out += [
                replace(p, name="fore, shaft", attach=(0.11, 0, 0.01), direction=FORE,
                        strap_peak=3000),
                replace(p, name="aft up, shaft", attach=(-0.11, 0, 0.03), direction=AFT_UP,
                        strap_peak=2800),
            ]  # fmt: skip
    return tuple(out)


def verification_plan(car: Vehicle, corners: tuple[str, ...]) -> tuple[PlannedPull, ...]:
    """Plan four verification pulls for each corner, none of which repeats a pull of the plan."""
    out: list[PlannedPull] = []
    for name in corners:
        corner = car.corners[name]
        p = PlannedPull("", name, _held_by(corner), purpose="verify")
        shaft = replace(p, held_by="half-shaft") if corner.driven and not corner.final_drive else p
        out += [
            replace(p, name="check aft-in, up", attach=(-0.06, -0.06, 0.03),
                    direction=(-0.78, -0.57, 0.26), strap_peak=2300),
            replace(p, name="check out-fore, 40 ahead", attach=(0.04, 0.06, 0.02),
                    direction=(0.45, 0.89, 0.05), strap_peak=2600),
            replace(p, name="check inward on the pad", attach=(0.02, -0.06, 0.02), direction=IN,
                    strap_peak=2000, pad=(0.01, -0.02, 0), pad_peak=3000),
            replace(shaft, name="check aft on the pad", attach=(-0.11, 0, 0.02), direction=AFT,
                    strap_peak=1800, pad_peak=2500),
        ]  # fmt: skip
    return tuple(out)


def _held_by(corner: Corner) -> Literal["brake", "half-shaft", "free"]:
    if corner.brake.place != "none":
        return "brake"
    return "half-shaft" if corner.driven else "free"
