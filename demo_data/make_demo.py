"""Make the shipped demo data: `python demo_data/make_demo.py`.

A virtual car is drawn at random around `vehicles/club_racer.toml`, with a fixed seed.  Its crew
pulls every wheel, mistypes one load, and drives: a launch, a slalom and a circuit in one log, then
six short runs on two set-ups.  One pair of tares stands for all of it.  Car, data and courses are
invented.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from recon.base.late import xr
from recon.records.table_writing import write_log, write_pulls, write_tares
from recon.records.vehicles import read_vehicle
from recon.virtual.crew import Mistyped, virtual_pulls, virtual_verification
from recon.virtual.dampers import Damper
from recon.virtual.day import day_states, run_states
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.states import in_turn

HERE = Path(__file__).parent
CAR = HERE.parent / "vehicles" / "club_racer.toml"
SEED = 1897  # an arbitrary number; another seed gives another car and other readings
MISTYPED = Mistyped("FR", "inward", step=4)
# Of every wheel, at the wheel: N s/m up to 0.12 m/s, and half of that beyond, as valves open.
DAMPER = Damper(1200.0, knee=0.12, beyond=0.5)
PAUSE = 180.0  # s between the logs, in which set-ups are changed
# Set-up and tyre temperature [degC] of each run.
RUNS = (("A", 62), ("B", 64), ("B", 63), ("A", 66), ("A", 65), ("B", 64))
SET_UPS = {"A": "stiff front bar", "B": "soft front bar"}
# Steps that a logger keeps, in SI units: what is finer is noise and makes the files large.
STEPS = {
    "gauge_temperature": 0.1,
    "hub_acceleration": 0.05,
    "travel": 1e-4,
    "wheel_speed": 0.02,
    "brake_pressure": 1e4,
    "acceleration": 0.02,
    "steer": 2e-4,
    "roll": 2e-4,
    "pitch": 2e-4,
    "speed": 0.01,
    "yaw_rate": 5e-4,
    "engine_speed": 1.0,
    "distance": 0.1,
}


def make_demo(car_file: Path, folder: Path) -> None:
    """Write pull sheets, tare table, log of the day, and logs and list of the runs to `folder`."""
    car = read_vehicle(car_file)
    rng = np.random.default_rng(SEED)
    drawn = draw_car(car, rng)
    pulls = virtual_pulls(drawn, None, rng, mistyped=MISTYPED)
    verification = virtual_verification(drawn, rng)
    drives = [day_states(drawn, rng, damper=DAMPER)]
    drives += [
        run_states(drawn, rng, setting=s, tyre_temperature=t, damper=DAMPER) for s, t in RUNS
    ]
    log, tares, _ = virtual_drive(drawn, in_turn(drives, PAUSE), rng)
    write_pulls(folder / "pulls.csv", pulls, car, overwrite=True)
    write_pulls(folder / "verification.csv", verification, car, overwrite=True)
    write_tares(folder / "tares.csv", tares, car, overwrite=True)
    ends = np.cumsum([len(d.time) for d in drives])
    names = ["day", *(f"run_{k}" for k in range(1, len(RUNS) + 1))]
    for name, end, drive in zip(names, ends, drives, strict=True):
        part = _kept(log.isel(elapsed_time=slice(end - len(drive.time), end)))
        part = part.assign_coords(elapsed_time=part["elapsed_time"].copy(data=drive.time))
        write_log(folder / f"{name}.csv.gz", part, car, overwrite=True)
    (folder / "runs.csv").write_text(_run_list(), encoding="utf-8", newline="\n")


def _kept(log: xr.Dataset) -> xr.Dataset:
    """A log with the steps that a logger keeps."""
    out = log.copy()
    for name, step in STEPS.items():
        if name in out:
            out[name] = out[name].copy(data=step * np.round(out[name].to_numpy() / step))
    return out


def _run_list() -> str:
    """Table of the runs; a file is the folder of the run's result."""
    rows = ["file,set_up,order,block,driver,tyre_set,tyre_temperature [degC],changed,notes"]
    for k, (setting, temperature) in enumerate(RUNS, start=1):
        change = "first run of the morning" if k == 1 else ""
        rows.append(
            f"run_{k},{SET_UPS[setting]},{k},1,first,1,{temperature},nothing gauged,{change}"
        )
    return "\n".join([*rows, ""])


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--car", type=Path, default=CAR, help="vehicle file")
    words.add_argument("--folder", type=Path, default=HERE, help="folder for the files")
    chosen = words.parse_args()
    make_demo(chosen.car, chosen.folder)
