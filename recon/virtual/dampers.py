"""Dampers at the wheel: force over speed, up to a knee and beyond it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats


@dataclass(frozen=True, slots=True)
class Damper:
    """Damper with `rate` [N s/m] up to the speed `knee` [m/s] and a share `beyond` [1] of it above.

    Valves that open make usual dampers grow harder less quickly from some speed on.
    """

    rate: float = 0.0
    knee: float = np.inf
    beyond: float = 1.0

    def force(self, speed: Floats) -> Floats:
        """Force [N] at a `speed` [m/s], any one shape (...,), with the same sign."""
        slow = np.clip(speed, -self.knee, self.knee)
        return np.asarray(self.rate * (slow + self.beyond * (speed - slow)))


NO_DAMPER = Damper()
