"""Warnings about pulls that are odd without being impossible: where a person should look."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.car.vehicle import Vehicle
from recon.records.sheets import PullSheet
from recon.records.table_rows import Rows

# Where no device acts on a wheel: a sign, unit or origin is mistaken; common practice, no source.
FARTHEST, LOWEST = 1.0, -0.05  # m from the wheel centre, m above the ground
# A wheel that a pad does not lift by STILL [m] under HELD [N], and elsewhere in the same pull by
# RISEN [m], hung on its stop: a spring would be stiffer than 400 N/mm.
HELD, STILL, RISEN = 400.0, 0.001, 0.005
# Straps of PULLED [N] turn links and so move a wheel on its springs, some of them downwards: one
# that MANY of them leave where it was, within AWAY [m], and that none lowers rests on its stop.
PULLED, AWAY, MANY = 1000.0, 0.003, 3
# Between pads and the tyre above them by the written travel; a tyre gives way by less.  No source.
APART = 0.025  # m


def warn_of_odd_pulls(rows: Rows, sheet: PullSheet, car: Vehicle) -> None:
    """Warn of rows that are written twice, of odd places and travels, and of wheels on a stop.

    Warns DataWarning: the message has file, line and pull, and what was found.
    """
    _warn_of_doubled_rows(rows, sheet)
    _warn_of_places(sheet, car)
    _warn_of_travel(sheet, car)
    _warn_of_partners(sheet, car)
    _warn_of_stops(sheet, car)
    _warn_of_rests(sheet, car)


def used_rows(load: Floats, loaded: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Rows (row,) where a device has a load (row,) [N]; 0 beside a tare says nothing of a place."""
    return np.asarray(~np.isnan(load) & (loaded | (load > 0)))


def _warn_of_doubled_rows(rows: Rows, sheet: PullSheet) -> None:
    """Warn of load steps that are written twice, cell by cell: the fit would count them twice."""
    first: dict[tuple[str, ...], int] = {}
    for row in np.flatnonzero(sheet.phase != "tare").tolist():
        same = first.setdefault(tuple(rows.cells[row]), row)
        if same != row:
            warn(
                f"{sheet.path}, line {sheet.line[row]}: the same row as line {sheet.line[same]} "
                f"(pull {sheet.pull[row]} of {sheet.corner[row]}), so that this load step counts "
                "twice. Remove one, unless the load was really read twice with the same result.",
                DataWarning,
            )


def _warn_of_places(sheet: PullSheet, car: Vehicle) -> None:
    """Warn of points far from the wheel or below the ground, once for all pulls.

    A wheel that hangs below design height is nearer to the points by its travel, and so is the
    ground under it.  `_warn_of_travel` judges how high pads are.
    """
    wheel = np.array([car.corners[name].wheel.centre for name in sheet.corner])
    wheel[:, 2] += sheet.setting.travel
    lowest = LOWEST + np.minimum(sheet.setting.travel, 0.0)
    odd: dict[tuple[str, str], str] = {}
    for load, point in (("pad_load", "pad"), ("strap_load", "attach")):
        at = sheet.column(point)
        away = np.linalg.norm(at - wheel, axis=1)
        used = used_rows(sheet.column(load), sheet.phase != "tare")
        low = (at[:, 2] < lowest) & (point == "attach")
        for row in np.flatnonzero(used & ((away > FARTHEST) | low)).tolist():
            x, y, z = 1e3 * at[row]
            another = _of_another(at[row], car, sheet.corner[row])
            odd.setdefault(
                (sheet.corner[row], sheet.pull[row]),
                f"{sheet.path}, line {sheet.line[row]}: pull {sheet.pull[row]} of "
                f"{sheet.corner[row]} has {point} at ({x:.0f}, {y:.0f}, {z:.0f}) mm, "
                f"{1e3 * away[row]:.0f} mm from the wheel centre{another}",
            )
    if odd:
        first = next(iter(odd.values()))
        others = f"; {len(odd) - 1} other pulls have such a point, too" if len(odd) > 1 else ""
        warn(
            f"{first}{others}. Check its sign, unit and corner; x, y and z are those of the "
            "vehicle file, z from the ground under the car at design height.",
            DataWarning,
        )


def _of_another(point: Floats, car: Vehicle, corner: str) -> str:
    """Words for a point (3,) [m] of a pull of `corner` that lies at the wheel of another one."""
    for name, other in car.corners.items():
        if name != corner and np.linalg.norm(point - other.wheel.centre) < FARTHEST:
            return f", and at the wheel of {name}"
    return ""


def _warn_of_partners(sheet: PullSheet, car: Vehicle) -> None:
    """Warn of wheels of a tied axle that rise in a pull while nobody wrote what the other one does.

    It is taken to rise alike, so that its bar or beam does not twist; mostly it hangs.
    """
    for name in car.corners:
        own = (sheet.corner == name) & np.isnan(sheet.setting.partner_travel)
        if car.axle_of(name) is None or not own.any():
            continue
        rise = 1e3 * float(np.ptp(sheet.setting.travel[own]))
        if rise > 1e3 * RISEN:
            warn(
                f"{sheet.path}, line {sheet.line[own][0]}: partner_travel is not written in pulls "
                f"of {name}, whose travel changes by {rise:.0f} mm. The other wheel of this axle "
                "is taken to rise alike. If it hung, write its travel in every row.",
                DataWarning,
            )


