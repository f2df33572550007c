"""A simple tyre with a limit that is sensitive to load: force over slip, and back.

The limit is  F = mu F0 (Fz / F0)^n  with n < 1.  Force rises with slip as a hyperbolic tangent,
stays on a plateau, and fades a little where the tyre spins or slides.  Slip is counted in
multiples of the slip at which force would reach its limit if it rose in proportion.  Shape and
figures are invented; magnitudes from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats

FADE, FADES_FROM, FADES_OVER = 0.10, 2.6, 4.0  # share of the limit, and slip
SLIP_AHEAD = 0.035  # longitudinal slip at a slip of one
SLIP_ANGLE = 0.045  # rad at a slip of one
MOST_USED = 0.99  # use of a limit beyond which slip cannot be read back from force


@dataclass(frozen=True, slots=True)
class Grip:
    """Limit of the tyres of each axle.

    `friction` (front, rear) at `load` [N], and the exponent `sensitivity` of the load.
    """

    friction: tuple[float, float] = (1.02, 1.09)
    load: float = 2000.0
    sensitivity: float = 0.88

    def limit(self, upward: Floats) -> Floats:
        """Largest horizontal forces (n, corner) [N] under the loads `upward` [N], FL FR RL RR."""
        friction = np.array(self.friction)[[0, 0, 1, 1]]
        share = np.maximum(upward, 1.0) / self.load
        return np.asarray(friction * self.load * share**self.sensitivity)


def share_of_limit(slip: Floats) -> Floats:
    """Force over its limit (...,) at `slip` (...,), both 1."""
    way = np.clip((slip - FADES_FROM) / FADES_OVER, 0.0, 1.0)
    return np.asarray(np.tanh(slip) * (1 - FADE * way**2 * (3 - 2 * way)))


def slip_of(share: Floats) -> Floats:
    """Slip (...,) before the plateau at which a tyre gives `share` (...,) of its limit."""
    return np.asarray(np.arctanh(np.clip(share, 0.0, MOST_USED)))
