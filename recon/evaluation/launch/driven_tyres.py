"""The driven tyres of a drive, alone and by axle, and the bandwidth at which they are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.car.vehicle import SIDES
from recon.evaluation.common.alternatives import Alternatives, Drive
from recon.records.forces import nothing_known

SAMPLES_PER_PERIOD = 8.0  # of the bandwidth
HOP_BANDWIDTH, HOP_RATE = 30.0, 100.0  # Hz and samples a second at which hop at 12 Hz is seen


@dataclass(frozen=True, slots=True)
class DrivenTyres:
    """Driven tyres whose longitudinal force is known.

    `corners` are their positions in the forces and `names` their names; `groups` are the tyres
    one by one and then the axles that are known whole, as positions in `corners`; `axles` names
    the latter.  `missing` says in words which driven tyre is not known.
    """

    corners: list[int]
    names: list[str]
    groups: list[list[int]]
    axles: list[str]
    missing: list[str]

    def between(
        self, drive: Drive, start: float, end: float, bandwidth: float, components: str
    ) -> tuple[Alternatives, int]:
        """These components of the driven tyres' forces between two times [s].

        They are at `bandwidth` [Hz], and of so many samples one is taken as that allows.
        """
        step = max(int(drive.rate / (SAMPLES_PER_PERIOD * bandwidth)), 1)
        first, last = np.searchsorted(drive.time, [start, end])
        samples = np.arange(first, max(last, first + 1), step)
        only = np.zeros((len(drive.corners), 3), dtype=bool)
        only[np.ix_(self.corners, ["xyz".index(name) for name in components])] = True
        return Alternatives(drive, samples, bandwidth=bandwidth, only=only), step


def driven_tyres(forces: xr.Dataset) -> DrivenTyres:
    """Driven tyres whose longitudinal force is known.

    Raises NoAnswerError: there is none; the message names the driven corners.
    """
    names = corner_names(forces)
    driven = np.flatnonzero(forces["driven"].to_numpy() > 0)
    along = forces["tyre_force_intermediate"].to_numpy()[..., 0]
    known = [int(k) for k in driven if np.isfinite(along[:, k]).any()]
    if not known:
        which = ", ".join(names[k] for k in driven) or f"none of {', '.join(names)}"
        what = f"no known longitudinal force of a driven tyre (driven: {which})"
        needed = "one driven tyre whose longitudinal force is known"
        raise nothing_known(forces, what, needed, "Gauge the links of a driven corner.")
    groups, axles, missing = [[i] for i in range(len(known))], [], []
    for axle, pair in SIDES.items():
        members = [i for i, k in enumerate(known) if names[k] in pair]
        if len(members) == 2:
            groups.append(members)
            axles.append(axle)
        elif members:
            absent = next(c for c in pair if c != names[known[members[0]]])
            missing.append(
                f"{axle} axle: the longitudinal force of {absent} is not known; gauge it"
            )
    return DrivenTyres(known, [names[k] for k in known], groups, axles, missing)


def hop_unseen(forces: xr.Dataset, bandwidth: float, what: str) -> str:
    """Why `what` is not given at a bandwidth [Hz] below that of hop, with the cheapest cure."""
    rate = float(forces.attrs["rate_Hz"])
    cure = f"reconstruct with {HOP_BANDWIDTH:g} Hz or more"
    if bandwidth < float(forces.attrs["bandwidth_Hz"]):
        cure = f"read it at {HOP_BANDWIDTH:g} Hz or more (option bandwidth)"
    elif rate < HOP_RATE:
        cure = f"log at {HOP_RATE:g} samples a second or more, {rate:g} here"
    return f"{what}: at {bandwidth:g} Hz hop at 12 Hz would show nothing; {cure}"
