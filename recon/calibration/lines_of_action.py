"""Lines of action of straps and pads in the pulls, with what is unsure about them.

The most important assumption: a strap is straight, so the attachment point and both marks lie on
one line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.records.sheets import Device, PullSheet, Strap

OFF_LINE = 5.0  # standard uncertainties; farther off the strap's line than that gets a warning


@dataclass(frozen=True, slots=True)
class Line:
    """Line of action of one device, with what is unsure about it.

    `point` (3,) [m], `direction` (3,) unit, `across` (2, 3) two unit vectors across it; the
    covariance (4, 4) is that of two offsets across [m] and two angles [rad].
    """

    point: Floats
    direction: Floats
    across: Floats
    covariance: Floats


def line_of(sheet: PullSheet, rows: NDArray[np.int64], device: Device) -> Line:
    """Mean line of a device over the `rows` (row,) in which it is loaded [1]."""
    row = int(rows[0])
    point, direction = device.point[rows].mean(axis=0), device.direction[rows].mean(axis=0)
    u_point = device.u_point[row]
    if not isinstance(device, Strap) or np.all(np.isfinite(direction)):
        direction = direction / np.linalg.norm(direction)
        return _given_line(point, direction, u_point, device.u_angle[row])
    attach = point
    mark1, mark2 = device.mark1[rows].mean(axis=0), device.mark2[rows].mean(axis=0)
    u_attach, u_mark = float(u_point), float(device.u_mark[row])
    line = strap_line(attach, mark1, mark2, u_attach, u_mark)
    distance = off_line(attach, mark1, mark2)
    allowed = OFF_LINE * float(np.hypot(u_attach, 1.5 * u_mark))
    if distance > allowed:
        warn(
            f"{sheet.path}, line {sheet.line[row]}, pull {sheet.pull[row]}: the attachment point "
            f"lies {1e3 * distance:.0f} mm off the line through the marks, more than "
            f"{1e3 * allowed:.0f} mm. Does the strap touch something, or is a coordinate mistyped?",
            DataWarning,
        )
    return line


def swing_of(strap: Strap, rows: NDArray[np.int64], travel: Floats, end: Floats) -> Floats:
    """How far the strap points from its mean direction in each of the `rows` (row,), (row, 3) [1].

    A strap from a wheel that rises to an anchor that does not swings with `travel` (row,) [m]: as
    the straight line over travel through the directions that are written row by row.  Where the
    marks are written once, the far one is taken to stay, while the strap's `end` (row, 3) [m] moves
    with the wheel; a direction that is written once stays.
    """
    along = strap.mark2[rows] - strap.mark1[rows]
    written = along / np.linalg.norm(along, axis=1, keepdims=True)
    given = np.isfinite(strap.direction[rows])
    written = np.where(given, strap.direction[rows], written)
    known = np.isfinite(written).all(axis=1)
    if not given.any() and np.ptp(written[known], axis=0).max() == 0:
        towards = strap.mark2[rows][known].mean(axis=0) - end
        towards /= np.linalg.norm(towards, axis=1, keepdims=True)
        return towards - towards.mean(axis=0)
    rise = travel - travel[known].mean()
    per_rise = rise[known] @ written[known] / max(rise[known] @ rise[known], 1e-12)
    return np.outer(rise, per_rise)


def strap_line(
    attach: Floats, mark1: Floats, mark2: Floats, u_attach: float, u_mark: float
) -> Line:
    """Best line through the attachment point and both marks, each weighted by its uncertainty.

    Two straight-line fits, one per direction across the strap, with the same weights.  Points (3,)
    [m] are on the strap, `mark1` at the wheel's end; `u_attach` and `u_mark` [m] are those of each
    coordinate.
    """
    direction = (mark2 - mark1) / np.linalg.norm(mark2 - mark1)
    across = _across(direction)
    along = np.array([0.0, (mark1 - attach) @ direction, (mark2 - attach) @ direction])
    weight = np.array([u_attach, u_mark, u_mark]) ** -2.0
    design = np.column_stack([np.ones(3), along])
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design))
    seen = across @ (np.stack([attach, mark1, mark2]) - attach).T  # (2, 3)
    fitted = covariance @ design.T @ (weight[:, None] * seen.T)  # (offset, angle) by across
    best = direction + across.T @ fitted[1]
    best = best / np.linalg.norm(best)
    turned = _across(best)
    full = np.zeros((4, 4))
    for k in range(2):
        full[np.ix_([k, k + 2], [k, k + 2])] = covariance
    return Line(attach + across.T @ fitted[0], best, turned, full)


def off_line(attach: Floats, mark1: Floats, mark2: Floats) -> float:
    """Distance [m] of the attachment point (3,) [m] from the line through both marks (3,) [m]."""
    direction = (mark2 - mark1) / np.linalg.norm(mark2 - mark1)
    arm = attach - mark1
    return float(np.linalg.norm(arm - (arm @ direction) * direction))


def _given_line(point: Floats, direction: Floats, u_point: float, u_angle: float) -> Line:
    covariance = np.diag([u_point**2, u_point**2, u_angle**2, u_angle**2])
    return Line(point, direction, _across(direction), covariance)


def _across(direction: Floats) -> Floats:
    first = np.cross(direction, np.eye(3)[np.argmin(np.abs(direction))])
    first = first / np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first)])
