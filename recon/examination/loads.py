"""Forces of each wheel against its own travel and brake, and against what tyres can do.

Needs no other wheel: a wheel that rises compresses its spring, and a brake that grips holds the
tyre back.  Sizes of what may differ are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from recon.base.arrays import Floats
from recon.base.kept_results import kept_in
from recon.base.quantities import STANDARD_GRAVITY
from recon.car.vehicle import WORN_PADS
from recon.examination.comparison import Comparison
from recon.examination.motion import motion_of, scatter
from recon.examination.term import Term, by_part
from recon.examination.view import Part, View
from recon.planning.unknowns import MODES

SLOWEST, FASTEST = 0.7, 5.0  # Hz, of a corner on its spring
DAMPED = 0.05  # s, of travel by which a damper changes the load
OPEN = 0.35  # of the load's scatter: bars and the road
GRIPS = 0.2  # of the largest torque; below, drag and drive are as large
ROLLS = 0.7  # of the car's speed
STANDS = 1.0  # m/s; by satellites it is known late
# Of the vertical force: pushed harder, also aside, a wheel whose speed is not logged may lock.  No
# source.
LOCKS = 0.8
SLOWED = 0.15 * STANDARD_GRAVITY  # of a car that rolls; a braked car may stand on a slope
DRAG, ENGINE = 150.0, 350.0  # N, of a wheel that rolls, and of one that an engine turns
FRICTION = 2.5  # horizontal force over vertical force that no tyre holds
LOADED = 6.0  # static loads that no wheel bears for long
SELDOM = 0.95  # share of the drive below which use and load are judged
FEWEST = 20  # short means that a comparison needs


@by_part("loads")
def loads_agree(view: View, part: Part) -> Iterator[Term]:
    """Load against travel, brake against force, and friction and load against what can be."""
    for comparison in _comparisons(view, part):
        yield comparison.term
    for k, corner in enumerate(part.corners):
        yield from _possible(part.force[k], corner, _static(part, k))


def load_comparisons(view: View) -> Iterator[Comparison]:
    """Comparisons of each wheel's forces with its own travel and brake."""
    for part in view.parts.values():
        yield from _comparisons(view, part)


def _comparisons(view: View, part: Part) -> tuple[Comparison, ...]:
    return kept_in(part.worked_out, "load comparisons", lambda: tuple(_made(view, part)))


def _made(view: View, part: Part) -> Iterator[Comparison]:
    for k in range(len(part.corners)):
        travel = view.channel("travel", part.corners[k])
        if travel is not None:
            yield _on_spring(view, part, k, travel)
        if view.channel("brake_pressure", part.corners[k]) is not None:
            yield _braked(view, part, k)


def _static(part: Part, k: int) -> float:
    """Load [N] of wheel `k` of an assembly at rest."""
    return part.solver.estimator.references[k].vertical


def _on_spring(view: View, part: Part, k: int, travel: Floats) -> Comparison:
    """Load against travel, with the slope that fits best among those that springs can have."""
    corner, load = part.corners[k], part.force[k, 2]
    good = np.isfinite(load) & np.isfinite(travel)
    rise = travel - np.mean(travel[good]) if good.any() else travel
    static = _static(part, k)
    carried = static / STANDARD_GRAVITY
    least, most = (carried * (2 * np.pi * f) ** 2 for f in (SLOWEST, FASTEST))
    square = float(np.sum(rise[good] ** 2))
    slope = float(rise[good] @ load[good]) / max(square, 1e-300)
    mean = float(np.mean(load[good])) if good.any() else 0.0
    left = scatter(load - mean - slope * rise)
    carried_by = np.clip(abs(slope), least, most) * rise
    expected = mean + carried_by
    speed = motion_of(view).channel("slope_of_travel", corner)
    return Comparison(
        name=f"Fz of the {corner} tyre against the travel of its spring",
        place=corner,
        corners=(corner,),
        unit="N",
        seen=load,
        expected=expected,
        spread=OPEN * scatter(load) + left + 0.01 * static,
        effects=[DAMPED * np.clip(abs(slope), least, most) * np.nan_to_num(speed)],
        channels=(f"travel_{corner}",),
        # A slope that springs can have says nothing about the gain of the travel.
        shares={} if least < abs(slope) < most else {"travel": -carried_by},
    )


def _braked(view: View, part: Part, k: int) -> Comparison:
    """Force along the wheel against the torque of its brake, while it grips and the wheel turns."""
    name = part.corners[k]
    corner, motion = view.prepared.car.corners[name], motion_of(view)
    torque = part.samples.brake_torque[k]
    grips = (part.samples.mode[k] == MODES.index("braked")) & (torque > GRIPS * np.max(torque))
    radius = corner.wheel.loaded_radius
    # A car that stands on its brakes asks nothing of them.
    slow = np.where(np.isnan(motion.speed), motion.body[0] > -SLOWED, motion.speed < STANDS)
    grips &= ~slow
    # A wheel that is about to lock holds what its tyre holds, not what its brake could.
    grips &= ~(motion.channel("wheel_speed", name) * radius < ROLLS * motion.speed)
    if view.channel("wheel_speed", name) is None:
        aside, up = part.force[k, 1:]
        grips &= ~(np.hypot(torque / radius, aside) > LOCKS * up)
    spun = corner.wheel.spin_inertia * motion.channel("slope_of_wheel_speed", name)
    held = np.where(grips, -(torque + np.nan_to_num(spun)) / radius, np.nan)
    stated = corner.brake.u_torque_per_pressure / corner.brake.torque_per_pressure
    other = ENGINE if corner.driven else 0.5 * DRAG
    sensors = part.solver.session.wheels[k]
    heading = np.hypot(sensors.heading, sensors.rack_share * part.heading[k])
    return Comparison(
        name=f"Fx of the {name} tyre against the torque of its brake",
        place=name,
        corners=(name,),
        unit="N",
        seen=part.ahead[k],
        expected=held,
        spread=np.hypot(ENGINE if corner.driven else DRAG, WORN_PADS * held),
        effects=[
            np.hypot(WORN_PADS, np.nan_to_num(stated)) * held,
            other * np.ones(len(held)),
            heading * part.level[k, 1],
        ],
        channels=("brake_pressure",),
        shares={"brake_pressure": torque / radius},
    )


def _possible(force: Floats, corner: str, static: float) -> Iterator[Term]:
    """Friction and load that last against what tyres can bear; `static` [N] is that at rest."""
    ahead, aside, up = force
    with np.errstate(invalid="ignore"):
        use = np.hypot(ahead, aside)[up > 0.3 * static] / up[up > 0.3 * static]
    for name, values, most, words in (
        (
            "friction",
            use,
            FRICTION,
            "times its vertical force pushes the {c} tyre sideways or ahead",
        ),
        ("load", np.abs(up) / static, LOADED, "times its static load stands on the {c} tyre"),
    ):
        there = values[np.isfinite(values)]
        found = float(np.quantile(there, SELDOM)) if len(there) >= FEWEST else float("nan")
        yield Term(
            place=corner,
            corners=(corner,),
            name=f"{name} that a tyre can bear",
            size=(found / most) ** 2,
            count=1,
            limit=1.0,
            words=f"{found:.2f} {words.format(c=corner)} for {100 * (1 - SELDOM):.0f} % of the "
            f"drive or longer; {most:g} cannot be."
            if np.isfinite(found)
            else f"No redundancy: the {name} of {corner} cannot be known here.",
        )
