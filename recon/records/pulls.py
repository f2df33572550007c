"""Pull sheets: every load step of every pull, checked for what a hand gets wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.public import public
from recon.base.words import enumerated
from recon.car.linkage import linkage_of
from recon.car.vehicle import Vehicle
from recon.records.column_maps import WORDS
from recon.records.files import checksum
from recon.records.odd_pulls import used_rows, warn_of_odd_pulls
from recon.records.sheets import PullSheet, Words
from recon.records.table_rows import Rows, open_rows

SHORTEST_DIRECTION = 1e-6  # below that all three numbers were meant as zero
SLACK = 0.1  # of the pull's peak: a load that no slack strap shows; common practice, no source
TURNED = np.deg2rad(30.0)  # no wheel moves so far that its strap turns so; no source
CLOSEST_MARKS = 0.050  # m; nearer marks give no direction: 3 mm each are 5 degrees there

# Standard uncertainties where the sheet states none (common practice, no source).
DEFAULT_U = {
    "u_load_step": 0.005,
    "u_strap_gain": 0.005,
    "u_pad_gain": 0.005,
    "u_attach": 0.003,  # m
    "u_mark": 0.003,
    "u_pad_point": 0.003,
    "u_direction": 0.0175,  # rad
    "u_pad_tilt": 0.0035,
}
# No reading of a person is exact, and one that is worse than this is none.
SMALLEST_U, LARGEST_U = 1e-5, 1.0  # relative, m, rad


@public
def read_pulls(
    path: str | Path, car: Vehicle, *, column_map: str | Path | None = None, purpose: str = "fit"
) -> PullSheet:
    """Read and check a pull sheet.

    Parameters
    ----------
    path : str or Path
        CSV, plain or `.gz`, one row for each load step.
    car : Vehicle
        Its corners, gauges and the units of the gauges.
    column_map : str or Path, optional
        Map (TOML) of foreign columns.
    purpose : {"fit", "verify"}
        Of the rows for which the sheet states none.

    Returns
    -------
    PullSheet
        Rows in the order of the file, in SI; forces are those on the wheel.

    Raises
    ------
    DataError
        Anything missing, unknown or impossible, with file, line and the cell.
    """
    rows = open_rows(path, "pulls", car, column_map)
    if purpose not in WORDS["purpose"]:
        raise DataError(
            str(path),
            f"purpose '{purpose}' asked for",
            nearest(purpose, WORDS["purpose"]),
            "Ask for one of these; the sheet's own column wins.",
        )
    corner = rows.words("corner", legal=tuple(car.corners), others="corners")
    gauges = _gauges(rows, car, corner)
    sheet = PullSheet.of_columns(
        _columns(rows, purpose),
        path=str(path),
        checksum=checksum(path),
        line=np.array(rows.lines, dtype=np.int64),
        corner=corner,
        gauges=gauges,
        indication=_indications(rows, car, corner, gauges),
        assumed=rows.assumed(DEFAULT_U | {"travel": 0.0, "steer": 0.0}),
    )
    _check_pulls(rows, sheet)
    _check_loads(rows, sheet)
    _check_strap(rows, sheet)
    _check_one_direction(rows, sheet)
    warn_of_odd_pulls(rows, sheet, car)
    return sheet


def _columns(rows: Rows, purpose: str) -> dict[str, Any]:
    """Read the columns that do not depend on the car, by their names in the file."""
    pull = rows.words("pull")
    return {
        "pull": pull,
        "purpose": rows.words("purpose", purpose, WORDS["purpose"]),
        "wheel_held_by": rows.words("wheel_held_by", legal=WORDS["wheel_held_by"]),
        "phase": rows.words("phase", legal=WORDS["phase"]),
        "clock": _clock(rows),
        **{n: rows.numbers(n, least=0.0) for n in ("strap_load", "pad_load", "strap_limit")},
        **{n: rows.vector(n) for n in ("attach", "mark1", "mark2", "pad")},
        "direction": _direction(rows, pull),
        "travel": rows.numbers("travel", 0.0),
        "partner_travel": rows.numbers("partner_travel"),
        "steer": rows.numbers("steer", 0.0),
        "temperature": rows.numbers("temperature"),
        "notes": rows.words("notes"),
        **{
            name: rows.numbers(name, u, least=SMALLEST_U, most=LARGEST_U)
            for name, u in DEFAULT_U.items()
        },
    }


def _direction(rows: Rows, pull: Words) -> Floats:
    """Read the strap's direction as unit vectors (row, 3), NaN where none is written."""
    direction = rows.vector("direction")
    length = np.linalg.norm(direction, axis=1)
    rows.refuse(
        length < SHORTEST_DIRECTION,
        lambda row: f"pull {pull[row]} has a direction of length {length[row]:g}",
        "the direction in which the strap pulls the wheel, of any length above zero",
        "Correct direction_x, _y, _z.",
    )
    return np.asarray(direction / length[:, None])


