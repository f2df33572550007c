"""Text kinds of the campaign: sound texts to spoil, and the doors that spoiled ones go through."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import xarray as xr

from recon.calibration.calibrate import calibrate
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.planning.observability import observe
from recon.records.logs import read_log
from recon.records.pulls import read_pulls
from recon.records.sheets import Tares
from recon.records.table_writing import write_log, write_pulls, write_tares
from recon.records.tares import read_tares
from recon.records.vehicles import read_vehicle
from recon.report.calibration.calibration_summary import calibration_summary
from recon.report.car.car_summary import car_summary
from tests.campaign.spoil import TABLE_WAYS, TEXT_WAYS, Way, spoiled
from tests.days import Exact, exact, exact_log, states
from tests.example_car import EXAMPLE, MIRROR, VEHICLES

STEPS = 60  # rows of the pull sheet
SAMPLES = 80  # of the log


@cache
def corner() -> Exact:
    """One exact corner with its pulls."""
    return exact()


@cache
def drive() -> tuple[xr.Dataset, Tares]:
    """A short drive of the corner with its tares."""
    turn = np.linspace(0, 12, SAMPLES)
    force = np.column_stack([0 * turn, 1500 * np.sin(turn), 2500 + 300 * np.cos(turn)])
    log, tares, _ = exact_log(corner(), states("FL", force))
    return log, tares


def _written(folder: Path, write: Callable[..., None], what: Any) -> str:
    path = folder / "sound.csv"
    write(path, what, corner().car, overwrite=True)
    return path.read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class TextKind:
    """One kind of text: `texts` are sound, `door` reads one and goes on with it where `far`."""

    ending: str
    ways: tuple[Way, ...]
    texts: Callable[[Path], list[str]]
    door: Callable[[Path, bool], Any]
    share: int  # one file in so many goes beyond the reader


# --- vehicle files --------------------------------------------------------------------------


def _vehicles(_: Path) -> list[str]:
    shipped = [path.read_text(encoding="utf-8") for path in sorted(VEHICLES.glob("*.toml"))]
    return [EXAMPLE, EXAMPLE, EXAMPLE + MIRROR, *shipped]


def _check(path: Path, far: bool) -> Any:
    car = read_vehicle(path)
    if not far:
        return car
    observed = [observe(car, name) for name, c in car.corners.items() if c.gauges][:1]
    return car, car_summary(car), observed


# --- tables ----------------------------------------------------------------------------------


def _pull_sheets(folder: Path) -> list[str]:
    lines = _written(folder, write_pulls, corner().pulls).splitlines()
    return ["\n".join(lines[: STEPS + 1]) + "\n", "\n".join([lines[0], *lines[-STEPS:]]) + "\n"]


def _calibrate(path: Path, far: bool) -> Any:
    sheet = read_pulls(path, corner().car)
    if not far:
        return sheet
    found = calibrate(sheet, corner().car)
    return found, calibration_summary(found, corner().car)


def _tare_tables(folder: Path) -> list[str]:
    return [_written(folder, write_tares, drive()[1])]


def _condition(path: Path, far: bool) -> Any:
    tares = read_tares(path, corner().car)
    return condition(drive()[0], corner().car, tares) if far else tares


def _logs(folder: Path) -> list[str]:
    return [_written(folder, write_log, drive()[0])]


def _reconstruct(path: Path, far: bool) -> Any:
    log = read_log(path, corner().car)
    conditioned = condition(log, corner().car, drive()[1])
    return reconstruct(conditioned, corner().calibration, corner().car) if far else conditioned


# --- column maps -------------------------------------------------------------------------------

READERS = {"pulls": read_pulls, "log": read_log, "tares": read_tares}
OWN_MAP = """format = 1
kind = "{kind}"

[file]
separator = ","
decimal = "."
skip_lines = 0
units_row = false

[columns]
{columns}

[constants]
{constants}
"""


def _maps(folder: Path) -> list[str]:
    own = {
        "pulls": (_written(folder, write_pulls, corner().pulls), "notes"),
        "log": (_written(folder, write_log, drive()[0]), '"gear [1]"'),
        "tares": (_written(folder, write_tares, drive()[1]), '"time [s]"'),
    }
    texts = []
    for kind, (table, constant) in own.items():
        names = table.split("\n", 1)[0].split(",")
        plain = [name.split(" [")[0] for name in names]
        columns = [
            f'{p} = "{n}"' if i % 2 else f'{p} = {{ column = "{n}" }}'
            for i, (p, n) in enumerate(zip(plain, names, strict=True))
            if p != "time"
        ]
        value = '"a word"' if constant == "notes" else "1.0"
        texts += [OWN_MAP.format(kind=kind, columns="\n".join(columns),
                                 constants=f"{constant} = {value}")] * 3  # fmt: skip
        (folder / f"{kind}_of_ours.csv").write_text(table, encoding="utf-8")
    return texts


def _mapped(path: Path, far: bool) -> Any:
    content = io.BytesIO(path.read_bytes()).read()
    kind = next((k for k in READERS if f'kind = "{k}"'.encode() in content), "pulls")
    table = path.parent / f"{kind}_of_ours.csv"
    found = READERS[kind](table, corner().car, column_map=path)
    if far and kind == "pulls":
        return calibrate(found, corner().car)
    return found


TEXT_KINDS = {
    "vehicles": TextKind("toml", TEXT_WAYS, _vehicles, _check, 4),
    "pulls": TextKind("csv", TABLE_WAYS, _pull_sheets, _calibrate, 4),
    "tares": TextKind("csv", TABLE_WAYS, _tare_tables, _condition, 4),
    "logs": TextKind("csv", TABLE_WAYS, _logs, _reconstruct, 20),
    "maps": TextKind("toml", TEXT_WAYS, _maps, _mapped, 10),
}


def write_spoiled(kind: TextKind, texts: list[str], folder: Path, random: Random) -> Path:
    """Write one spoiled file; some are packed, some have a name that says so wrongly."""
    content = spoiled(random.choice(texts), kind.ways, random)
    packed = kind.ending == "csv" and content[:2] == b"\x1f\x8b"
    path = folder / f"spoiled.{kind.ending}{'.gz' if packed else ''}"
    path.write_bytes(content)
    return path
