"""Coverage of the intervals with and without channels, over sound virtual days of all shipped cars.

`python -m tests.campaign.coverage FOLDER COUNT [FIRST [BANDWIDTH]]` writes one line of JSON for
each day, set of channels and shape to FOLDER/coverage.jsonl and prints shares inside 95 % limits;
FOLDER keeps the virtual days too.  Day number n is always the same one: a slalom, or a circuit.
"""

from __future__ import annotations

import json
import sys
import warnings
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from recon.base.errors import ReconError
from recon.base.threads import one_thread
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from recon.virtual.dampers import Damper
from recon.virtual.day import circuit_states
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.stance import SPRING_RATE
from recon.virtual.states import States
from tests.campaign.one_body import lean_of_axle, with_one_body
from tests.campaign.slip_days import CARS, RATE, Drive, SoundDay, shape_of, sound_day
from tests.days import level_limits
from tests.shipped_mechanisms import shipped
from tests.slalom_course import Slalom, slalom_states

WITHOUT = {
    "all channels": (),
    "hub": ("hub_acceleration",),
    "hub, travel": ("hub_acceleration", "travel"),
    "roll, pitch": ("roll", "pitch"),
    "steer": ("steer",),
    "all but gauges": None,
}
CIRCUITS = 3  # one day of so many is one of circuits, the others of slaloms
# Common practice, no source: damping of the body on its springs, speed [m/s] at the wheel from
# which dampers grow hardly harder, and the share of their rate that is left there; speed of a
# slalom [m/s], s from cone to cone.
DAMPING_RATIO, KNEE, BEYOND, SPEED, PERIOD = (0.2, 0.7), (0.05, 0.15), (0.3, 1.0), (9.0, 28.0), 1.2
# Lean of the body on its springs, from stiff racing cars to soft ones, and shaking of the road,
# over usual ones; the lean of cars with a tied axle over what its springs give.
LEAN, LEAN_OF_AXLE, ROAD = (0.3, 1.7), (0.8, 1.2), (0.3, 1.3)


def drive_of(day: SoundDay, seed: int) -> Drive:
    """A slalom of the day's car, slow or fast, on soft springs or stiff ones; or a circuit."""
    drawn = drawn_again(day.name, seed)
    rng = np.random.default_rng([78, CARS.index(day.name), seed])
    mass = 0.25 * drawn.truth.mass
    rate = 2 * rng.uniform(*DAMPING_RATIO) * np.sqrt(SPRING_RATE * mass)
    damper = Damper(rate, rng.uniform(*KNEE), rng.uniform(*BEYOND))
    speed, road = rng.uniform(*SPEED), rng.uniform(*ROAD)
    lean = rng.uniform(*(LEAN_OF_AXLE if drawn.springs else LEAN))
    of_road, circuit = int(rng.integers(2**32)), seed % CIRCUITS == CIRCUITS - 1

    def states(lean: float) -> States:
        again = np.random.default_rng(of_road)
        if circuit:
            return circuit_states(drawn, again, rate=RATE, damper=damper, lean=lean)
        wish = Slalom(speed, PERIOD * speed, damper, lean, road)
        return slalom_states(drawn, again, rate=RATE, wish=wish)

    if drawn.springs:
        lean *= lean_of_axle(drawn, states(1.0))
    return Drive(*virtual_drive(drawn, with_one_body(drawn, states(lean)), rng))


def drawn_again(name: str, seed: int) -> VirtualCar:
    """The true car of `sound_day`."""
    return draw_car(shipped(name), np.random.default_rng([77, CARS.index(name), seed]))


def judged(day: SoundDay, drive: Drive, on: list[str], gone: str, bandwidth: float | None) -> Any:
    """Squares of errors over u, of errors and of u, and samples inside, each by component."""
    recorded = SoundDay(day.name, day.car, day.calibration, (drive,)).recorded(0, on)
    names = WITHOUT[gone] or (() if gone != "all but gauges" else _but_gauges(recorded.log))
    log = condition(recorded.log.drop_vars(names), day.car, recorded.tares, bandwidth=bandwidth)
    log = completed(log, recorded.calibration, day.car)
    forces = prepare(recorded.calibration, day.car, log).solve(log)
    true = drive.truth["tyre_force_intermediate"].sel(corner=forces["corner"]).to_numpy()
    flat = true.reshape(len(true), -1)
    true = low_pass(flat, forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"]).reshape(true.shape)
    error = forces["tyre_force_intermediate"].to_numpy().astype(float) - true
    u = forces["u_tyre_force_intermediate"].to_numpy().astype(float)
    lower, upper = (limit - true for limit in level_limits(forces))
    inside = np.where(np.isfinite(error), (lower <= 0) & (upper >= 0), np.nan)
    parts = (inside, np.square(error / u), np.square(error), np.square(u))
    return [np.nanmean(part, axis=(0, 1)).round(4).tolist() for part in parts]


def _but_gauges(log: xr.Dataset) -> list[str]:
    return [str(name) for name in log.data_vars if name != "indication"]


def of_day(number: int, folder: Path, bandwidth: float | None = None) -> list[dict[str, Any]]:
    """One day with the whole car and with one axle or corner, for each set of channels."""
    name, seed = CARS[number % len(CARS)], number // len(CARS)
    day, rng = sound_day(name, seed, folder), np.random.default_rng([79, number])
    part = shape_of(day, rng)
    while part[0] == "car":
        part = shape_of(day, rng)
    drive, out = drive_of(day, seed), []
    with warnings.catch_warnings(), one_thread():
        warnings.simplefilter("ignore")
        for shape, on in (("car", list(day.calibration.corners)), part):
            for gone in WITHOUT:
                one = {"number": number, "car": name, "shape": shape, "without": gone}
                try:
                    out.append(one | {"found": judged(day, drive, on, gone, bandwidth)})
                except ReconError as error:
                    out.append(one | {"refused": str(error)[:300]})
    return out


def table(found: Iterable[dict[str, Any]]) -> str:
    """Share inside 95 % limits, rms of error over u, of error and of u, by set and shape."""
    rows = defaultdict(list)
    for one in found:
        if "found" in one:
            whole = "car" if one["shape"] == "car" else "part"
            rows[whole, one["without"], ""].append(one["found"])
            rows[whole, one["without"], one["car"]].append(one["found"])
    lines = []
    for (shape, gone, car), own in rows.items():
        inside, *squares = (np.nanmean([one[k] for one in own], axis=0) for k in range(4))
        over, error, u = (np.sqrt(square) for square in squares)
        lines.append(
            f"{shape:5s}{gone:16s}{car:24s}{len(own):5d} {100 * inside.mean():5.1f} % inside "
            + " ".join(f"{100 * x:5.1f}" for x in inside)
            + "  e/u " + " ".join(f"{x:4.2f}" for x in over)
            + "  e " + " ".join(f"{x:4.0f}" for x in error)
            + "  u " + " ".join(f"{x:4.0f}" for x in u)
        )  # fmt: skip
    return "\n".join(sorted(lines))


def main(folder: Path, count: int, first: int = 0, bandwidth: float | None = None) -> None:
    """Judge days and print the table of all that is there."""
    folder.mkdir(exist_ok=True, parents=True)
    path = folder / "coverage.jsonl"
    with path.open("a") as file:
        for number in range(first, first + count):
            for one in of_day(number, folder, bandwidth):
                file.write(json.dumps(one) + "\n")
            file.flush()
    found = [json.loads(line) for line in path.read_text().splitlines()]
    sys.stdout.write(f"{table(found)}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), *map(int, sys.argv[2:4]), *map(float, sys.argv[4:5]))
