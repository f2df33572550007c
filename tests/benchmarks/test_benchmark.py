"""Time of reading and reconstructing a long log, as a ratio to the mere parsing of the same file.

Absolute times say more of the machine than of the program; both sides run in turn in one
process, and the smallest of the rounds counts, because disturbance only ever adds time.
"""

from __future__ import annotations

import gzip
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import recon
from recon.base.errors import ReconWarning
from recon.records.layout import Layout, find_layout
from recon.records.tables import parse_table

DEMO = Path(__file__).parents[2] / "demo_data"
RATE, MINUTES, ROUNDS = 500, 20, 3
MOST_RATIO = 3.0  # the promise: the forces cost no more than twice the reading of the numbers
PREPARING = 2 * RATE  # samples; so few that nearly all of their time is preparation


@dataclass(frozen=True)
class Session:
    """What both sides of the ratio share: the long log and what was prepared before it."""

    car: object
    calibration: object
    tares: object
    log: Path
    layout: Layout
    columns: list[int]


def tiled_log(target: Path, samples: int) -> None:
    """The demo's log, all channels, repeated to `samples` rows of a 500 Hz recording."""
    with gzip.open(DEMO / "slalom.csv.gz", "rt", encoding="utf-8") as stream:
        header, *rows = stream.read().splitlines()
    rests = [row.partition(",")[2] for row in rows]
    with target.open("w", encoding="utf-8", newline="\n") as stream:
        stream.write(header + "\n")
        for first in range(0, samples, len(rests)):
            part = rests[: samples - first]
            stream.writelines(f"{(first + k) / RATE:.3f},{rest}\n" for k, rest in enumerate(part))


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """The demo's car and calibration, and twenty minutes of its slalom at 500 Hz."""
    log = tmp_path_factory.mktemp("long") / "log.csv"
    tiled_log(log, RATE * 60 * MINUTES)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        car = recon.read_vehicle(recon.shipped("vehicles", "club_racer.toml"))
        calibration = recon.calibrate(recon.read_pulls(DEMO / "pulls.csv", car), car)
    tares = recon.read_tares(DEMO / "tares.csv", car)
    layout = find_layout(log)
    return Session(car, calibration, tares, log, layout, list(range(len(layout.names))))


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Wall time of one call [s] and what it returned."""
    start = time.perf_counter()
    answer = work()
    return time.perf_counter() - start, answer


def parse(session: Session) -> object:
    """The mere parsing of every column, by the reader that `read_log` rests on."""
    return parse_table(find_layout(session.log), session.columns)


def forces(session: Session, log: object) -> object:
    """Conditioned and reconstructed, preparation included."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        conditioned = recon.condition(log, session.car, session.tares)
        return recon.reconstruct(conditioned, session.calibration, session.car)


@pytest.mark.benchmark
def test_reading_and_reconstructing_costs_at_most_three_times_the_parsing(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    log = recon.read_log(session.log, session.car)
    assert log.sizes["gauge"] == 24
    assert log.sizes["elapsed_time"] == RATE * 60 * MINUTES
    head = log.isel(elapsed_time=slice(0, PREPARING)).copy(deep=True)
    answer = forces(session, head)  # warm: imports are nobody's ratio
    assert np.isfinite(answer["tyre_force"].to_numpy()).mean() > 0.99  # it did the work
    del log
    rounds = []
    for _ in range(ROUNDS):
        parsing, _ = timed(lambda: parse(session))
        reading, log = timed(lambda: recon.read_log(session.log, session.car))
        solving, _ = timed(lambda log=log: forces(session, log))
        preparing, _ = timed(lambda: forces(session, head))
        del log
        rounds.append((parsing, reading, solving, preparing, reading + solving))
    parsing, reading, solving, preparing, whole = np.min(rounds, axis=0)
    ratio, apart = whole / parsing, (whole - preparing) / parsing
    with capsys.disabled():
        sys.stdout.write(
            f"\n{MINUTES} min at {RATE} Hz, {len(session.columns)} columns, best of {ROUNDS}: "
            f"parsing {parsing:.2f} s, reading {reading:.2f} s, condition + reconstruct "
            f"{solving:.2f} s (of it prepared once {preparing:.2f} s); "
            f"ratio {ratio:.2f}, {apart:.2f} without the preparation\n"
        )
    # Preparation is a constant of each corner, whatever the log's length.
    assert apart <= MOST_RATIO, f"{apart:.2f} times the parsing, at most {MOST_RATIO}"


@pytest.mark.benchmark
def test_friction_use_of_a_long_log_costs_a_few_parsings(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    parsing = min(timed(lambda: parse(session))[0] for _ in range(2))
    answer = forces(session, recon.read_log(session.log, session.car))
    taken, use = min(
        (timed(lambda: recon.friction_use(answer)) for _ in range(2)), key=lambda t: t[0]
    )
    assert np.all(np.isfinite(use["highest_demonstrated_use"].to_numpy()))
    ratio = taken / parsing
    with capsys.disabled():
        sys.stdout.write(f"\nfriction use {taken:.2f} s, {ratio:.2f} times the parsing\n")
    # Every sample's interval over all causes: as much as the forces themselves, no more.
    assert ratio <= MOST_RATIO, f"{ratio:.2f} times the parsing, at most {MOST_RATIO}"
