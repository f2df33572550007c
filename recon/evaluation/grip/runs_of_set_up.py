"""Drives on one set-up whose samples are looked at together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.evaluation.common.other_runs import (
    COUNTS_TWICE,
    Trait,
    refuse_different,
    refuse_doubted,
    same_log,
)
from recon.evaluation.common.shared_errors import sources_of
from recon.records.run_list import TEMPERATURE

CORNERS = Trait("corners", lambda one: ", ".join(corner_names(one)))
RATE = Trait("sampling rate", lambda one: f"{float(one.attrs['rate_Hz']):g} Hz")
OTHER = "Leave it out, or reconstruct it with the same vehicle file and rate."
APART = 5.0  # K between the means of hot and cold runs; less is no difference (no source)


@dataclass(frozen=True, slots=True)
class Drives:
    """Results of `reconstruct`, one after the other; the first one is that of the user."""

    forces: tuple[xr.Dataset, ...]

    @property
    def first(self) -> NDArray[np.int64]:
        """Positions (end,) [1] among all samples where drives begin, and where the last ends."""
        return np.cumsum([0, *(one.sizes["elapsed_time"] for one in self.forces)])

    def of(self, at: NDArray[np.int64]) -> NDArray[np.int64]:
        """Number of the drive of each position `at` (sample,) among all samples [1]."""
        return np.asarray(np.searchsorted(self.first, at, side="right") - 1)

    def part(self, values: NDArray | None, number: int) -> NDArray | None:
        """Values (sample,) [any] of one drive among those of all; None stays None."""
        first = self.first
        return None if values is None else values[first[number] : first[number + 1]]

    @property
    def temperature(self) -> Floats:
        """Tyre temperature of each drive (drive,) [degC], NaN where it is not stated."""
        return np.array([float(one.attrs.get(TEMPERATURE, np.nan)) for one in self.forces])

    def hot_and_cold(self) -> tuple[NDArray[np.bool_], str]:
        """Which drives are hot (drive,); or none of them, and the reason in words.

        They are parted where the temperatures of two neighbours are farthest apart.
        """
        known = np.sort(self.temperature)
        none = np.zeros(len(known), dtype=bool)
        if np.isnan(known).any():
            do = "name the runs by a run list that states tyre_temperature"
            return none, f"hot against cold tyres: temperature of the tyres not stated; {do}"
        place = int(np.argmax(np.diff(known))) + 1
        step = float(known[place:].mean() - known[:place].mean())
        if step < APART:
            words = f"all runs within {step:.1f} K; it needs {APART:g} K between cold and hot runs"
            return none, f"hot against cold tyres: {words}"
        return self.temperature >= known[place], ""


def drives_of(forces: xr.Dataset, others: Sequence[xr.Dataset]) -> Drives:
    """A drive and others on the same set-up; the drive itself may be among them.

    Raises DataError: another drive is of another car, of other corners or another rate, stands
    there twice, or forces of it are doubted.
    """
    if not others:
        return Drives((forces,))
    log = sources_of(forces).log
    seen = {log: forces}
    own, kept = forces, []
    for other in others:
        source = sources_of(other).log
        if log and source == log:  # the run list states its temperature
            own = forces.assign_attrs(
                {n: other.attrs[n] for n in (TEMPERATURE,) if n in other.attrs}
            )
            own.encoding = forces.encoding
            continue
        if source and source in seen:
            where, do = place_of(other), f"Leave it out: {COUNTS_TWICE}"
            raise same_log(where, place_of(seen[source]), "a log of its own for each run", do)
        refuse_different(forces, other, OTHER, CORNERS, RATE)
        refuse_doubted(other, place_of(other), "other run", "leave it out")
        seen[source] = other
        kept.append(other)
    return Drives((own, *kept))
