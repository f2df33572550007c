"""Evidence that a tyre was at its limit: lock, spin, or a force that no longer rises with slip.

A large force alone shows what a tyre did, not what it could have done.  The slip of each wheel is
calculated from ordinary channels; where one of them is not logged there is no evidence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs, sampling_interval
from recon.base.late import xr
from recon.base.quantities import STANDARD_GRAVITY

# Common practice, no source: beyond 20 % and 1 m/s a wheel is past the peak of any dry tyre.
SLIDING, SLIDING_SPEED = 0.2, 1.0  # share of speed, m/s
SLIDING_TIME, BEFORE = 0.05, 0.3  # s: shortest slide; time before it in which the force counts
SLID = 0.3  # m of sliding; a tyre that slid less may still build up its force
SLOWEST = 3.0  # m/s; slip is noise below it
CALM, CALM_YAW = 0.1, 0.05  # g, rad/s: the car goes straight, without sideslip
YAW_DRIFT = 0.005  # rad/s, standard uncertainty of the rate of sideslip
U_ANGLE = np.radians(0.5)  # of a slip angle beside that; the case car shows 0.2 to 0.7 deg
NEAR_TOP = 0.85  # of the envelope: a plateau lies above it
FLAT = 0.2  # relative rise of force over relative rise of slip; 1 far from the limit
MOST_RISE = 0.07  # of the force along a plateau
BIN_TIME = 0.1  # s of samples in a bin of slip
GROWTH = 1.3  # ratio by which slip grows along a plateau
ANGLE, RATIO = np.radians(0.5), 0.01  # width of a bin of slip angle and of slip ratio
CHUNK = 1 << 14  # samples that fit the cache
LEAST_ANGLE, LEAST_RATIO = np.radians(1.0), 0.03  # least growth of slip along a plateau


@dataclass(frozen=True, slots=True)
class Slip:
    """Slip of each wheel, (sample, corner), NaN where it is not known.

    `ratio` is positive where the wheel drives, `speed` the same in m/s; `u_speed` (sample,) is the
    standard uncertainty of the latter by clocks of several loggers.  `angle` [rad] is positive
    where the road pushes the tyre to the left; `u_angle` (sample,) is its standard uncertainty.
    `missing` names the channels that are not there, by kind of slip.
    """

    ratio: Floats
    speed: Floats
    u_speed: Floats
    angle: Floats
    u_angle: Floats
    missing: dict[str, str]

    def u_ratio(self, corner: int) -> Floats:
        """Standard uncertainty (sample,) [1] of the ratio of one wheel."""
        ratio, speed = np.abs(self.ratio[:, corner]), np.abs(self.speed[:, corner])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(ratio > 0, self.u_speed * ratio / speed, 0.0)


def slip_of(forces: xr.Dataset) -> Slip:
    """Slip of each wheel by wheel speeds, speed, yaw rate and the forces themselves.

    Ratio [1] and angle [rad], x forward and y left; the forces have the ordinary channels of the
    log.
    """
    shape = forces["tyre_force_intermediate"].shape[:2]
    empty = np.full(shape, np.nan)
    ratio, speed, angle = empty, empty, empty
    u_speed, u_angle = np.full((2, shape[0]), np.nan)
    lacking = {
        kind: ", ".join(name.replace("_", " ") for name in names if name not in forces)
        for kind, names in {
            "along": ("wheel_speed", "speed"),
            "sideways": ("yaw_rate", "speed", "heading"),
        }.items()
    }
    if not lacking["along"]:
        ratio, speed = _along(forces)
        u_speed = _u_by_clocks(forces)
    if not lacking["sideways"]:
        angle, u_angle = _sideways(forces)
        if not np.isfinite(angle).any():
            lacking["sideways"] = "a straight stretch before and after the corners"
    return Slip(ratio, speed, u_speed, angle, u_angle, lacking)


def _along(forces: xr.Dataset) -> tuple[Floats, Floats]:
    """Slip ratio and slip speed [m/s] of each wheel (sample, corner)."""
    car, wheels = forces["speed"].to_numpy(), forces["wheel_speed"].to_numpy()
    yaw, aside = np.zeros(len(car)), np.zeros(wheels.shape[1])
    if "yaw_rate" in forces:
        yaw, aside = forces["yaw_rate"].to_numpy(), forces["contact_point"].to_numpy()[:, 1]
    # Samples of a wheel side by side in memory, and as many at once as fit the cache.
    ratio, speed = np.empty((2, *wheels.shape[::-1]))
    for k, radius in enumerate(forces["loaded_radius"].to_numpy()):
        for start in range(0, len(car), CHUNK):
            part = slice(start, start + CHUNK)
            road, wheel = car[part] - yaw[part] * aside[k], wheels[part, k] * radius
            faster = np.maximum(np.maximum(np.abs(road), np.abs(wheel)), SLIDING_SPEED)
            np.subtract(wheel, road, out=speed[k, part])
            np.divide(speed[k, part], faster, out=ratio[k, part])
    return ratio.T, speed.T


def _u_by_clocks(forces: xr.Dataset) -> Floats:
    """Standard uncertainty (sample,) [m/s] of slip speeds by clocks of wheels and car.

    A wheel that shows its speed later than the car shows its own seems to slip as the car gains
    speed; infinite where nobody knows how fast it does.
    """
    clocks = [forces[name].attrs.get("u_clock", 0.0) for name in ("wheel_speed", "speed")]
    if not any(clocks):
        return np.zeros(forces.sizes["elapsed_time"])
    gained = np.nan_to_num(np.abs(_acceleration(forces, 0)), nan=np.inf)
    return float(np.hypot(*clocks)) * gained


def _sideways(forces: xr.Dataset) -> tuple[Floats, Floats]:
    """Slip angle (sample, corner) and its u (sample,) [rad], sideslip integrated over corners."""
    time, speed = forces["elapsed_time"].to_numpy(), forces["speed"].to_numpy().astype(float)
    yaw = forces["yaw_rate"].to_numpy().astype(float)
    aside = _acceleration(forces, 1)
    moving = np.maximum(speed, SLOWEST)
    rate = np.nan_to_num(aside / moving - yaw)
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time))])
    calm = (np.abs(aside) < CALM * STANDARD_GRAVITY) & (np.abs(yaw) < CALM_YAW)
    calm &= speed > SLOWEST
    anchors = np.flatnonzero(calm)
    if not anchors.size:
        return np.full(forces["heading"].shape, np.nan), np.full(len(time), np.nan)
    sideslip = turned - np.interp(time, time[anchors], turned[anchors])
    after = (np.cumsum(calm) - calm).clip(0, len(anchors) - 1)  # anchors before each sample
    near = [np.abs(time - time[anchors[k]]) for k in (after, np.maximum(after - 1, 0))]
    u = np.hypot(U_ANGLE, YAW_DRIFT * np.minimum(*near))
    ahead = (forces["contact_point"] - forces["centre_of_mass"]).transpose(..., "component")
    turning = yaw / moving
    sideslip[speed <= SLOWEST] = np.nan
    angle = forces["heading"].to_numpy().T.astype(float)
    for k, lever in enumerate(ahead.to_numpy()[:, 0]):
        angle[k] -= sideslip + turning * lever
    return angle.T, u


def _acceleration(forces: xr.Dataset, axis: int) -> Floats:
    """Acceleration ahead or to the left (sample,) [m/s2]: forces over mass, else as logged."""
    force = forces["tyre_force_intermediate"].to_numpy()[..., axis]
    if force.shape[1] == 4 and np.isfinite(force).mean() > 0.5:
        return np.asarray(force.sum(axis=1) / float(forces["vehicle_mass"]), dtype=float)
    if "acceleration" in forces:
        return np.asarray(forces["acceleration"].to_numpy()[:, axis], dtype=float)
    return np.full(len(force), np.nan)


def evidence_of(
    slip: Slip, direction: str, corner: int, at: NDArray[np.int64], use: Floats, time: Floats
) -> str:
    """Evidence of the limit in words; empty if there is none.

    `direction` is "left", "right", "drive" or "brake", and `corner` the position of the tyre.  `at`
    (sample,) are the positions of the samples of this direction along `elapsed_time`, `use`
    (sample,) [1] is their force over the envelope; `time` (every sample,) [s].
    """
    every = sampling_interval(time)
    if direction in ("drive", "brake"):
        sign = 1.0 if direction == "drive" else -1.0
        sliding = _slide(sign, slip, corner, at, use, time)
        if sliding:
            return sliding
        size = sign * slip.ratio[at, corner]
        found = _plateau(
            size, use, RATIO, LEAST_RATIO + 2.0 * _usual(slip.u_ratio(corner)[at]), every
        )
        words = "slip grew from {:.0f} to {:.0f} % while the force rose by {:.0f} %"
        return words.format(*(100 * np.array(found))) if found else ""
    sign = 1.0 if direction == "left" else -1.0
    size = sign * slip.angle[at, corner]
    least = LEAST_ANGLE + 2.0 * _usual(slip.u_angle[at])
    found = _plateau(size, use, ANGLE, least, every)
    if not found:
        return ""
    first, last, rise = found
    return (
        f"slip angle grew from {np.degrees(first):.1f} to {np.degrees(last):.1f} deg while the "
        f"force rose by {100 * rise:.0f} %"
    )


def _slide(
    sign: float, slip: Slip, corner: int, at: NDArray[np.int64], use: Floats, time: Floats
) -> str:
    """The longest lock (`sign` -1) or spin (+1) that came with a force near the envelope."""
    ratio, speed = sign * slip.ratio[:, corner], sign * slip.speed[:, corner]
    with np.errstate(invalid="ignore"):
        sliding = ratio - 2.0 * slip.u_ratio(corner) > SLIDING
        sliding &= speed - 2.0 * slip.u_speed > SLIDING_SPEED
    strong = time[at[use >= NEAR_TOP]]
    step = sampling_interval(time)
    found = []
    for first, last in runs(sliding):
        start, end = time[first], time[last - 1]
        place = np.searchsorted(strong, start - BEFORE)
        enough = end - start >= SLIDING_TIME and speed[first:last].sum() * step >= SLID
        if enough and place < len(strong) and strong[place] <= end:
            found.append((end - start + step, start, float(ratio[first:last].max())))
    if not found:
        return ""
    lasted, start, most = max(found)
    word = "spun" if sign > 0 else "locked or nearly so"
    return f"wheel {word} at {start:.2f} s for {lasted:.2f} s ({100 * most:.0f} % slip)"


def _usual(u: Floats) -> float:
    """Median of the uncertainties (sample,) that are known; 0 if none is."""
    return float(np.nanmedian(u)) if np.isfinite(u).any() else 0.0


def _plateau(
    size: Floats, use: Floats, width: float, least: float, every: float
) -> tuple[float, float, float] | None:
    """Slip at both ends of a stretch where force hardly rises, and the rise; None if none is.

    `size` and `use` (sample,); bins of slip are `width` wide, slip grows at least by `least`.
    """
    known = np.isfinite(size) & (size > 0)
    if not known.any():
        return None
    place = (size[known] / width).astype(np.int64)
    strong = use[known]
    order = np.argsort(place, kind="stable")
    place, strong = place[order], strong[order]
    bins, first, count = np.unique(place, return_index=True, return_counts=True)
    enough = count * every >= BIN_TIME
    middle = (bins[enough] + 0.5) * width
    height = np.array(
        [np.median(strong[a : a + n]) for a, n in zip(first, count, strict=True) if
         n * every >= BIN_TIME]
    )  # fmt: skip
    for j in range(len(middle) - 1, 0, -1):
        b = middle[j]
        before = np.flatnonzero((b - middle >= least) & (b >= GROWTH * middle))
        if not before.size:
            continue
        i = before[-1]  # what lies before is less of a plateau
        rise = min(MOST_RISE, FLAT * float(np.log(b / middle[i])))
        least_height = max(NEAR_TOP, float(height[j]) * (1.0 - rise))
        if height[i : j + 1].min() >= least_height:
            return float(middle[i]), float(b), float(height[j] / height[i] - 1.0)
    return None
