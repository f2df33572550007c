"""Mass, wheel positions and quasi-static loads of a virtual car with four corners.

All figures are invented; magnitudes from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.car.vehicle import Corner, Vehicle

FRONT_SHARE = 0.52  # share of the front axle in the lateral load transfer
ROLL_RATE, PITCH_RATE = 0.0042, 0.0020  # rad per m/s2, body on its springs
TYRE_RATE = 200e3  # N/m
SPRING_RATE = 35e3  # N/m at the wheel
ROAD_BAND = (5.0, 15.0)  # Hz
ROAD_SHAKE = 3.0  # m/s2 rms of the hub, upwards
SIDE_SHAKE = 0.3  # m/s2 rms of the hub, forwards and sideways
ROLLING_DRAG = 0.012  # share of Fz
REAR_PRESSURE = 0.6  # share of the front line's pressure
AXLE = np.array([0, 0, 1, 1])  # axle of each corner FL, FR, RL, RR


@dataclass(frozen=True, slots=True)
class Stance:
    """Mass and wheel positions: `mass` [kg] and `height` [m] of the centre of mass.

    `arm` (corner, xyz) [m] from the centre of mass to the wheel centres, `radius` (corner,) [m].
    """

    corners: tuple[Corner, ...]
    mass: float
    height: float
    arm: Floats
    radius: Floats

    @property
    def track(self) -> Floats:
        """Track widths of front and rear axle (2,) [m]."""
        return self.arm[[0, 2], 1] - self.arm[[1, 3], 1]

    @property
    def to_front(self) -> float:
        """Distance of the front axle ahead of the centre of mass [m]."""
        return float(self.arm[:2, 0].mean())

    @property
    def to_rear(self) -> float:
        """Distance of the rear axle behind the centre of mass [m]."""
        return float(-self.arm[2:, 0].mean())

    @property
    def base(self) -> float:
        """Wheelbase [m]."""
        return self.to_front + self.to_rear

    @property
    def gyration(self) -> float:
        """Yaw inertia over mass [m2]: two masses over the axles, common practice, no source."""
        return self.to_front * self.to_rear

    @property
    def lifting(self) -> float:
        """Lateral acceleration that lifts the inner wheels of a rigid car [m/s2]."""
        return float(STANDARD_GRAVITY * self.track.min() / (2 * self.height))

    @property
    def driven(self) -> np.ndarray:
        """Driven wheels (corner,); the rear ones if none is stated to be driven."""
        stated = np.array([c.driven for c in self.corners])
        return stated if stated.any() else np.array([False, False, True, True])

    @property
    def unsprung(self) -> Floats:
        """Unsprung masses (corner,) [kg]."""
        return np.array([c.unsprung_mass for c in self.corners])


def stance_of(truth: Vehicle, what: str) -> Stance:
    """Stance of a car with four corners; `what` names the drive that needs them.

    Raises VehicleError: the car lacks a corner, so that load transfer cannot be calculated.
    """
    missing = [c for c in CORNERS if c not in truth.corners]
    if missing:
        raise VehicleError(
            where=f"vehicle '{truth.name}'",
            found=f"no corner {', '.join(missing)}",
            needed=f"all four corners for {what}",
            do="Describe the missing corners.",
        )
    corners = tuple(truth.corners[c] for c in CORNERS)
    arm = np.array([c.wheel.centre for c in corners]) - np.array(truth.centre_of_mass)
    radius = np.array([c.wheel.loaded_radius for c in corners])
    return Stance(corners, truth.mass, truth.centre_of_mass[2], arm, radius)


def vertical(
    stance: Stance, pitching: Floats, rolling: Floats, front_share: float = FRONT_SHARE
) -> Floats:
    """Vertical forces (n, corner) [N] of weight and load transfer.

    `pitching` and `rolling` (n,) [N m] are moments that the tyres balance by load transfer, to the
    rear and to the right; `front_share` [1] is the share of the front axle in the lateral one.
    """
    share = np.array([stance.to_rear] * 2 + [stance.to_front] * 2) / (2 * stance.base)
    pitched = pitching / (2 * stance.base)
    out = stance.mass * STANDARD_GRAVITY * share + pitched[:, None] * [-1.0, -1.0, 1.0, 1.0]
    part = np.array([front_share] * 2 + [1 - front_share] * 2)
    side = np.array([-1.0, 1.0, -1.0, 1.0])  # acceleration to the left loads the right wheels
    # Wheels that are not symmetric about the centre of mass change the roll moment as well.
    y = stance.arm[:, 1]
    off_centre = out * (y[[0, 0, 2, 2]] + y[[1, 1, 3, 3]])
    turned = rolling[:, None] * part
    return np.asarray(out + side * (turned + off_centre) / stance.track[AXLE])


def rough_road(time: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Random upward acceleration [m/s2] and displacement [m] of the four hubs, (n, corner)."""
    frequency = np.fft.rfftfreq(len(time), time[1] - time[0])
    band = (frequency > ROAD_BAND[0]) & (frequency < ROAD_BAND[1])
    spectrum = np.fft.rfft(rng.standard_normal((len(time), 4)), axis=0) * band[:, None]
    shake = np.fft.irfft(spectrum, len(time), axis=0)
    scale = ROAD_SHAKE / np.std(shake)
    # Displacement is acceleration divided by -(2 pi f)^2, frequency by frequency.
    square = -((2 * np.pi * np.where(band, frequency, 1.0)) ** 2)
    moved = np.fft.irfft(spectrum / square[:, None], len(time), axis=0)
    return scale * shake, scale * moved


def level_hubs(stance: Stance, yaw_rate: Floats, yaw_change: Floats, level: Floats) -> Floats:
    """Specific force of the hubs in level axes (n, corner, xyz) [m/s2], yaw terms included.

    `yaw_rate` (n,) [rad/s], `yaw_change` (n,) [rad/s2], `level` (n, xyz) [m/s2] that of the body.
    """
    rate, change = yaw_rate[:, None], yaw_change[:, None]
    x, y = stance.arm[:, 0], stance.arm[:, 1]
    out = np.repeat(level[:, None], len(x), axis=1)
    out[..., 0] += -change * y - rate**2 * x
    out[..., 1] += change * x - rate**2 * y
    return out


def smooth(share: Floats) -> Floats:
    """Ramp (...,) from 0 to 1, level at both ends; `share` (...,) [1] is the way along it."""
    share = np.clip(share, 0.0, 1.0)
    return np.asarray(share**2 * (3 - 2 * share))
