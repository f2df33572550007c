"""Envelopes of every tyre of a drive, in four directions, and the samples that they rest on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.status import AT_BOUND, BIT
from recon.conditioning.filters import is_filtered, low_pass
from recon.evaluation.grip.envelope import (
    BAND,
    ENOUGH,
    LOWEST_LOAD,
    USUAL_EXPONENT,
    Bands,
    Law,
    Samples,
    bands_of,
    law_of,
)
from recon.evaluation.grip.runs_of_set_up import Drives

# Direction of the force of the road on the tyre: left in left turns, drive forward.
DIRECTIONS = ("left", "right", "drive", "brake")
IN_WORDS = {
    "left": "in a left turn",
    "right": "in a right turn",
    "drive": "driving",
    "brake": "braking",
    "brake-left": "braking in a left turn",
    "brake-right": "braking in a right turn",
    "drive-left": "driving in a left turn",
    "drive-right": "driving in a right turn",
}
HARDER = {
    "left": "corner harder to the left",
    "right": "corner harder to the right",
    "drive": "accelerate harder",
    "brake": "brake harder",
    **dict.fromkeys(("brake-left", "brake-right"), "brake into corners"),
    **dict.fromkeys(("drive-left", "drive-right"), "accelerate out of corners"),
}
SECTOR = np.cos(np.radians(30.0))  # of a force that counts as pure in its direction
LEAST_USE = 0.6  # horizontal force over load that is hard work for a tyre on a dry road

FEWEST_HELD, HELD_SHARE = 3, 0.005  # samples at the friction limit that spoil an envelope


@dataclass(frozen=True, slots=True)
class Gate:
    """Samples that enter an envelope.

    Vertical force above `low_load` [N]; hard work is a horizontal force above `least_use` times
    the vertical one.  Forces are low-passed to `bandwidth` [Hz] where it is given.  `inside`
    (sample of any drive,) restricts them, for example to one part or to some drives.
    """

    low_load: float = LOWEST_LOAD
    least_use: float = LEAST_USE
    bandwidth: float | None = None
    inside: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Envelope:
    """Envelope of the tyre at position `corner` in one direction, and what it rests on.

    `place` (sample,) is the cell of each sample in the bands.
    """

    corner: int
    samples: Samples
    bands: Bands
    place: NDArray[np.int64]
    quiet: Bands
    law: Law

    @property
    def loads(self) -> tuple[float, float]:
        """Lowest and highest vertical force [N] that was worked near the envelope."""
        load = self.bands.load[self.law.worked]
        half = np.sqrt(BAND)
        return float(load.min() / half), float(load.max() * half)

    def worked_at(self, loads: Floats) -> NDArray[np.bool_]:
        """Whether vertical forces (load,) [N] lie within the loads that were worked."""
        low, high = self.loads
        return np.asarray((loads >= low) & (loads <= high))

    @cached_property
    def use(self) -> Floats:
        """Force of each sample over the envelope (sample,) [1]."""
        return self.samples.over(self.law)


@dataclass(frozen=True, slots=True)
class Fit:
    """The envelope of one tyre (position `corner`) in one direction, or a `reason` why not.

    `count` is the number of samples that passed the gate, `worked` [s] the time of hard work.
    """

    corner: int
    direction: str
    count: int
    worked: float
    envelope: Envelope | None = None
    reason: str = ""


def fit_tyres(drives: Drives, gate: Gate) -> list[Fit]:
    """Fit an envelope to every tyre and direction, in the order of `corner`, then of `DIRECTIONS`.

    `tyre_force` [N] of the drives is in tyre axes, x forward, y left, z up.
    """
    corners = range(len(corner_names(drives.forces[0])))
    return [fit for k in corners for fit in fit_tyre(loaded_in(drives, k, gate), drives, gate)]


def fit_tyre(loaded: list[Loaded], drives: Drives, gate: Gate) -> list[Fit]:
    """Fit an envelope to every direction of one tyre, in the order of `DIRECTIONS`."""
    parts = zip(*(one.directions() for one in loaded), strict=True)
    return [
        fit_of(loaded[0], direction, joined(some, drives), gate)
        for direction, some in zip(DIRECTIONS, parts, strict=True)
    ]


def joined(parts: Iterable[Samples], drives: Drives) -> Samples:
    """Samples of all drives as one; positions count through all of them."""
    every = list(parts)
    arrays = {
        name: np.concatenate([getattr(one, name) for one in every])
        for name in ("load", "force", "u_noise")
    }
    at = np.concatenate([o.at + f for o, f in zip(every, drives.first, strict=False)])
    return Samples(**arrays, at=at, every=every[0].every, held=sum(o.held for o in every))


def fit_of(tyre: Loaded, direction: str, samples: Samples, gate: Gate) -> Fit:
    """The envelope of samples of a tyre, or the reason why there is none."""
    k, place = tyre.place, f"{tyre.corner} {IN_WORDS[direction]}"
    held = samples.held * samples.every
    if samples.held >= FEWEST_HELD and held > HELD_SHARE * ENOUGH:
        reason = (
            f"{place}: {held:.2f} s were held at the friction limit, so the envelope "
            "would be that limit: reconstruct without it, or with a higher one"
        )
        return Fit(k, direction, len(samples.at), 0.0, reason=reason)
    worked = float(np.count_nonzero(samples.force >= gate.least_use * samples.load) * samples.every)
    if worked < ENOUGH:
        reason = (
            f"{place}: only {worked:.1f} s above {gate.least_use:g} of its load, "
            f"envelope not estimated; it needs {ENOUGH:g} s: {_harder(tyre, direction)}"
        )
        return Fit(k, direction, len(samples.at), worked, reason=reason)
    found = bands_of(samples, gate.least_use)
    if found is None:
        reason = (
            f"{place}: its {worked:.1f} s of hard work are spread over too many "
            "loads, envelope not estimated: drive longer"
        )
        return Fit(k, direction, len(samples.at), worked, reason=reason)
    quiet = found[0].quiet()
    envelope = Envelope(k, samples, *found, quiet, law_of(found[0], quiet))
    return Fit(k, direction, len(samples.at), worked, envelope)


def _harder(tyre: Loaded, direction: str) -> str:
    """How the driver works a tyre harder in a direction, as far as the car can do that."""
    if direction == "drive" and not tyre.driven:
        return "no engine drives this wheel; brake harder for its grip along the road"
    return HARDER[direction]


def loaded_in(drives: Drives, k: int, gate: Gate) -> list[Loaded]:
    """Forces of the tyre at position `k` in every drive."""
    return [
        Loaded(forces, k, replace(gate, inside=drives.part(gate.inside, number)))
        for number, forces in enumerate(drives.forces)
    ]


class Loaded:
    """Forces of one tyre, and which of its samples carry enough load.

    `force` (sample, 3) [N] in tyre axes, at the bandwidth of the gate; `flat` (sample,) [N] is the
    horizontal force.  The tyre is that of `corner`, at position `place`.
    """

    def __init__(self, forces: xr.Dataset, k: int, gate: Gate) -> None:
        self.place, self.corner = k, corner_names(forces)[k]
        self.driven = bool(forces["driven"][k])
        time = forces["elapsed_time"].to_numpy()
        force = forces["tyre_force"].to_numpy()[:, k].astype(float)
        rate = float(forces.attrs["rate_Hz"])
        if gate.bandwidth is not None and is_filtered(gate.bandwidth, rate):
            force = low_pass(force, gate.bandwidth, rate)
        status = forces["status"].to_numpy()[:, k]
        self.force, self.flat = force, np.hypot(force[:, 0], force[:, 1])
        loaded = np.isfinite(self.flat) & (force[:, 2] > gate.low_load)
        loaded = loaded if gate.inside is None else loaded & gate.inside
        self._free = loaded & ((status & AT_BOUND) == 0)
        self._limited = np.flatnonzero(loaded & ((status & BIT["friction_limited"]) > 0))
        self._noise = forces["u_tyre_force_random"].to_numpy()[:, k]
        self._every = sampling_interval(time)

    def directions(self) -> Iterator[Samples]:
        """Samples that pass the gate, one set for each of `DIRECTIONS`."""
        limit = SECTOR * self.flat
        for component in (self.force[:, 1], self.force[:, 0]):
            yield self.samples(component > limit)
            yield self.samples(component < -limit)

    @cached_property
    def between(self) -> NDArray[np.bool_]:
        """Samples (sample,) more than 30 degrees away from every direction."""
        limit = SECTOR * self.flat
        x, y = np.abs(self.force[:, 0]), np.abs(self.force[:, 1])
        return np.asarray((x <= limit) & (y <= limit))

    def samples(
        self, chosen: NDArray[np.bool_], carried: Callable[[Floats], Floats] | None = None
    ) -> Samples:
        """Samples that are chosen (sample,).

        What counts is their horizontal force, or what `carried` makes of forces (sample, 3) [N].
        """
        at = np.flatnonzero(self._free & chosen)
        force = self.force.T[:, at].T  # samples of a component side by side in memory
        held = int(np.count_nonzero(chosen[self._limited]))
        noise = _noise(force, self._noise.T[:, at].T.astype(float))
        flat = self.flat[at] if carried is None else carried(force)
        return Samples(force[:, 2], flat, noise, at, self._every, held)


def _noise(force: Floats, noise: Floats) -> Floats:
    """Noise (sample,) of the logarithm of the horizontal force, levelled by the load."""
    square = np.maximum(force[:, 0] ** 2 + force[:, 1] ** 2, 1.0)
    flat = ((force[:, 0] * noise[:, 0]) ** 2 + (force[:, 1] * noise[:, 1]) ** 2) / square**2
    return np.asarray(np.sqrt(flat + (USUAL_EXPONENT * noise[:, 2] / force[:, 2]) ** 2))