def _warn_of_travel(sheet: PullSheet, car: Vehicle) -> None:
    """Warn of pads that lie higher or lower than the tyres on them, once for each corner.

    Where a wheel rises in a pull, the pad may be written once, for half of the rise.
    """
    used = used_rows(sheet.pad.load, sheet.phase != "tare")
    for name in car.corners:
        odd = []
        for pull in dict.fromkeys(sheet.pull[used & (sheet.corner == name)].tolist()):
            rows = np.flatnonzero(used & (sheet.corner == name) & (sheet.pull == pull))
            pad, travel = (
                1e3 * float(np.mean(values[rows]))
                for values in (sheet.pad.point[:, 2], sheet.setting.travel)
            )
            if abs(pad - travel) > 1e3 * APART:
                odd.append(
                    f"{sheet.path}, line {sheet.line[rows[0]]}: pull {pull} of {name} has its pad "
                    f"at z = {pad:.0f} mm and a travel of {travel:.0f} mm, at which the tyre is at "
                    f"about z = {travel:.0f} mm"
                )
        if odd:
            others = f"; {len(odd) - 1} other pulls have such a pad, too" if odd[1:] else ""
            warn(
                f"{odd[0]}{others}. If the wheel hung or was lifted, write its travel in every "
                "row; z is counted from the ground under the car at design height.",
                DataWarning,
            )


def _warn_of_stops(sheet: PullSheet, car: Vehicle) -> None:
    """Warn of wheels tied by a bar that hung on their droop stop under load, once for all pulls.

    Spring and bar then do not share the load by their rates, as the stop carries it.
    """
    stopped = {}
    for corner in _tied_by_a_bar(car):
        for pull, rows, rise in _rises(sheet, corner):
            held = (sheet.pad.load[rows] > HELD) & (np.abs(rise) < STILL)
            if np.any(held) and np.max(rise) > RISEN:
                stopped[corner, pull] = int(rows[np.argmax(held)])
    if stopped:
        (corner, pull), row = next(iter(stopped.items()))
        others = f"; {len(stopped) - 1} other pulls are like it" if len(stopped) > 1 else ""
        warn(
            f"{sheet.path}, line {sheet.line[row]}: pull {pull} of {corner} does not lift the "
            f"wheel with {sheet.pad.load[row]:.0f} N on the pad, but does with more{others}: it "
            "hung on its droop stop, where the bar does not carry the share that the rates give "
            "it. Back the spring seats off until the springs are slack as the wheels hang, and "
            "pull again.",
            DataWarning,
        )


def _warn_of_rests(sheet: PullSheet, car: Vehicle) -> None:
    """Warn of wheels tied by a bar that straps left on their droop stop, once for all of them."""
    resting = {}
    for corner in _tied_by_a_bar(car):
        every = list(_rises(sheet, corner))
        if not every:
            continue
        rise = np.concatenate([rise for *_, rise in every])
        if np.max(rise) < RISEN or np.min(rise) < -AWAY:
            continue
        still = [pull for pull, rows, moved in every
                 if np.all(np.nan_to_num(sheet.pad.load[rows]) == 0)
                 and np.max(np.nan_to_num(sheet.strap.load[rows])) > PULLED
                 and np.max(np.abs(moved)) < AWAY]  # fmt: skip
        if len(still) >= MANY:
            resting[corner] = still, np.max(rise)
    if resting:
        corner, (pulls, lifted) = next(iter(resting.items()))
        others = "; the same at " + ", ".join(list(resting)[1:]) if len(resting) > 1 else ""
        warn(
            f"{sheet.path}: pulls {', '.join(pulls)} of {corner} do not move the wheel, and no "
            f"pull lowers it, though a pad lifts it by {1e3 * lifted:.0f} mm{others}: it rested on "
            "its droop stop, which carried what spring and bar should share. Take the stop out of "
            "the way (no damper, the spring held at both its ends), and pull again.",
            DataWarning,
        )


def _tied_by_a_bar(car: Vehicle) -> list[str]:
    """Corners whose axle has a support that is twisted."""
    axles = {name: car.axle_of(name) for name in car.corners}
    return [
        name
        for name, axle in axles.items()
        if axle is not None and any(s.kind == "torsion" for s in axle.supports)
    ]


def _rises(sheet: PullSheet, corner: str) -> Iterator[tuple[str, NDArray[np.int64], Floats]]:
    """Every pull of a corner: name, loaded rows (row,), rise (row,) [m] of the wheel since tare."""
    for pull in dict.fromkeys(sheet.pull[sheet.corner == corner].tolist()):
        rows = np.flatnonzero((sheet.corner == corner) & (sheet.pull == pull))
        is_tare, travel = sheet.phase[rows] == "tare", sheet.setting.travel[rows]
        if is_tare.any() and not is_tare.all():
            yield pull, rows[~is_tare], travel[~is_tare] - np.mean(travel[is_tare])