def _gauges(rows: Rows, car: Vehicle, corner: Words) -> tuple[str, ...]:
    """Gauges of the car that the sheet holds; those of a pulled corner must all be there."""
    own = {name: _own_gauges(car, name) for name in car.corners}
    bare = [name for name in car.corners if not own[name]]
    rows.refuse(
        np.isin(corner, bare),
        lambda row: f"a pull at {corner[row]}, which has no gauge in the vehicle file",
        "pulls at corners with gauges",
        "Describe the gauges of this corner in the vehicle file (a corner that mirrors another has "
        "none of the other's), or remove its rows.",
    )
    needed = {gauge for name in set(corner.tolist()) for gauge in own[name]}
    for _, gauge in car.gauges:
        if gauge.name in needed:
            rows.table.require(gauge.name)
    return tuple(gauge.name for _, gauge in car.gauges if gauge.name in rows.table.bound)


def _own_gauges(car: Vehicle, corner: str) -> tuple[str, ...]:
    return tuple(gauge.name for gauge in linkage_of(car, corner).gauges)


def _indications(rows: Rows, car: Vehicle, corner: Words, gauges: tuple[str, ...]) -> Floats:
    values = np.stack([rows.numbers(name) for name in gauges], axis=1)
    of = {name: _own_gauges(car, name) for name in set(corner.tolist())}
    own = np.array([[gauge in of[name] for gauge in gauges] for name in corner])
    read = ~np.isnan(values)
    bare = np.asarray(~(own & read).any(axis=1))

    def found(row: int) -> str:
        there = {gauges[g] for g in np.flatnonzero(read[row])}
        others = enumerated(sorted(name for name in of if there & set(of[name])))
        mistyped = f", but of those of {others}: corner mistyped?" if others else ""
        return f"no indication of any gauge of {corner[row]}{mistyped}"

    missed = of[corner[np.argmax(bare)]] if bare.any() else gauges
    rows.refuse(
        bare,
        found,
        f"a number for {missed[0]} or another gauge of the corner in every row",
        "Fill in the indications, correct the corner, or remove the row.",
    )
    return values


def _clock(rows: Rows) -> Floats:
    """Read times [s]; the number of the row where the sheet has no clock."""
    clock = rows.clock("clock")
    if np.isnan(clock).all():
        return np.arange(len(rows.lines), dtype=np.float64)
    rows.refuse(
        np.isnan(clock),
        lambda row: (
            f"no time of the clock beside {rows.table.layout.names[0]} '{rows.cells[row][0]}'"
        ),
        "a time in every row or in none",
        "Fill in the time of this row, or empty the column.",
    )
    return clock


def _keys(sheet: PullSheet) -> Words:
    """Corner and name of the pull (row,): rows with the same ones are one pull."""
    return np.char.add(np.char.add(sheet.corner, " "), sheet.pull)


def _check_pulls(rows: Rows, sheet: PullSheet) -> None:
    """Each pull has one purpose, a tare and then a load, and its clock does not run back."""
    rows.refuse(
        sheet.pull == "",
        lambda row: f"no word in column pull at corner {sheet.corner[row]}",
        "a number or name of its own for each pull of a corner",
        "Fill it in; the rows of one pull have the same word.",
    )
    keys = _keys(sheet)
    _, first, pull = np.unique(keys, return_index=True, return_inverse=True)
    purpose = sheet.purpose
    rows.refuse(
        purpose != purpose[first][pull],
        lambda row: f"pull {keys[row]} with purpose '{purpose[row]}' after another one",
        "one purpose for all rows of a pull, which is either fitted or verifies",
        "Correct the purpose of this pull's rows.",
    )
    opens = np.zeros(len(keys), dtype=bool)
    opens[first] = True
    rows.refuse(
        opens & (sheet.phase != "tare"),
        lambda row: f"pull {keys[row]} begins with phase '{sheet.phase[row]}'",
        "a row with phase tare before the first loaded step of every pull",
        "Add the tare that was read before this pull; without it the zero is not known.",
    )
    load = np.fmax(np.nan_to_num(sheet.strap.load), np.nan_to_num(sheet.pad.load))
    peak = np.zeros(len(first))
    np.maximum.at(peak, pull, load)
    rows.refuse(
        (sheet.phase == "tare") & (load > SLACK * peak[pull]),
        lambda row: f"a tare of pull {keys[row]} with a load of {load[row]:.0f} N",
        "tares with slack strap and free pad: no load, or a few newtons",
        "Correct the phase of the row, or empty its load.",
    )
    lone = np.bincount(pull, weights=sheet.phase != "tare") == 0
    rows.refuse(
        lone[pull],
        lambda row: f"pull {keys[row]} with {np.sum(pull == pull[row])} tare rows and no load",
        "at least one row with phase rising or falling in every pull",
        "Correct the phase of the loaded rows, or remove the pull.",
    )
    order = np.argsort(pull, kind="stable")
    back = np.zeros(len(keys), dtype=bool)
    back[order[1:]] = np.diff(sheet.clock[order]) < 0
    rows.refuse(
        back & ~opens,
        lambda row: f"the clock runs back within pull {keys[row]} to {sheet.clock[row]:g} s",
        "rows of one pull in the order in which they were read",
        "Sort the rows or correct the time; the zero is followed through the pull by it.",
    )


