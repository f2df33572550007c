"""Expected indication per newton of a bridge on a tube: handbook small-strain formulas.

A tube of cross-section A under the tension F has the strain F / (E A) along it and
-nu F / (E A) around it.  A bridge with n active arms shows a quarter of the gauge factor per
arm; a gauge around the tube (Poisson gauge) counts nu of an arm.  The factors are those that
strain-gauge handbooks give for small strains; the second-order term in strain, which is below
0.2 % at 1000 um/m, is left out.  Uncertainties join by root sum of squares of first-order
sensitivities (GUM, JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi
from typing import Literal, get_args

Bridge = Literal["full_axial", "half_axial_opposite", "half_poisson", "quarter"]
BRIDGES: tuple[str, ...] = get_args(Bridge)

# Active arms along the tube and around it.
_ARMS = {
    "full_axial": (2.0, 2.0),
    "half_axial_opposite": (2.0, 0.0),
    "half_poisson": (1.0, 1.0),
    "quarter": (1.0, 0.0),
}


@dataclass(frozen=True, slots=True)
class Tube:
    """Round tube, SI: outside diameter and wall [m], Young's modulus [Pa], Poisson's ratio [1]."""

    outside_diameter: float
    u_outside_diameter: float
    wall: float
    u_wall: float
    youngs_modulus: float
    u_youngs_modulus: float
    poisson_ratio: float
    u_poisson_ratio: float

    @property
    def area(self) -> float:
        """Cross-section pi (OD - wall) wall [m2], the same as pi/4 (OD^2 - ID^2)."""
        return pi * (self.outside_diameter - self.wall) * self.wall


def tube_strain(tube: Tube) -> tuple[float, float]:
    """Strain along the tube per newton of tension, 1 / (E A), and its u [1/N]."""
    diameter, wall = tube.outside_diameter, tube.wall
    middle = diameter - wall
    strain = 1.0 / (tube.youngs_modulus * tube.area)
    # d(ln A)/d(OD) = 1/(OD - t) and d(ln A)/dt = (OD - 2 t)/((OD - t) t).
    relative = hypot(
        tube.u_youngs_modulus / tube.youngs_modulus,
        tube.u_outside_diameter / middle,
        tube.u_wall * (diameter - 2 * wall) / (middle * wall),
    )
    return strain, strain * relative


def bridge_factor(bridge: str, poisson_ratio: float) -> float:
    """Active arms of a bridge that see axial strain (handbook "bridge factor").

    quarter 1; half_poisson 1 + nu; half_axial_opposite 2; full_axial 2 (1 + nu).
    """
    along, around = _ARMS[bridge]
    return along + around * poisson_ratio


def ratio_slope(
    bridge: str, tube: Tube, gauge_factor: float, u_gauge_factor: float
) -> tuple[float, float]:
    """Indication per newton of tension of a channel that reads in mV/V, and its u [mV/V per N].

    slope = 1000 (GF / 4) (bridge factor) / (E A), positive for tension as wired by the book.
    """
    strain, u_strain = tube_strain(tube)
    factor = bridge_factor(bridge, tube.poisson_ratio)
    slope = 1e3 * gauge_factor / 4 * factor * strain
    relative = hypot(
        u_strain / strain,
        u_gauge_factor / gauge_factor,
        _ARMS[bridge][1] * tube.u_poisson_ratio / factor,
    )
    return slope, slope * relative


def strain_slope(tube: Tube) -> tuple[float, float]:
    """Indication per newton of tension of a strain channel, 1e6 / (E A), and its u [um/m per N]."""
    strain, u_strain = tube_strain(tube)
    return 1e6 * strain, 1e6 * u_strain


@dataclass(frozen=True, slots=True)
class TubeBridge:
    """A bridge on a round tube under tension, and the channel's unit: mV/V or microstrain.

    `gauge_factor` is that of the strain gauges; a channel in microstrain has it applied already.
    """

    bridge: str
    tube: Tube
    gauge_factor: float
    u_gauge_factor: float
    unit: str

    def slope(self) -> tuple[float, float]:
        """Return the indication [unit/N] of tension and its standard uncertainty."""
        if self.unit == "microstrain":
            return strain_slope(self.tube)
        return ratio_slope(self.bridge, self.tube, self.gauge_factor, self.u_gauge_factor)


@dataclass(frozen=True, slots=True)
class BenchPull:
    """Slope that a bench pull gave, and its standard uncertainty.

    [unit/N], per newton metre for bending and torsion.
    """

    value: float
    u: float

    def slope(self) -> tuple[float, float]:
        """Return the slope and its standard uncertainty [unit/N]."""
        return self.value, self.u
