"""Cut windows of the case car's drives from a folder that holds the whole drives.

    python tests/outside/cut_case_windows.py CASE_FOLDER

Logs keep their full rate and their values as they were written, header and units row included.
Pulls, checks and tares are copied whole: a tare holds for the whole drive, since the zero
follows the gauges' temperature and not the place in the log.  Of the truth only what the tests
read is kept, in single precision (steps of 0.0005 N at 4 kN).
"""

from __future__ import annotations

import csv
import gzip
import json
import math
import shutil
import sys
from pathlib import Path

import numpy as np
import xarray as xr
from scipy import signal

WINDOWS = Path(__file__).parent / "case_windows"
# Seconds, both ends included.  Slalom: five cones at the full swing.  Braking: from 31 m/s in a
# straight line, driving off, then braking in a right turn.  Launch: wheel hop, launch, the shift
# at 4.00-4.28 s and the hop after it.  Lap: front wheels off the ground, the right one standing
# still at 14.6-15.2 s and spinning up with a jolt.
SPANS = {"slalom": (6.0, 12.0), "braking": (1.2, 10.2), "launch": (0.4, 5.4), "lap": (12.6, 20.6)}
TRUTH = ("force_road", "force_tyre")
MORE = {"launch": ("kappa",)}  # longitudinal slip, driving positive
BAND = 25.0  # Hz, of the loads of links
HEAD_LINES = 2  # header and units row
FIFTH = 5  # lines of the gauges for one that is kept of a whole drive


def cut_log(source: Path, target: Path, span: tuple[float, float]) -> None:
    """Copy the lines of `span` [s] as they are; the same input makes the same bytes."""
    with gzip.open(source, "rt", encoding="utf-8", newline="") as stream:
        lines = stream.readlines()
    inside = [x for x in lines[HEAD_LINES:] if span[0] <= float(x.partition(",")[0]) <= span[1]]
    content = "".join(lines[:HEAD_LINES] + inside).encode()
    target.write_bytes(gzip.compress(content, compresslevel=9, mtime=0))


def cut_truth(
    source: Path, target: Path, span: tuple[float, float], more: tuple[str, ...] = ()
) -> None:
    """Forces of the road on the tyres, and `more`, in `span` [s], single precision."""
    with xr.open_dataset(source) as truth:
        chosen = truth[[*TRUTH, *more]].sel(time=slice(span[0] - 1e-6, span[1] + 1e-6))
        packing = {"dtype": "float32", "zlib": True, "complevel": 9, "shuffle": True}
        chosen.to_netcdf(target, encoding=dict.fromkeys((*TRUTH, *more), packing))


def cut_gauges(source: Path, target: Path) -> None:
    """Time and gauges of a whole drive, every fifth line, as they were written."""
    with gzip.open(source, "rt", encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    own = [0, *(k for k, name in enumerate(rows[0]) if name.startswith("SG"))]
    kept = [*rows[:HEAD_LINES], *rows[HEAD_LINES::FIFTH]]
    content = "".join(",".join(row[k] for k in own) + "\n" for row in kept).encode()
    target.write_bytes(gzip.compress(content, compresslevel=9, mtime=0))


def link_peaks(source: Path, span: tuple[float, float]) -> dict[str, dict[str, list[float]]]:
    """Largest and smallest load [N] of every link of each corner in `span` [s], up to `BAND`.

    Second-order sections of a Butterworth filter of order 4, forward and backward; one pass is
    designed so much higher that both together pass 1/sqrt(2) at `BAND`.
    """
    with xr.open_dataset(source) as truth:
        load = truth["member_load"].sel(time=slice(span[0] - 1e-6, span[1] + 1e-6))
        loads = load.transpose("time", "corner", "member").to_numpy().astype(float)
        rate = 1.0 / float(np.median(np.diff(load["time"].to_numpy())))
        corners = [str(corner) for corner in load["corner"].to_numpy()]
    raised = math.tan(math.pi * BAND / rate) / (math.sqrt(2.0) - 1.0) ** (1.0 / 8.0)
    design = signal.butter(4, math.atan(raised) / math.pi * rate, fs=rate, output="sos")
    smooth = signal.sosfiltfilt(design, loads, axis=0)
    return {
        corner: {
            "largest": [round(float(x), 1) for x in smooth[:, k].max(axis=0)],
            "smallest": [round(float(x), 1) for x in smooth[:, k].min(axis=0)],
        }
        for k, corner in enumerate(corners)
    }


def mistyped(sheet: Path, truth: Path) -> list[dict[str, str | int | float]]:
    """Corner, pull, line of the file and true force [N] of every load that was mistyped."""
    with sheet.open(newline="", encoding="utf-8") as a, truth.open(encoding="utf-8") as b:
        rows = zip(csv.DictReader(a), csv.DictReader(b), strict=True)
        return [
            {
                "corner": row["corner"],
                "pull": row["pull"],
                "line": line,
                "applied_N": round(math.hypot(*(float(known[f"F{x}_N"]) for x in "xyz")), 1),
            }
            for line, (row, known) in enumerate(rows, start=2)  # line 1 is the header
            if int(known["load_mistyped"])
        ]


def cut(folder: Path) -> None:
    """All windows of the case in `folder`."""
    WINDOWS.mkdir(exist_ok=True)
    drives, pulls = folder / "drives", folder / "pulls"
    for name, span in SPANS.items():
        cut_log(drives / f"{name}_log.csv.gz", WINDOWS / f"{name}_log.csv.gz", span)
        truth = drives / "truth" / f"{name}_truth.nc"
        cut_truth(truth, WINDOWS / f"{name}_truth.nc", span, MORE.get(name, ()))
        shutil.copyfile(drives / f"{name}_tares.csv", WINDOWS / f"{name}_tares.csv")
    cut_gauges(drives / "slalom_log.csv.gz", WINDOWS / "slalom_gauges.csv.gz")
    shutil.copyfile(drives / "slalom_vehicle.csv.gz", WINDOWS / "slalom_vehicle.csv.gz")
    for sheet in ("pulls.csv", "checks.csv"):
        shutil.copyfile(pulls / sheet, WINDOWS / sheet)
    peaks = {n: link_peaks(drives / "truth" / f"{n}_truth.nc", s) for n, s in SPANS.items()}
    (WINDOWS / "link_peaks.json").write_text(json.dumps(peaks) + "\n", encoding="utf-8")
    known = mistyped(pulls / "pulls.csv", pulls / "truth" / "pulls_truth.csv")
    (WINDOWS / "mistyped.json").write_text(json.dumps(known, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    cut(Path(sys.argv[1]))
