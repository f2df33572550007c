"""Drives of a day that a club racer knows: a launch, a slalom, a circuit, and short runs.

Every function gives states for `virtual_drive`, whose truth then holds the events of the drive
(`event_kind`, `event_start`, `event_end` and figures) and slip and limit of every tyre.  All
figures are invented; magnitudes from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from recon.virtual.dampers import NO_DAMPER, Damper
from recon.virtual.drawing import VirtualCar
from recon.virtual.phases import Hop, Phase, Setting, plan_of, starts_of, time_of
from recon.virtual.stance import SPRING_RATE, Stance, stance_of
from recon.virtual.states import Event, States
from recon.virtual.tyre_curve import Grip
from recon.virtual.tyre_forces import ride

RATE = 200.0  # Hz
SIZE_OF_SPIN = 55.0  # m/s2 asked of tyres without a limit while the wheels spin
COASTING = -0.8  # m/s2, by which air and engine alone slow the car at 28 m/s
CONES, HALF_WAVE = 10, 1.2  # -, s: 18 m at 15 m/s
MOST_SIDEWAYS = 0.65  # of the lateral acceleration that lifts a wheel

# Two set-ups: the second has a softer front bar and front tyres that grip better.
SETTINGS = {"A": Setting(), "B": Setting(front_share=0.49, grip=Grip(friction=(1.065, 1.09)))}
RUN_SCATTER = 0.004  # of the grip, from run to run
GRIP_PER_KELVIN = 0.0015  # of the grip, of tyre temperature


@dataclass(frozen=True, slots=True)
class Start:
    """A launch: seconds of standing, of spinning wheels and of first gear, gaps of two shifts."""

    stands: float
    spins: float
    first: float
    gaps: tuple[float, float]
    frequency: float
    size: float
    growth: float
    decay: float
    apart: float


def draw_start(rng: np.random.Generator) -> Start:
    """Draw a launch at random."""
    return Start(
        stands=2.0,
        spins=rng.uniform(1.3, 1.7),
        first=rng.uniform(0.9, 1.2),
        gaps=(rng.uniform(0.22, 0.34), rng.uniform(0.20, 0.30)),
        frequency=rng.uniform(10.8, 12.4),
        size=rng.uniform(5.0e-3, 7.5e-3),
        growth=rng.uniform(4.0, 7.0),
        decay=rng.uniform(4.0, 6.0),
        apart=rng.uniform(-0.5, 0.5),
    )


def launch_states(
    virtual_car: VirtualCar,
    rng: np.random.Generator,
    *,
    rate: float = RATE,
    damper: Damper = NO_DAMPER,
) -> States:
    """Launch with hop and two shifts, then brake: 10 s.

    `virtual_car` has all four corners described; `rng` draws the launch and the shaking of the
    wheels; `rate` is the sampling rate [Hz] and `damper` that of every wheel.

    Raises VehicleError: the car lacks a corner.
    """
    start = draw_start(rng)
    phases = (*_launch(start), Phase(1.2, -11.0, gear=2, kind="straight braking"))
    return _started(virtual_car, phases, start, rng, rate, damper)


def circuit_states(
    virtual_car: VirtualCar,
    rng: np.random.Generator,
    *,
    rate: float = RATE,
    damper: Damper = NO_DAMPER,
    lean: float = 1.0,
    geared: bool = False,
) -> States:
    """Brake into a hairpin and drive a sweeper with power at the exit, both ways round: 38 s.

    The parameters are those of `launch_states`; the body leans `lean` times as much as usual.
    A `geared` engine drags by gear and speed, any other alike.
    """
    stance = stance_of(virtual_car.truth, "a drive")
    phases = (*_circuit(stance, 1.0), *_circuit(stance, -1.0))
    plan = plan_of(phases, rate, speed=16.0, damper=damper)
    plan = replace(plan, lean=lean, geared=geared)
    return ride(virtual_car, plan, rng)


def day_states(
    virtual_car: VirtualCar,
    rng: np.random.Generator,
    *,
    rate: float = RATE,
    damper: Damper = NO_DAMPER,
) -> States:
    """Launch, slalom and circuit in one drive, in which the car coasts once: 63 s.

    The parameters are those of `launch_states`.
    """
    stance = stance_of(virtual_car.truth, "a drive")
    start = draw_start(rng)
    side = _sideways(stance, 11.5)
    phases = (
        *_launch(start),
        Phase(1.6, -13.0, gear=2, kind="straight braking"),
        Phase(1.2, 0.0, gear=2),
        Phase(CONES * HALF_WAVE, 0.0, side, gear=2, kind="slalom", half_wave=HALF_WAVE, ramp=0.8),
        Phase(1.0, 0.0, gear=2, ramp=0.8),
        *_circuit(stance, 1.0),
        *_circuit(stance, -1.0, coasts=2.0),
    )
    return _started(virtual_car, phases, start, rng, rate, damper)


def run_states(
    virtual_car: VirtualCar,
    rng: np.random.Generator,
    *,
    setting: str | Setting = "A",
    tyre_temperature: float = 65.0,
    rate: float = RATE,
    damper: Damper = NO_DAMPER,
) -> States:
    """One short run of a comparison: a straight, a stop, and a corner with power at its exit: 7 s.

    `rng` draws how grip and driver differ from run to run, and the shaking of the wheels.  The
    `setting` is "A" or "B", or a set-up of its own; warmer tyres, `tyre_temperature` [degC], grip
    better.  Car, rate and damper are those of `launch_states`.

    Raises VehicleError: the car lacks a corner.
    """
    stance = stance_of(virtual_car.truth, "a drive")
    chosen = SETTINGS[setting] if isinstance(setting, str) else setting
    warm = 1 + GRIP_PER_KELVIN * (tyre_temperature - 65.0) + RUN_SCATTER * rng.standard_normal()
    front, rear = chosen.grip.friction
    chosen = replace(chosen, grip=replace(chosen.grip, friction=(warm * front, warm * rear)))
    late, more = 0.05 * rng.standard_normal(), 1 + 0.03 * rng.standard_normal()
    side = _sideways(stance, 24.0 * more)
    phases = (
        Phase(1.0 + late, 3.0, gear=3),
        Phase(1.0, -12.0 * more, gear=3, kind="straight braking"),
        Phase(3.0, 0.0, side, gear=2, kind="corner"),
        Phase(1.2, 5.5 * more, 0.7 * side, gear=2, kind="corner exit"),
        Phase(0.9, 4.0, gear=2),
    )
    plan = plan_of(phases, rate, speed=19.0, setting=chosen, damper=damper)
    return ride(virtual_car, plan, rng)


def _launch(start: Start) -> tuple[Phase, ...]:
    return (
        Phase(start.stands, 0.0, gear=1, kind="standstill"),
        Phase(start.spins, SIZE_OF_SPIN, gear=1, kind="spin", ramp=0.3),
        Phase(start.first, 8.0, gear=1, kind="caught", ramp=0.3),
        Phase(start.gaps[0], -0.3, gear=1, kind="shift", ramp=0.05),
        Phase(1.9, 5.5, gear=2, ramp=0.05),
        Phase(start.gaps[1], -0.3, gear=2, kind="shift", ramp=0.05),
        Phase(1.2, 4.2, gear=3, ramp=0.05),
    )


def _circuit(stance: Stance, way: float, *, coasts: float = 0.0) -> tuple[Phase, ...]:
    """A hairpin and a sweeper; with `way` 1 the first turns left and the second right.

    `coasts` [s] is how long the throttle is shut before the brakes of the last stop are touched.
    """
    hairpin, sweeper = way * _sideways(stance, 17.0), -way * _sideways(stance, 17.0)
    return (
        Phase(2.2, 4.5, gear=2),
        Phase(1.2, -13.0, gear=2, kind="straight braking"),
        Phase(0.8, -6.0, 0.5 * hairpin, gear=2, kind="corner entry"),
        Phase(1.2, 0.3, hairpin, gear=2, kind="corner middle", ramp=0.6),
        Phase(1.2, 0.3, 1.7 * hairpin, gear=2, kind="corner middle", ramp=0.6),
        Phase(1.3, 5.0, 0.5 * hairpin, gear=2, kind="corner exit", ramp=0.6),
        Phase(2.0, 5.0, gear=2, ramp=0.6),
        Phase(0.5, -5.0, gear=3, kind="straight braking"),
        Phase(0.7, -1.0, 0.5 * sweeper, gear=3, kind="corner entry"),
        Phase(2.6, 0.5, sweeper, gear=3, kind="corner middle", ramp=1.2),
        Phase(1.8, 4.5, 0.7 * sweeper, gear=3, kind="corner exit", ramp=0.6),
        Phase(1.2, 3.0, gear=3, ramp=0.6),
        *([Phase(coasts, COASTING, gear=3)] if coasts else []),
        Phase(1.6, -10.0, gear=2, kind="straight braking"),
    )


def _sideways(stance: Stance, wish: float) -> float:
    """Wish [m/s2] to the side, reduced for a car that would lift a wheel."""
    return wish * min(1.0, MOST_SIDEWAYS * stance.lifting / 10.0)


def _started(
    virtual_car: VirtualCar,
    phases: tuple[Phase, ...],
    start: Start,
    rng: np.random.Generator,
    rate: float,
    damper: Damper,
) -> States:
    """States of a drive that begins with a launch, with its hop."""
    stance = stance_of(virtual_car.truth, "a launch")
    caught = float(starts_of(phases)[2])
    hop = Hop(caught - 0.25, start.frequency, start.size, start.growth, start.decay, start.apart)
    motion = hop.motion(time_of(phases, rate), stance.driven)
    plan = plan_of(phases, rate, speed=0.0, hop=motion, damper=damper)
    states = ride(virtual_car, plan, rng)
    quick = 2 * np.pi * hop.frequency
    carried = stance.unsprung[stance.driven].mean() * quick**2
    # What dampers add lags by a quarter of a cycle; of their bent curve the first harmonic counts.
    swing = np.cos(np.linspace(0.0, 2 * np.pi, 256, endpoint=False))
    damped = 2 * np.mean(damper.force(hop.size * quick * swing) * swing)
    figures = {
        "frequency": hop.frequency,
        "amplitude": float(np.hypot(hop.size * (carried - SPRING_RATE), damped)),
        "growth": hop.growth,
        "decay": hop.decay,
        "phase": hop.apart,
    }
    shown = Event("hop", hop.peak - 2.0 / hop.growth, hop.peak + 2.0 / hop.decay, figures)
    return replace(states, events=(*states.events, shown))
