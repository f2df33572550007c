"""Gauges that fail during a drive: which, when, and what became of the forces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.doubt import Doubt
from recon.base.status import BIT
from recon.reconstruction.solver import Solver

if TYPE_CHECKING:
    import xarray as xr

    from recon.reconstruction.prepare import Prepared

FEWEST_TIME = 0.5  # s in all; single samples are flagged, and no gauge is called failed for them
MOSTLY = 0.5  # share of the samples that decides what became of the forces
SHOWN = {
    "channel_flat": "one constant",
    "channel_clipped": "the end of its range",
    "missing_input": "no number",
}


def failed_gauges(prepared: Prepared, log: xr.Dataset, forces: xr.Dataset) -> Iterator[Doubt]:
    """Doubts about gauges that showed nothing for a while; forces are not doubted for them.

    Gauges of an assembly that fail at the same samples are one doubt.  `log` and `forces`
    (elapsed_time, ...) [N] are those of one drive.
    """
    elapsed = log["elapsed_time"].to_numpy()
    least = FEWEST_TIME / float(np.median(np.diff(elapsed)))
    flags = log["gauge_status"].to_numpy()
    # Gaps of the whole log are no fault of a gauge.
    gap = np.ones(len(flags), dtype=bool)
    for column in flags.T:
        gap &= (column & BIT["missing_input"]) > 0
    names = list(map(str, log["gauge"].to_numpy()))
    for solver in prepared.solvers:
        found: dict[tuple[str, bytes], list[str]] = {}
        for gauge in solver.gauges:
            for flag in SHOWN:
                bad = ((flags[:, names.index(gauge)] & BIT[flag]) > 0) & ~gap
                if np.count_nonzero(bad) >= least:
                    found.setdefault((flag, bad.tobytes()), []).append(gauge)
        failures = [
            _Failure(solver, tuple(gauges), flag, np.frombuffer(mask, dtype=bool))
            for (flag, mask), gauges in found.items()
        ]
        dead = {gauge for one in failures if one.cause == "dead" for gauge in one.gauges}
        clipped = {gauge for one in failures if one.cause == "clipped" for gauge in one.gauges}
        for one in failures:
            # A dead channel stands at an end of its own range; long clips are flat as well.
            other = dead if one.cause == "clipped" else clipped - dead
            if not other & set(one.gauges):
                yield one.doubt(elapsed, forces)


@dataclass(frozen=True, slots=True)
class _Failure:
    solver: Solver
    gauges: tuple[str, ...]
    flag: str
    bad: NDArray[np.bool_]

    @property
    def times(self) -> int:
        """Number of separate stretches."""
        return int(np.count_nonzero(np.diff(self.bad.astype(int), prepend=0) == 1))

    @property
    def cause(self) -> str:
        if self.flag == "channel_clipped":
            return "clipped"
        return "dead" if self.times == 1 and self.bad[-1] else "intermittent"

    def doubt(self, elapsed: Floats, forces: xr.Dataset) -> Doubt:
        corners = tuple(corner.name for corner in self.solver.assembly.corners)
        start, end = map(float, elapsed[self.bad][[0, -1]])
        when = f"from {start:.2f} to {end:.2f} s"
        if self.times > 1:
            when = f"{self.times} times between {start:.2f} and {end:.2f} s"
        status = forces["status"].sel(corner=corners[0]).to_numpy()[self.bad]
        solved = np.mean((status & BIT["gauge_left_out"]) > 0) > MOSTLY
        became = (
            "The corner was solved without it there, with wider intervals"
            if solved
            else "The forces are not known there"
        )
        whole = len(self.gauges) == len(self.solver.gauges) > 1
        named = subject = " and ".join(self.gauges)
        if whole:
            named, subject = (
                f"{w} gauge of {self.solver.assembly.name}" for w in ("every", "Every")
            )
        return Doubt(
            corners=corners,
            cause=self.cause,
            channels=() if whole else self.gauges,
            probability=1.0,
            start=start,
            end=end,
            found=f"{subject}: {SHOWN[self.flag]} {when} ({100 * np.mean(self.bad):.1f} % of the "
            f"drive). {became}.",
            do=f"Check wire, plug and amplifier of {named}.",
        )