def _check_loads(rows: Rows, sheet: PullSheet) -> None:
    pull, phase = sheet.pull, sheet.phase
    rows.refuse(
        (phase != "tare") & np.isnan(sheet.strap.load) & np.isnan(sheet.pad.load),
        lambda row: f"pull {pull[row]}, phase {phase[row]}, without strap_load and pad_load",
        "the load of at least one device in every row that is no tare",
        "Fill in what the load cell or the pad showed.",
    )
    for load, point in (("pad_load", "pad"), ("strap_load", "attach")):
        _require_point(rows, sheet, load, point)


def _require_point(rows: Rows, sheet: PullSheet, load: str, point: str) -> None:
    force, places = sheet.column(load), sheet.column(point)
    rows.refuse(
        used_rows(force, sheet.phase != "tare") & np.isnan(places[:, 0]),
        lambda row: f"pull {sheet.pull[row]} has {load} {force[row]:g} N and no {point}_x, _y, _z",
        "the point at which the device acts on the wheel",
        "Measure the middle of the pad's contact, or a point on the strap's line at the wheel, "
        "and fill it in.",
    )


def _check_strap(rows: Rows, sheet: PullSheet) -> None:
    """Check that a strap has one direction, and that mark1 is its wheel end: it only pulls."""
    pull, strap = sheet.pull, sheet.strap
    undirected = np.isnan(strap.direction[:, 0])
    apart = np.linalg.norm(strap.mark2 - strap.mark1, axis=1)
    rows.refuse(
        used_rows(strap.load, sheet.phase != "tare") & (undirected == np.isnan(apart)),
        lambda row: (
            f"pull {pull[row]} has "
            + ("neither direction nor two marks" if undirected[row] else "direction and marks")
        ),
        "either direction_x, _y, _z or both mark1 and mark2",
        "Fill in one of the two and empty the other.",
    )
    rows.refuse(
        apart < CLOSEST_MARKS,
        lambda row: f"the marks of pull {pull[row]} are {1e3 * apart[row]:.1f} mm apart",
        f"marks at least {1e3 * CLOSEST_MARKS:.0f} mm apart on the strap",
        "Correct mark1 or mark2; the farther apart they are, the better the direction.",
    )
    near, far = (np.linalg.norm(m - strap.point, axis=1) for m in (strap.mark1, strap.mark2))
    rows.refuse(
        near > far,
        lambda row: (
            f"mark1 of pull {pull[row]} is {1e3 * near[row]:.0f} mm from the attachment, "
            f"mark2 {1e3 * far[row]:.0f} mm: "
            + ("attachment in another unit?" if near[row] > 2 * apart[row] else "marks exchanged?")
        ),
        "mark1 at the wheel end of the strap, for a strap pulls from mark1 to mark2",
        "Exchange the marks, or correct the attachment point.",
    )


def _check_one_direction(rows: Rows, sheet: PullSheet) -> None:
    """Check that the strap of a pull keeps its direction: rows of two pulls have no one line."""
    strap, keys = sheet.strap, _keys(sheet)
    marked = strap.mark2 - strap.mark1
    along = np.where(np.isnan(marked), strap.direction, marked)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    used = np.flatnonzero(used_rows(strap.load, sheet.phase != "tare"))
    _, first, pull = np.unique(keys[used], return_index=True, return_inverse=True)
    before, turned = np.arange(len(keys)), np.zeros(len(keys))
    before[used] = used[first][pull]
    turned[used] = np.arccos(np.clip(np.sum(along[used] * along[before[used]], axis=1), -1, 1))
    rows.refuse(
        turned > TURNED,
        lambda row: (
            f"the strap of pull {keys[row]} points {np.rad2deg(turned[row]):.0f} deg away from "
            f"where it points in line {sheet.line[before[row]]}"
        ),
        "one direction in all rows of a pull",
        "Give what was pulled in another direction a pull of its own: another word in column pull, "
        "and a tare before it. If it is one pull, correct direction or marks.",
    )
