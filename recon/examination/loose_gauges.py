"""Gauges that step to and fro alone: a plug or a cable that is loose."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.doubt import Doubt
from recon.base.late import xr
from recon.examination.edges import BLOCK, Edge
from recon.examination.view import NOISE_ALONE, Part, View

NAMED_RIGHT = 0.97  # share of the named that were named right: 79 of 81 in campaigns
WITHIN = 4.0  # times its noise, by which samples of a gauge that stands still differ from its level
MOVES = 5.0  # times its noise, by which another gauge of the corner moves meanwhile
LEVEL = 5 * BLOCK  # s, for the level at which a gauge stands


def loose(view: View, gauge: str, edges: tuple[Edge, ...], span: tuple[float, float]) -> Doubt:
    """The doubt about a gauge that steps at `edges`, from start to end of its `span` [s]."""
    part = next(part for part in view.parts.values() if gauge in part.gauges)
    start = min(span[0], _began(view, part, edges))
    start, end = start - BLOCK, span[1] + BLOCK  # an edge is not found more exactly
    still = _stands_still(view.whole, part, gauge, (start, end))
    times = "once" if len(edges) == 1 else f"{len(edges)} times"
    return Doubt(
        corners=part.corners,
        cause="noise alone" if still else "jumping",
        channels=(gauge,),
        probability=NAMED_RIGHT,
        start=start,
        end=end,
        found=f"{gauge} steps {times} and no other gauge does, by up to "
        f"{max(edge.size for edge in edges):.0f} times what it usually changes alone.",
        do=f"Check plug and wire of {gauge}: what is wrong lasts from {start:.2f} to {end:.2f} s.",
    )


def _record(log: xr.Dataset, gauge: str, since: float, until: float) -> Floats:
    own = log["indication"].sel(gauge=gauge, elapsed_time=slice(since, until))
    return np.asarray(own.to_numpy())


def _stands_still(log: xr.Dataset, part: Part, gauge: str, span: tuple[float, float]) -> bool:
    """Whether a gauge shows no more than noise in a span [s] but for its ends, and others more."""
    inner = slice(span[0] + 2.0 * BLOCK, span[1] - 2.0 * BLOCK)
    values = log["indication"].sel(gauge=list(part.gauges), elapsed_time=inner).to_numpy()
    if len(values) < 2:
        return False
    moved = np.std(values, axis=0) / np.asarray(part.solver.session.noise)
    return bool(moved[part.gauges.index(gauge)] < NOISE_ALONE and moved.max() > MOVES)


def _began(view: View, part: Part, edges: tuple[Edge, ...]) -> float:
    """Time [s] at which a gauge began to stand still, or that of the first edge if it did not.

    A channel that freezes does not step itself before it is free again; others do without it.
    """
    log, gauge, first = view.whole, edges[0].gauge, edges[0].time
    before = _record(log, gauge, first - LEVEL - BLOCK, first - BLOCK)
    after = _record(log, gauge, first + BLOCK, first + BLOCK + LEVEL)
    noise = np.asarray(part.solver.session.noise)
    own = noise[part.gauges.index(gauge)]
    if len(edges) > 1 and abs(np.median(after) - np.median(before)) > WITHIN * own:
        return first
    time, count = log["elapsed_time"].to_numpy(), max(round(LEVEL * float(log.attrs["rate"])), 1)
    until = int(np.searchsorted(time, first - BLOCK))
    values = log["indication"].sel(gauge=gauge).to_numpy()[:until]
    short = np.convolve(values, np.full(count, 1.0 / count), "valid")
    away = np.flatnonzero(~(np.abs(short - np.median(before)) < own))
    since = int(away[-1]) + count // 2 if len(away) else 0
    others = log["indication"].sel(gauge=list(part.gauges)).to_numpy()[since:until]
    moving = len(others) > 1 and (np.std(others, axis=0) > MOVES * noise).any()
    return float(time[since]) if moving else first
