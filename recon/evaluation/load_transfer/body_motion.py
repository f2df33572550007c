"""Motion of the body in short means of a drive, in level axes, as far as it is logged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr
from recon.evaluation.sections.car_motion import speed_of
from recon.reconstruction.inputs.attitude import PITCH_RATE, ROLL_RATE

CHANNELS = ("acceleration", "roll", "pitch", "yaw_rate", "speed", "wheel_speed")
X, Y, Z = range(3)


@dataclass(frozen=True, slots=True)
class Body:
    """Motion of the body, (sample,) each, in the order of the short means it was made from.

    `acceleration` (sample, 2) along and to the left, level axes without gravity [m/s2], and its
    `change` [m/s3]; `roll` and `pitch` [rad] and their second derivatives `roll_change` and
    `pitch_change` [rad/s2]; `speed` [m/s] and `yaw_rate` [rad/s], NaN where not logged.
    `assumed` are sentences on what stands in for channels that are not logged; `by_forces` says
    that the acceleration is that of the forces over the mass, `leaning` that roll is a usual one.
    """

    acceleration: Floats
    change: Floats
    roll: Floats
    pitch: Floats
    roll_change: Floats
    pitch_change: Floats
    speed: Floats
    yaw_rate: Floats
    by_forces: bool
    leaning: bool
    assumed: tuple[str, ...]

    def at(self, places: NDArray[np.int64]) -> Body:
        """The motion at the positions `places` (sample,) alone."""
        own = {name: getattr(self, name)[places] for name in self.__slots__[:8]}
        return replace(self, **own)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Mask (sample,) of the motion that is known, with its changes: not beside a gap."""
        own = (self.acceleration, self.change, self.roll_change, self.pitch_change)
        return np.asarray(np.isfinite(np.column_stack(own)).all(axis=1))


def body_of(means: xr.Dataset) -> Body:
    """Motion of the body in the short means of forces, which hold the channels of `CHANNELS`."""
    force = means["tyre_force_intermediate"].to_numpy().astype(float)
    step = 1.0 / float(means.attrs["rate_Hz"])
    by_mass = force[..., :2].sum(axis=1) / float(means["vehicle_mass"])
    leaning = not {"roll", "pitch"} <= set(means.data_vars)
    assumed = []
    if leaning:
        roll, pitch = ROLL_RATE * by_mass[:, Y], -PITCH_RATE * by_mass[:, X]
        assumed.append(
            f"roll {1e3 * ROLL_RATE:g} and pitch {1e3 * PITCH_RATE:g} mrad per m/s2, common "
            "practice, because roll and pitch are not logged"
        )
    else:
        roll, pitch = (means[name].to_numpy().astype(float) for name in ("roll", "pitch"))
    by_forces = leaning or not _logged(means)
    acceleration = by_mass if by_forces else _level(means, roll, pitch)
    if by_forces:
        assumed.append(
            "acceleration is the sum of horizontal forces over the mass, because acceleration "
            "with roll and pitch is not logged"
        )
    none = np.full(len(force), np.nan)
    return Body(
        acceleration=acceleration,
        change=np.gradient(acceleration, step, axis=0),
        roll=roll,
        pitch=pitch,
        roll_change=_second(roll, step),
        pitch_change=_second(pitch, step),
        speed=speed_of(means),
        yaw_rate=means["yaw_rate"].to_numpy().astype(float) if "yaw_rate" in means else none,
        by_forces=by_forces,
        leaning=leaning,
        assumed=tuple(assumed),
    )


def _logged(means: xr.Dataset) -> bool:
    return "acceleration" in means and bool(
        np.isfinite(means["acceleration"].to_numpy()).any(axis=0).all()
    )


def _level(means: xr.Dataset, roll: Floats, pitch: Floats) -> Floats:
    """Acceleration (sample, 2) [m/s2] of the logged specific force, turned into level axes.

    Vehicle axes follow from level ones by Rx(-roll) Ry(-pitch); gravity then has no horizontal
    part.
    """
    x, y, z = means["acceleration"].to_numpy().astype(float).T
    across = np.cos(roll) * y - np.sin(roll) * z
    upward = np.sin(roll) * y + np.cos(roll) * z
    return np.column_stack([np.cos(pitch) * x + np.sin(pitch) * upward, across])


def _second(angle: Floats, step: float) -> Floats:
    """Second derivative (sample,) of an angle (sample,) [rad] by central differences [rad/s2]."""
    return np.gradient(np.gradient(angle, step), step)


def turning(body: Body, means: xr.Dataset) -> Floats:
    """Yaw rate (sample,) [rad/s]: logged, or of a car without sideslip; zero where neither is."""
    force = means["tyre_force_intermediate"].to_numpy()[..., Y].sum(axis=1)
    without = force / float(means["vehicle_mass"]) / np.maximum(body.speed, 3.0)
    return np.nan_to_num(np.where(np.isnan(body.yaw_rate), without, body.yaw_rate))
