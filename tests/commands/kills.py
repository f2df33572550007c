"""Kill a command at random times over an earlier result, and look at what its folder holds.

    python -m tests.commands.kills calibrate 50
    python -m tests.commands.kills reconstruct 50

Half of the kills fall anywhere in the run, half after it has begun to write.  The earlier result
was made with other options, so that no file of it can be taken for one of the new result.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from recon.records.files import checksum
from recon.records.results import read_result
from tests.commands.session import CAR, DEMO, ROOT, rows_of, write_rows

SEED = 7
PARTS = ("given", "out", "spare", "earlier")
Sums = dict[str, str]  # checksum by file name


@dataclass(frozen=True)
class Command:
    """A command that replaces its earlier result, and the options that make that one differ."""

    words: tuple[object, ...]
    before: tuple[object, ...]
    result: str


def one_corner(folder: Path, name: str) -> Path:
    """The front left corner's rows of a sheet of the demo: the rest would only take time."""
    header, *rows = rows_of(DEMO / name)
    at = header.index("corner")
    return write_rows(folder / name, [header, *(row for row in rows if row[at] == "FL")])


def commands(given: Path) -> dict[str, Command]:
    """Both commands on the demo; `given` holds a calibration for the second."""
    pulls, checks = (one_corner(given, name) for name in ("pulls.csv", "verification.csv"))
    drive = (CAR, given / "calibration.nc", DEMO / "day.csv.gz", DEMO / "tares.csv")
    return {
        "calibrate": Command(
            ("calibrate", CAR, pulls), ("--verification", checks), "calibration.nc"
        ),
        "reconstruct": Command(("reconstruct", *drive), ("--bandwidth", 20), "forces.nc"),
    }


def started(*words: object) -> subprocess.Popen[str]:
    """Start a command."""
    return subprocess.Popen(
        [sys.executable, "-m", "recon", *map(str, words)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )


def timed(*words: object) -> tuple[float, float]:
    """Seconds until a command begins to write, and until it has ended."""
    start = time.monotonic()
    with started(*words) as process:
        assert process.stderr is not None
        writing = [time.monotonic() for line in process.stderr if "] writing" in line]
    if process.returncode != 0:
        message = f"{words} ended with {process.returncode}"
        raise RuntimeError(message)
    return writing[0] - start, time.monotonic() - start


def sums_of(folder: Path) -> Sums:
    """Checksum of every file in a folder."""
    return {file.name: checksum(file) for file in sorted(folder.iterdir())}


def judged(out: Path, old: Sums, new: Sums, result: str) -> str:
    """'earlier', 'new', or what is wrong; a new result differs from another by its time only."""
    found = sums_of(out)
    if found == old:
        return "earlier"
    if found.keys() == new.keys() and all(found[n] == new[n] for n in new if n != result):
        read_result(out / result)
        return "new"
    return f"MIXED: {', '.join(n for n in found if found[n] == old.get(n))} of the earlier run"


def killed(name: str, count: int) -> Counter[str]:
    """Kill a command `count` times; how often its folder held which result."""
    seen: Counter[str] = Counter()
    draw = random.Random(SEED)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        given, out, spare, earlier = (folder / part for part in PARTS)
        given.mkdir()
        command = commands(given)[name]
        if name == "reconstruct":
            timed("calibrate", CAR, DEMO / "pulls.csv", "--out", given)
        timed(*command.words, *command.before, "--out", out)
        writing, whole = timed(*command.words, "--out", spare)
        old, new = sums_of(out), sums_of(spare)
        shutil.copytree(out, earlier)
        for turn in range(count):
            process = started(*command.words, "--out", out, "--overwrite")
            time.sleep(draw.uniform(writing if turn % 2 else 0.0, 1.3 * whole))
            process.send_signal(signal.SIGKILL)
            process.communicate()
            verdict = judged(out, old, new, command.result)
            seen[verdict] += 1
            if verdict != "earlier":
                shutil.copytree(earlier, out, dirs_exist_ok=True)  # it has every file of the new
        timed(*command.words, "--out", out, "--overwrite")
        left = {f.name for f in folder.iterdir()} - set(PARTS)
        left |= sums_of(out).keys() - new.keys()
        seen[f"left after the next run: {', '.join(left)}"] += len(left)
    return +seen


if __name__ == "__main__":
    for words, times in killed(sys.argv[1], int(sys.argv[2])).items():
        sys.stdout.write(f"{times:6d}  {words}\n")
