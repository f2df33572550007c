"""The prior of K: what bridges and geometry say before a pull is looked at.

A gauge's own slope comes from its tube and bridge or a bench pull, its cross-talk is near zero.
A sign that nobody noted is read from the pulls, where they load the gauge enough to tell.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np

from recon.base.errors import DataError, DataWarning
from recon.calibration.fit import Prior
from recon.calibration.pulls import Floats, Pull

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Gauge

GEOMETRY_SLOPE = 0.03  # relative; what hardpoints wrong by 2 to 5 mm do to a link's load
# Of the own slope: other links' loads in a gauge, common practice, no source.
GEOMETRY_CROSSTALK = 0.10
# A sign is told where indication and geometry's load go together this well, and the indication
# is at least that share of what the bridge predicts; common practice, no source.
TOGETHER, ANSWERS = 0.6, 0.2


def bridge_prior(path: str, corner: Corner, members: tuple[str, ...], pulls: list[Pull]) -> Prior:
    """Prior of K from the bridges' slopes; the pulls decide a sign that nobody noted.

    Raises
    ------
    DataError
        A gauge sits on a support that does not hold the upright directly, does not answer to
        the pulls, or has a sign that neither the file nor the pulls tell.
    """
    loads = np.concatenate([p.wrench() @ p.members.T for p in pulls])
    seen = np.concatenate([p.indication for p in pulls])
    mean = np.zeros((len(corner.gauges), len(members)))
    u = np.full_like(mean, np.inf)
    for g, gauge in enumerate(corner.gauges):
        where = f"{path}, corner {corner.name}, gauge {gauge.name}"
        if gauge.on not in members:
            raise DataError(
                where=where,
                found=f"sits on '{gauge.on}'",
                needed=f"a member that holds the upright: {', '.join(members)}",
                do="Leave the gauge out of the vehicle file or put it on one of those.",
            )
        m = members.index(gauge.on)
        _require_answer(where, gauge, seen[:, g], loads[:, m])
        if np.isfinite(gauge.slope):
            mean[g, m] = _sign(where, gauge, seen[:, g], loads[:, m]) * gauge.slope
            u[g] = GEOMETRY_CROSSTALK * gauge.slope
            u[g, m] = np.hypot(gauge.u_slope, GEOMETRY_SLOPE * gauge.slope)
    return Prior(mean, u)


def _require_answer(where: str, gauge: Gauge, seen: Floats, load: Floats) -> None:
    """A gauge that the pulls load must move."""
    largest, pulled = float(np.max(np.abs(seen))), float(np.max(np.abs(load)))
    expected = gauge.slope * pulled
    if largest == 0.0 or (np.isfinite(expected) and largest < 0.05 * expected):
        raise DataError(
            where=where,
            found=f"at most {largest:.3g} {gauge.unit} in all pulls, which load {gauge.on} with up "
            f"to {pulled:.0f} N",
            needed=f"about {expected:.3g} {gauge.unit}"
            if np.isfinite(expected)
            else "an indication that moves with the load",
            do="Look for a broken wire, an exchanged channel or a wrong unit; or take the gauge "
            "out of the vehicle file.",
        )


def _sign(where: str, gauge: Gauge, seen: Floats, load: Floats) -> float:
    """Sign of the slope: the pulls' where they tell it, else the file's."""
    both = float(np.linalg.norm(seen) * np.linalg.norm(load))
    together = float(seen @ load) / both if both > 0 else 0.0
    share = np.linalg.norm(seen) / (gauge.slope * max(float(np.linalg.norm(load)), 1e-300))
    told = abs(together) > TOGETHER and share > ANSWERS
    if not told and gauge.sign:
        return float(gauge.sign)
    if not told:
        raise DataError(
            where=where,
            found=f"no sign in the vehicle file, and pulls that load {gauge.on} with at most "
            f"{np.max(np.abs(load)):.0f} N do not tell it (indication and load go together to "
            f"{100 * abs(together):.0f} %)",
            needed="the sign of the bridge, or a pull that loads this member",
            do='Push and pull the link by hand, note sign = "tension_positive" or '
            '"tension_negative", or add such a pull.',
        )
    sign = float(np.sign(together))
    if gauge.sign and gauge.sign != sign:
        warnings.warn(
            f"{where}: the pulls say the sign is {'+' if sign > 0 else '-'}, the vehicle file says "
            f"{'+' if gauge.sign > 0 else '-'}; the pulls are taken. Wires exchanged?",
            DataWarning,
            stacklevel=5,
        )
    return sign
