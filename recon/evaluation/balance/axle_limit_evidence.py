"""Evidence in one corner that an axle was at its limit: its slip grew and its force did not.

The slip angle of the front axle less that of the rear one is the steer angle less wheelbase times
yaw rate over speed: sideslip of the body is in both and cancels (single-track model).  Where the
difference grows while the rear axle gives no less force than before, the front slips more; if its
own force over load then hardly rises, it is at its limit.  Likewise for the rear with the sign
turned.  A use that is merely high proves nothing: tyres of the two axles need not be alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.evaluation.grip.tyre_limit_evidence import ANGLE, BIN_TIME, MOST_RISE, NEAR_TOP

LEAST_GROWTH = np.radians(1.0)  # of a slip angle against the other axle's
U_STEER = 0.03  # of a change of steer: gain of its sensor; common practice, no source
FLAT = 0.25  # relative rise of force over that of slip: a brush model has 6 % of its limit left
AS_BEFORE = 0.98  # of its use: an axle gives no less force; less of it may mean less slip
MOSTLY = 2 / 3  # of the growth must be that of the axle's own slip angle


@dataclass(frozen=True, slots=True)
class Axles:
    """Some samples of a corner in the order of time; all signs are those of the corner's side.

    (sample, axle) each, front axle first: `angle` is the slip angle [rad], `use` the horizontal
    and `lateral` the lateral force over the vertical one [1].  `steer` (sample,) [rad]; `u_angle`
    [rad] is the standard uncertainty of `angle`, common to both axles; `step` [s] lies between
    samples.
    """

    angle: Floats
    use: Floats
    lateral: Floats
    steer: Floats
    u_angle: float
    step: float


@dataclass(frozen=True, slots=True)
class AtLimit:
    """The axle at its limit (0 front, 1 rear) and the evidence.

    `growth` [rad] is that of its slip angle less that of the other axle, `alone` [rad] of its own;
    `rise` [1] is the relative rise of its use meanwhile.
    """

    axle: int
    growth: float
    alone: float
    rise: float


def at_limit(axles: Axles, highest: Floats) -> AtLimit | None:
    """The axle that was at its limit in a corner, None where the corner does not show it.

    `highest` (axle,) is the highest use of each axle in the whole drive [1]: a limit lies near it.

    At steady forces the difference may also grow because the other axle, which slides, slips less
    again.  So the slip angle of the axle alone must grow as well; it drifts with sideslip, and
    therefore an axle is not named either where the other one shows more growth.
    """
    found = [_of_axle(axles, own, float(highest[own])) for own in (0, 1)]
    shown = [one for one in found if one]
    most = max(shown, key=lambda one: (one.growth, one.alone), default=None)
    return most if most and most.alone > MOSTLY * most.growth else None


def _of_axle(axles: Axles, own: int, highest: float) -> AtLimit | None:
    """The largest growth of slip of one axle at a force that hardly rises."""
    ahead = axles.angle[:, own] - axles.angle[:, 1 - own]
    bins = _medians(axles, ahead, own)
    best: AtLimit | None = None
    for low in range(len(bins)):
        if bins[low].use < NEAR_TOP * highest:
            continue
        for high in bins[low + 1 :]:
            found = _between(own, bins[low], high, axles.u_angle)
            if found and (best is None or found.growth > best.growth):
                best = found
    return best


@dataclass(frozen=True, slots=True)
class _Bin:
    """Medians of the samples at one difference of slip angles [rad, 1]."""

    ahead: float
    angle: float
    use: float
    lateral: float
    other_use: float
    other_lateral: float
    steer: float


def _medians(axles: Axles, ahead: Floats, own: int) -> list[_Bin]:
    """Bins of the slip angle ahead of the other axle's that hold enough time, the lowest first."""
    other = 1 - own
    known = np.isfinite(ahead) & np.isfinite(axles.use).all(axis=1)
    columns = np.column_stack([
        ahead, axles.angle[:, own], axles.use[:, own], axles.lateral[:, own],
        axles.use[:, other], axles.lateral[:, other], axles.steer,
    ])[known]  # fmt: skip
    place = np.floor(columns[:, 0] / ANGLE)
    groups = (columns[place == one] for one in np.unique(place))
    every = [np.sort(g, axis=0) for g in groups if len(g) * axles.step >= BIN_TIME]
    # Medians of few values: numpy's own function takes ten times as long.
    return [_Bin(*((g[(len(g) - 1) // 2] + g[len(g) // 2]) / 2)) for g in every]


def _between(own: int, low: _Bin, high: _Bin, u_angle: float) -> AtLimit | None:
    """The evidence in the change from one bin to another with more slip, None if it is none."""
    growth = high.ahead - low.ahead
    if growth < LEAST_GROWTH + U_STEER * abs(high.steer - low.steer):
        return None
    if min(high.other_use / low.other_use, high.other_lateral / low.other_lateral) < AS_BEFORE:
        return None
    total, sideways = high.use / low.use, high.lateral / low.lateral
    # The slip angle may be larger than it seems, and then it grew by a smaller share.
    before = max(low.angle, 0.0) + 2 * u_angle
    allowed = min(MOST_RISE, FLAT * float(np.log1p(growth / before)))
    if max(total, sideways) - 1 > allowed or min(total, sideways) < AS_BEFORE:
        return None
    return AtLimit(own, growth, high.angle - low.angle, max(total, sideways) - 1)
