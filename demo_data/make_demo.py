"""Make the shipped demo data: `python demo_data/make_demo.py`.

A virtual car is drawn at random around `vehicles/club_racer.toml`, with a fixed seed.  Its crew
pulls every wheel, mistypes one load, and drives a slalom.  Car, data and course are invented.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from recon.records.vehicles import read_vehicle
from recon.records.writing import write_log, write_pulls, write_tares
from recon.virtual.course import slalom_states
from recon.virtual.crew import Mistyped, virtual_pulls, virtual_verification
from recon.virtual.drawing import draw_car
from recon.virtual.drive import virtual_drive

HERE = Path(__file__).parent
CAR = HERE.parent / "vehicles" / "club_racer.toml"
SEED = 1897  # an arbitrary number; another seed gives another car and other readings
MISTYPED = Mistyped("FR", "inward", step=4)


def make_demo(car_file: Path, folder: Path) -> None:
    """Write pull sheet, verification sheet, tare table and log of the slalom into `folder`."""
    car = read_vehicle(car_file)
    rng = np.random.default_rng(SEED)
    drawn = draw_car(car, rng)
    pulls = virtual_pulls(drawn, None, rng, mistyped=MISTYPED)
    verification = virtual_verification(drawn, rng)
    log, tares, _ = virtual_drive(drawn, slalom_states(drawn, rng), rng)
    write_pulls(folder / "pulls.csv", pulls, car, overwrite=True)
    write_pulls(folder / "verification.csv", verification, car, overwrite=True)
    write_tares(folder / "tares.csv", tares, car, overwrite=True)
    write_log(folder / "slalom.csv.gz", log, car, overwrite=True)


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--car", type=Path, default=CAR, help="vehicle file")
    words.add_argument("--folder", type=Path, default=HERE, help="folder for the four files")
    chosen = words.parse_args()
    make_demo(chosen.car, chosen.folder)
