"""Gauges that fail during a drive: which, when, and what became of the forces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.base.doubt import Doubt
from recon.base.late import xr
from recon.base.status import BIT
from recon.base.words import enumerated
from recon.examination.shared_acceleration import SPOILED, also_spoiled
from recon.reconstruction.prepare import Prepared
from recon.reconstruction.solving.solver import Solver

FEWEST_TIME = 0.5  # s in all; single samples are flagged, and no gauge is called failed for them
NEAR_END = 0.15  # share of the samples that are farther out
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
    least = FEWEST_TIME * float(log.attrs["rate"])
    flags = log["gauge_status"].to_numpy()
    shown = np.bitwise_or.reduce(flags, axis=0)  # mostly nothing
    names = list(map(str, log["gauge"].to_numpy()))
    gap = _gap(flags, shown)
    for solver in prepared.solvers:
        if "clocks" in log.attrs:  # one of several loggers may hold the gauges of an assembly alone
            own = [names.index(gauge) for gauge in solver.gauges]
            gap = _gap(flags[:, own], shown[own])
        found: dict[tuple[str, bytes], list[str]] = {}
        for gauge in solver.gauges:
            k = names.index(gauge)
            for flag in (flag for flag in SHOWN if shown[k] & BIT[flag]):
                bad = ((flags[:, k] & BIT[flag]) > 0) & ~gap
                if np.count_nonzero(bad) >= least:
                    found.setdefault((flag, bad.tobytes()), []).append(gauge)
        failures = [
            _Failure(solver, tuple(gauges), flag, np.frombuffer(mask, dtype=bool), log, prepared)
            for (flag, mask), gauges in found.items()
        ]
        dead = {gauge for one in failures if one.cause == "dead" for gauge in one.gauges}
        at_end = {g for one in failures if one.flag == "channel_clipped" for g in one.gauges}
        for one in failures:
            # A dead channel stands at an end of its own range; long stays there are flat as well.
            other = dead if one.flag == "channel_clipped" else at_end - dead
            if not other & set(one.gauges):
                yield one.doubt(elapsed, forces)


def _gap(flags: NDArray[np.uint16], shown: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Samples of (sample, gauge) at which no gauge has a number, which is no fault of a gauge.

    `shown` (gauge,) are all flags that a gauge ever has.
    """
    gap = np.full(len(flags), np.all((shown & BIT["missing_input"]) > 0))
    for column in flags.T if gap.all() else ():
        gap &= (column & BIT["missing_input"]) > 0
    return gap


@dataclass(frozen=True, slots=True)
class _Failure:
    solver: Solver
    gauges: tuple[str, ...]
    flag: str
    bad: NDArray[np.bool_]
    log: xr.Dataset
    prepared: Prepared

    @property
    def times(self) -> int:
        """Number of separate stretches."""
        return len(runs(self.bad))

    @property
    def cause(self) -> str:
        if self.flag == "channel_clipped" and self._reached_smoothly:
            return "clipped"
        return "dead" if self.times == 1 and self.bad[-1] else "intermittent"

    @property
    def _reached_smoothly(self) -> bool:
        """Whether the channel is near an end of its range just before and after it stands there.

        A plug that opens jumps there from anywhere.
        """
        values = self.log["indication"].sel(gauge=self.gauges[0]).to_numpy()
        edges = np.diff(self.bad.astype(int))
        beside = np.concatenate([np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) + 1])
        near, there = values[beside], np.sort(values[np.isfinite(values) & ~self.bad])
        near = near[np.isfinite(near)]
        if not len(near) or not len(there):
            return True
        rank = np.searchsorted(there, near) / len(there)
        return bool(np.median(np.minimum(rank, 1.0 - rank)) < NEAR_END)

    def _spoiled(self, forces: xr.Dataset) -> tuple[str, ...]:
        """Other corners, where what is no longer known here was to show the body's acceleration."""
        if "u_acceleration" not in self.log:
            return ()
        u = forces["u_tyre_force_intermediate"].isel(elapsed_time=np.flatnonzero(self.bad))
        size = (u**2).mean("elapsed_time") ** 0.5
        own = [corner.name for corner in self.solver.assembly.corners]
        carried = sum(sum(solver.carried) for solver in self.prepared.solvers)  # kg
        lost = float(size.sel(corner=own).max()) / carried
        return tuple(
            corner.name
            for solver in self.prepared.solvers
            if solver is not self.solver
            for corner in solver.assembly.corners
            if corner.unsprung_mass * lost > SPOILED * float(size.sel(corner=corner.name).min())
        )

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
        smooth = self.flag != "channel_clipped" or self.cause == "clipped"
        shown = SHOWN[self.flag if smooth else "channel_flat"]
        whole = len(self.gauges) == len(self.solver.gauges) > 1
        named = subject = enumerated(self.gauges)
        if whole:
            named, subject = (
                f"{w} gauge of {self.solver.assembly.name}" for w in ("every", "Every")
            )
        spoiled = self._spoiled(forces)
        return Doubt(
            corners=(*corners, *spoiled),
            cause=self.cause,
            channels=() if whole else self.gauges,
            probability=1.0,
            start=start,
            end=end,
            found=f"{subject}: {shown} {when} ({100 * np.mean(self.bad):.1f} % of the "
            f"drive). {became}.{also_spoiled(spoiled)}",
            do=f"Check wire, plug and amplifier of {named}.",
        )
