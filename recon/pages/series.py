"""Series of a page: forces with their limits, a lane of states, ordinary channels, time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, known_mean
from recon.base.late import xr
from recon.pages.packed import Packed, channel_step, nice_step, packed, packed_states
from recon.records.forces import CHANNELS
from recon.report.drive.force_bands import lanes_of

SHARE_OF_NOISE = 0.5  # a step of half the noise loses nothing that was known
LONG, SHARE_OF_LONG = 200_000, 1.75  # samples; longer drives: rounding errs by half of the noise
COARSEST = 20.0  # N
STRETCH = 256  # samples of the outline of a long drive; scripts know it, too
CHANNEL_RATE = 50.0  # Hz; quick enough for a wheel that locks
WIDTH_STEP = 2.0  # N, of half-widths
TIME_STEP = 1e-4  # s
DEGREE = 57.29577951308232
# Ordinary channels that people read, with the unit on the page and the factor to it.
SHOWN = {
    "speed": ("km/h", 3.6),
    "acceleration": ("m/s2", 1.0),
    "yaw_rate": ("deg/s", DEGREE),
    "steer": ("deg", DEGREE),
    "throttle": ("%", 100.0),
    "gear": ("", 1.0),
    "brake_pressure": ("bar", 1e-5),
    "wheel_speed": ("rad/s", 1.0),
    "travel": ("mm", 1e3),
    "roll": ("deg", DEGREE),
    "pitch": ("deg", DEGREE),
}


@dataclass(frozen=True, slots=True)
class Series:
    """One packed series with its name, its unit on the page and where it belongs."""

    name: str
    kind: str  # force, half, skew, outline, lane, channel or time
    unit: str
    packed: Packed


def series_of(forces: xr.Dataset) -> Iterator[Series]:
    """Every series of the page; forces are in tyre axes [N] (elapsed_time, corner, component)."""
    yield Series("time", "time", "s", packed(forces["elapsed_time"].to_numpy(), TIME_STEP))
    for corner in map(str, forces["corner"].to_numpy()):
        yield from _of_corner(forces, corner)
    yield from _channels(forces)


def _of_corner(forces: xr.Dataset, corner: str) -> Iterator[Series]:
    tyre = forces.sel(corner=corner)
    value, low, high, noise = (
        tyre[name].to_numpy()
        for name in ("tyre_force", "tyre_force_lower", "tyre_force_upper", "u_tyre_force_random")
    )
    for i, axis in enumerate("xyz"):
        step = force_step(noise[:, i], len(value))
        name = f"{corner}.{axis}"
        yield Series(name, "force", "N", packed(value[:, i], step))
        yield Series(name, "half", "N", packed((high[:, i] - low[:, i]) / 2, WIDTH_STEP))
        skew = (high[:, i] + low[:, i]) / 2 - value[:, i]
        yield Series(name, "skew", "N", packed(skew, WIDTH_STEP))
        if len(value) >= LONG:
            outline = outline_of(value[:, i], low[:, i], high[:, i])
            yield Series(name, "outline", "N", packed(outline, step))
    yield Series(corner, "lane", "", packed_states(lane_codes(forces, corner)))


def outline_of(value: Floats, low: Floats, high: Floats) -> Floats:
    """Extremes of a force over short stretches, from which a long drive is drawn as a whole.

    Smallest and largest `value` of every `STRETCH` samples, then the smallest `low` and the largest
    `high`, one after the other; all (sample,) [N].
    """
    starts = np.arange(0, len(value), STRETCH)
    rows = (
        np.fmin.reduceat(value, starts),
        np.fmax.reduceat(value, starts),
        np.fmin.reduceat(low, starts),
        np.fmax.reduceat(high, starts),
    )
    return np.concatenate(rows)


def force_step(noise: Floats, samples: int) -> float:
    """Step of a force [N] whose noise (sample,) [N] is given: rounding errs by less than it."""
    share = SHARE_OF_LONG if samples >= LONG else SHARE_OF_NOISE
    known = noise[np.isfinite(noise)]
    if not known.size:
        return 1.0
    step = nice_step(share * float(np.median(known)), (1, 1.5, 2, 3, 5, 7))
    return min(max(step, 1.0), COARSEST)


def lane_codes(forces: xr.Dataset, corner: str) -> NDArray[np.uint8]:
    """State (sample,) [1] by its place among the lanes; what is worse hides what is better."""
    lanes = lanes_of(forces, corner)
    codes = np.zeros(forces.sizes["elapsed_time"], dtype=np.uint8)
    for code, mask in enumerate(lanes.values()):
        codes[mask] = code
    return codes


def _channels(forces: xr.Dataset) -> Iterator[Series]:
    """Ordinary channels in the units that people read, as means over short stretches."""
    every = max(int(float(forces.attrs["rate_Hz"]) / CHANNEL_RATE), 1)
    for name in (n for n in (*CHANNELS, "travel") if n in SHOWN and n in forces):
        unit, factor = SHOWN[name]
        of = forces[name]
        axes = [dim for dim in of.dims if dim != "elapsed_time"]
        labels = of[axes[0]].to_numpy().tolist() if axes else [""]
        for label in labels:
            one = of.sel({axes[0]: label}) if axes else of
            values = factor * one.to_numpy().astype(float)
            if not np.isfinite(values).any():
                continue
            words = f"{name} {label}".strip().replace("_", " ")
            short = _means(values, every)
            one_packed = packed(short, channel_step(short))
            one_packed.head["every"] = every
            yield Series(words, "channel", unit, one_packed)


def _means(values: Floats, every: int) -> Floats:
    """Means over stretches of `every` samples; the last one may be shorter."""
    if every == 1:
        return values
    padded = np.full(-(-len(values) // every) * every, np.nan)
    padded[: len(values)] = values
    return known_mean(padded.reshape(-1, every))
