"""The channel that would narrow the intervals most if it were logged."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from recon.base.quantities import COMPONENTS
from recon.reconstruction.causes.cause import Cause
from recon.reconstruction.causes.usual_loads import usual_samples, variances_of_effects
from recon.reconstruction.inputs.session_of_log import WARMING_UNKNOWN
from recon.reconstruction.solving.solver import Solver

# Causes, as patterns of `Source.what`, that a channel would replace by a sensor's small error.
REPLACED = {
    "hub_acceleration": "(hub|body) acceleration [xyz]",
    "acceleration": "body acceleration [xyz]",
    "travel": "travel|(roll|pitch) on the springs",
    "roll and pitch": "(roll|pitch) (of the body|on the springs)",  # one alone is not used
    "steer": "steer",
    "brake_pressure": "hub moment",
    "gauge_temperature": "thermal slope of the links",
}
LEAST = 0.05  # of the uncertainty: less is not worth a line


@dataclass(frozen=True, slots=True)
class Worth:
    """Standard uncertainty [N] of force `component` of `corner`, `now` and with `channel`."""

    channel: str
    corner: str
    component: str
    now: float
    then: float

    def __str__(self) -> str:
        """The gain in one sentence."""
        return (
            f"of the channels that are not logged, {self.channel} would narrow the intervals most: "
            f"{self.component} of {self.corner} from {self.now:.0f} to about {self.then:.0f} N "
            "(standard uncertainty, in a corner or a stop at 0.7 g)"
        )


def most_useful(solvers: tuple[Solver, ...]) -> Worth | None:
    """The single channel whose absence costs a force most, None where none costs much."""
    found = [
        worth for solver in solvers for channel in REPLACED if (worth := _worth(solver, channel))
    ]
    return max(found, key=lambda worth: worth.now - worth.then, default=None)


def _worth(solver: Solver, channel: str) -> Worth | None:
    """The force of an assembly that the channel would narrow most."""
    samples = usual_samples(solver.estimator, solver.scale)
    mine = [cause for cause in solver.causes if _replaced(solver, channel, cause)]
    if not mine:
        return None
    own = variances_of_effects(mine, samples)
    every = variances_of_effects(list(solver.causes), samples)
    modes = [sample.mode for sample in samples]
    every += solver.random[modes][:, : own.shape[1]]
    now, then = np.sqrt(every.mean(axis=0)), np.sqrt((every - own).mean(axis=0))
    gain = now - then
    gain[list(solver.outputs.lost)] = 0.0
    k = int(np.argmax(gain))
    if gain[k] <= LEAST * now[k]:
        return None
    corner = solver.assembly.corners[k // 3].name
    return Worth(channel, corner, f"F{COMPONENTS[k % 3]}", float(now[k]), float(then[k]))


def _replaced(solver: Solver, channel: str, cause: Cause) -> bool:
    """True for a cause that is there because the channel is not logged."""
    if cause.part != "assumption" or not re.fullmatch(REPLACED[channel], cause.source.what):
        return False
    session = solver.session
    if channel == "gauge_temperature":
        return session.warming == WARMING_UNKNOWN
    if channel == "brake_pressure":
        wheels = zip(solver.assembly.corners, session.wheels, strict=True)
        return any(
            corner.name == cause.source.of
            and corner.brake.place == "outboard"
            and not sensors.pressure_logged
            for corner, sensors in wheels
        )
    return True
