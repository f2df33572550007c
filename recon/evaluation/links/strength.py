"""Loads at which a straight tube with a pin at each end yields or buckles.

Handbook formulas for a perfect bar that is loaded along its axis.  Welds, bends, wear, threads, rod
ends and impacts are not in them; what they give is a comparison, not a clearance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, pi, sqrt

from recon.car.bridges import Tube

STEP = 1e-4  # of each size, for slopes of the column load
SIZES = ("outside_diameter", "wall", "youngs_modulus")


@dataclass(frozen=True, slots=True)
class Strength:
    """Loads of a tube [N] with their standard uncertainties; `column` says which law holds.

    `yields` holds in tension and compression, `buckles` in compression.
    """

    yields: float
    u_yields: float
    buckles: float
    u_buckles: float
    column: str


def column_stress(slenderness: float, modulus: float, strength: float) -> tuple[float, str]:
    """Compressive stress [Pa] at which a pin-ended column fails, and the law that gives it.

    `slenderness` [1] is length over radius of gyration, `modulus` [Pa] Young's modulus and
    `strength` [Pa] the yield strength.  The stress is the mean over the section, positive.  The law
    is "Euler", the hyperbola for slender columns, or "Johnson", the parabola below the slenderness
    where the two touch, at half the yield strength.

    Notes
    -----
    Source: handbooks of machine design, such as Shigley, "Columns"; from memory.
    """
    touching = sqrt(2 * pi**2 * modulus / strength)
    if slenderness >= touching:
        return pi**2 * modulus / slenderness**2, "Euler"
    return strength * (1 - strength * slenderness**2 / (4 * pi**2 * modulus)), "Johnson"


def radius_of_gyration(tube: Tube) -> float:
    """Radius of gyration of a round tube or rod, sqrt(OD^2 + ID^2) / 4 [m]."""
    inside = tube.outside_diameter - 2 * tube.wall
    return hypot(tube.outside_diameter, inside) / 4


def strength_of(tube: Tube, length: float, strength: float) -> Strength:
    """Loads at which a tube of some `length` [m] from pin to pin yields and buckles.

    The yield strength `strength` [Pa] is the least that is certified: it has no uncertainty of its
    own, as sizes and modulus of the tube have.
    """
    best = _loads(tube, length, strength)
    u = [0.0, 0.0]
    for name in SIZES:
        step = STEP * getattr(tube, name)
        moved = _loads(replace(tube, **{name: getattr(tube, name) + step}), length, strength)
        for k in range(2):
            u[k] = hypot(u[k], (moved[k] - best[k]) / step * getattr(tube, f"u_{name}"))
    _, law = column_stress(length / radius_of_gyration(tube), tube.youngs_modulus, strength)
    return Strength(best[0], u[0], best[1], u[1], law)


def _loads(tube: Tube, length: float, strength: float) -> tuple[float, float]:
    stress, _ = column_stress(length / radius_of_gyration(tube), tube.youngs_modulus, strength)
    return strength * tube.area, stress * tube.area
