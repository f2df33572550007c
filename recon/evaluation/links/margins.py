"""Limits of links, stated or by the strength of their tubes, and the share that a load uses."""

from __future__ import annotations

from math import dist, nan
from typing import Any

import numpy as np

from recon.car.bridges import Tube
from recon.car.vehicle import Support, Vehicle
from recon.evaluation.common.answer_labels import limits, plain
from recon.evaluation.common.estimate import Estimate, independent
from recon.evaluation.links.strength import Strength, strength_of

Limit = tuple[tuple[float, float], str]  # value and u [N], and where it comes from


def tube_of(car: Vehicle, name: str, support: Support) -> Tube | None:
    """The tube that is stated for the link, else the one that its gauge is stated with."""
    if support.tube is not None:
        return support.tube
    home, _, link = name.partition(" ")
    for where, gauge in car.gauges:
        if where == home and gauge.on == link:
            return getattr(gauge.expected, "tube", None)
    return None


def limits_of_links(
    supports: list[Support], tubes: list[Tube | None], peak: Estimate, shape: tuple[int, int]
) -> dict[str, Any]:
    """The lowest limit of each link and direction, and the share of it that the peak uses.

    `tubes` holds the tube of each link of `supports` where it is stated; `peak` (link * direction)
    the largest tension and compression [N], tension positive; `shape` is (link, direction).
    Variables of the answer: `limit` [N], `limit_kind`, `utilisation` [1], and `yield_load` and
    `column_load` [N] of each link, positive.
    """
    limit = np.full((*shape, 2), nan)
    kind = np.full(shape, "not stated", dtype="U40")
    for i, (support, tube) in enumerate(zip(supports, tubes, strict=True)):
        for way, options in enumerate(_options(support, tube)):
            if options:
                limit[i, way], kind[i, way] = min(options, key=lambda option: option[0][0])
    value, u = limit[..., 0].ravel(), limit[..., 1].ravel()
    sign = np.tile([1.0, -1.0], shape[0])
    use = np.maximum(sign * peak.value, 0.0) / value
    # The load's causes keep their signs; the tube's sizes are the link's own.
    of_load = Estimate(use, peak.by_cause * sign / value, np.abs(peak.noise / value))
    used = of_load.plus_noise(np.nan_to_num(use * u / value))
    two = ("link", "direction")
    return {
        **limits("limit", independent(value, u), two, "N", "lowest limit of the link", shape),
        **plain("limit_kind", kind, two, "", "what the lowest limit comes from"),
        **limits("utilisation", used, two, "1", "largest load over the lowest limit", shape),
        **_by_tube(supports, tubes),
    }


def _by_tube(supports: list[Support], tubes: list[Tube | None]) -> dict[str, Any]:
    """Loads at which the tube of each link yields and buckles, NaN where it is not stated."""
    loads = np.full((len(supports), 4), nan)
    for i, (support, tube) in enumerate(zip(supports, tubes, strict=True)):
        if (found := _strength(support, tube)) is not None:
            loads[i] = found.yields, found.u_yields, found.buckles, found.u_buckles
    words, yields, buckles = "load at which the tube of the link", loads[:, :2].T, loads[:, 2:].T
    over, under = f"{words} yields, in tension or compression", f"{words} buckles in compression"
    return limits("yield_load", independent(*yields), ("link",), "N", over) | limits(
        "column_load", independent(*buckles), ("link",), "N", under
    )


def _strength(support: Support, tube: Tube | None) -> Strength | None:
    """Strength of a link by its tube, None where tube or yield strength is not stated."""
    if tube is None or not support.yield_strength > 0:
        return None
    length = dist(support.outer.point, support.inner.point)
    return strength_of(tube, length, support.yield_strength)


def _options(support: Support, tube: Tube | None) -> tuple[list[Limit], list[Limit]]:
    """Limits [N] with their u in tension and in compression, each with its name."""
    stated = [((support.limit, 0.0), "limit_N of the file")] if support.limit > 0 else []
    found = _strength(support, tube)
    if found is None:
        return stated, stated
    yields = ((found.yields, found.u_yields), "yield of the tube")
    buckles = ((found.buckles, found.u_buckles), f"column of the tube by {found.column}")
    return [*stated, yields], [*stated, yields, buckles]
