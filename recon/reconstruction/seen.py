"""Which forces the gauges see, which they do not, and what is known of those together."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import PriorWarning, RankError
from recon.base.quantities import COMPONENTS
from recon.planning.knowledge import NOT_KNOWN, Combination, together
from recon.planning.observability import Observability, observe

if TYPE_CHECKING:
    from recon.car.vehicle import Vehicle
    from recon.mechanics.assembly import Assembly

NO_CURE = "none among the loads of the file; describe sections that bend to have them judged"


@dataclass(frozen=True, slots=True)
class Seen:
    """Places `lost` among the 3 w forces, why with the cure, and known sums with weights (3 w,)."""

    lost: tuple[int, ...]
    reason: str
    sums: tuple[tuple[Floats, Combination], ...]


def forces_seen(
    car: Vehicle, assembly: Assembly, gauges: tuple[str, ...], covariance: Floats
) -> Seen:
    """Judge the forces of a unit by their covariance (3 w, 3 w) [N2] at its usual load.

    Raises
    ------
    RankError
        No force component is seen by the gauges; the message names the cure.

    Warns
    -----
    PriorWarning
        Some are not seen: they are NaN in the result, with reason and cure.
    """
    u = np.sqrt(np.diag(covariance))
    lost = tuple(int(k) for k in np.flatnonzero(u > NOT_KNOWN))
    if not lost:
        return Seen((), "", ())
    names = tuple(
        f"F{axis} {corner.name}" if len(assembly.corners) > 1 else f"F{axis}"
        for corner in assembly.corners
        for axis in COMPONENTS
    )
    gauged = tuple(
        on for g, on in zip(assembly.gauges, assembly.gauged, strict=True) if g.name in gauges
    )
    cure = _cure(observe(car, assembly.name, gauged=gauged), lost)
    told = " and ".join(names[k] for k in lost)
    where = assembly.title
    sums = together(covariance, names, tuple(names[k] for k in lost))
    if len(lost) == len(names) and (len(assembly.corners) == 1 or not sums):
        raise RankError(
            where=where,
            found=f"{len(gauged)} gauges ({', '.join(gauged)}) leave {told} unknown, u up to "
            f"{np.max(u):.0f} N",
            needed="gauges that see at least one force component",
            do=f"Cheapest cure: {cure}. `recon observe` shows what each further gauge buys.",
        )
    reason = (
        f"{where}: {told} not known with gauges on {', '.join(gauged)} (u {np.max(u):.0f} N), "
        f"given as NaN; cheapest cure: {cure}"
    )
    if sums:
        reason += f"; but {'; '.join(s.words for s in sums)}"
    warnings.warn(reason, PriorWarning, stacklevel=6)
    weights = [np.array([s.weights.get(name, 0.0) for name in names]) for s in sums]
    return Seen(lost, reason, tuple(zip(weights, sums, strict=True)))


def _cure(found: Observability, lost: tuple[int, ...]) -> str:
    """What gauges alone let expect, or the gauge that helps most.

    With its map's uncertainty a unit may know less than its gauges alone let expect.
    """
    further = found.with_
    helps = min(further, key=lambda member: float(np.max(further[member][list(lost)])), default="")
    gauges = found.cure or ((helps,) if helps and not found.lost else ())
    return f"gauge {' and '.join(gauges)}" if gauges else NO_CURE
