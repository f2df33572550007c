"""What a careful and a naive inversion attain on the case car, in plain numpy and pandas.

    python tests/outside/attainable.py DATA_FOLDER > attainable.json

DATA_FOLDER holds pulls.csv, mistyped.json and NAME_log.csv.gz, NAME_tares.csv, NAME_truth.nc of
each drive.  Of the package only the vehicle file's points and the posing of a corner are used:
the sheets are read, the map fitted and the forces solved here.

careful  K by ordinary least squares from the pulls, the mistyped load dropped, tares taken off
         pull by pull; measured points moved with logged travel and steer; tares interpolated in
         the gauges' temperature; logged hub acceleration, roll and pitch; no filter, no weights,
         six unknowns.
naive    Three forces only, from the straight pulls at the contact with the brake held, nothing
         dropped; pseudo-inverse; design position; first tare only; body axes taken for the
         road's.

On the whole drives the makers of the case state the root mean square errors below (careful,
naive; Fx, Fy, Fz in N); this script's figures stand behind them.
@@TABLE@@
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from recon.car.mechanism import mechanism_of
from recon.car.motion import pose, rack_of_steer
from recon.car.reader import read_vehicle
from recon.car.statics import member_matrix

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Vehicle

Floats = NDArray[np.float64]
WINDOWS = Path(__file__).parent / "case_windows"
CAR = Path(__file__).parents[2] / "vehicles" / "case_car.toml"
DRIVES = ("slalom", "braking", "launch", "lap")
KGF = 9.80665  # N; what one kgf on the strap's cell and one kg on the pad stand for
GRAVITY = 9.81  # m/s2, of the drives
CONTACT_PULLS = ("patch fore", "patch aft", "patch outward", "patch inward", "pad")


@dataclass(frozen=True)
class Pulls:
    """Loaded rows of one corner: `force`, `moment` (row, 3) about the wheel centre on the
    upright, `change` (row, gauge) of the indications from the pull's own tares, `name`, `line`.
    """

    force: Floats
    moment: Floats
    change: Floats
    name: NDArray[np.str_]
    held: NDArray[np.str_]
    line: NDArray[np.int64]

    def rows(self, chosen: NDArray[np.bool_]) -> Pulls:
        """The chosen rows only."""
        return Pulls(*(getattr(self, f)[chosen] for f in self.__dataclass_fields__))


def gauges_of(corner: Corner) -> list[str]:
    """Channel names of a corner."""
    return [g.name for g in corner.gauges]


def points(rows: pd.DataFrame, name: str) -> Floats:
    """(row, 3) coordinates. [m]"""
    return rows[[f"{name}_{axis}_mm" for axis in "xyz"]].to_numpy(float) / 1e3


def read_sheet(path: Path, corner: Corner) -> Pulls:
    """Forces, moments and changes of indication of the pulls of one corner."""
    sheet = pd.read_csv(path)
    sheet["line"] = np.arange(len(sheet)) + 2
    at = pose(mechanism_of(corner), 0.0, 0.0)
    parts = []
    for _, rows in sheet[sheet.corner == corner.name].groupby("pull"):
        loaded = rows[rows.phase != "tare"]
        along = points(loaded, "mark2") - points(loaded, "mark1")
        along /= np.linalg.norm(along, axis=1)[:, None]
        strap = KGF * loaded.strap_kgf.to_numpy(float)[:, None] * along
        pad = KGF * loaded.pad_kg.to_numpy(float)[:, None] * np.array([0.0, 0.0, 1.0])
        strap_moment = np.cross(points(loaded, "attach") - at.hub, strap)
        pad_moment = np.cross(points(loaded, "pad") - at.hub, pad)
        moment = np.nan_to_num(strap_moment) + np.nan_to_num(pad_moment)
        if rows.wheel_held_by.iloc[0] == "half-shaft":
            moment -= np.outer(moment @ at.spin, at.spin)  # the bearing passes none about the axis
        seen = rows[gauges_of(corner)].to_numpy(float)
        tares = np.flatnonzero(rows.phase == "tare")
        inside = np.flatnonzero(rows.phase != "tare")
        zero = [np.interp(inside, tares, seen[tares, g]) for g in range(seen.shape[1])]
        parts.append(
            (
                np.nan_to_num(strap) + np.nan_to_num(pad),
                moment,
                seen[inside] - np.transpose(zero),
                loaded.name.to_numpy() if False else loaded["name"].to_numpy(str),
                loaded.wheel_held_by.to_numpy(str),
                loaded.line.to_numpy(),
            )
        )
    return Pulls(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def careful_map(pulls: Pulls, corner: Corner, dropped: set[int]) -> Floats:
    """K (gauge, member) by ordinary least squares. [mV/V per N]"""
    kept = pulls.rows(~np.isin(pulls.line, list(dropped)))
    to_members = member_matrix(pose(mechanism_of(corner), 0.0, 0.0))
    loads = np.column_stack([kept.force, kept.moment]) @ to_members.T
    return np.linalg.lstsq(loads, kept.change, rcond=None)[0].T


def naive_map(pulls: Pulls) -> Floats:
    """(gauge, 3) indications per force at the contact. [mV/V per N]"""
    kept = pulls.rows(np.isin(pulls.name, CONTACT_PULLS) & (pulls.held == "brake"))
    return np.linalg.lstsq(kept.force, kept.change, rcond=None)[0].T


@dataclass(frozen=True)
class Drive:
    """A log in its own units without the units row, tares, and the true forces (sample, corner, 3)
    in road axes."""

    log: pd.DataFrame
    tares: pd.DataFrame
    truth: Floats

    def tare(self, when: str, gauges: list[str]) -> tuple[Floats, float]:
        """Indications and temperature of one tare."""
        rows = self.tares[self.tares.when == when].set_index("channel").loc[gauges]
        return rows.mean_mV_per_V.to_numpy(), float(rows.temp_degC.mean())


def read_drive(folder: Path, name: str) -> Drive:
    """Log, tares and truth of one drive."""
    with xr.open_dataset(folder / f"{name}_truth.nc") as truth:
        force = truth["force_road"].transpose("time", "corner", "axis").to_numpy().astype(float)
    return Drive(
        pd.read_csv(folder / f"{name}_log.csv.gz", skiprows=[1]),
        pd.read_csv(folder / f"{name}_tares.csv"),
        force,
    )


def level_axes(log: pd.DataFrame) -> Floats:
    """Chassis to road axes, Ry(pitch) Rx(roll), (sample, 3, 3)."""
    r, p = np.radians(log.roll.to_numpy()), np.radians(log.pitch.to_numpy())
    about_x, about_y = np.zeros((2, len(r), 3, 3))
    about_x[:, 0, 0] = about_y[:, 1, 1] = 1.0
    about_x[:, 1, 1] = about_x[:, 2, 2] = np.cos(r)
    about_x[:, 2, 1] = np.sin(r)
    about_x[:, 1, 2] = -np.sin(r)
    about_y[:, 0, 0] = about_y[:, 2, 2] = np.cos(p)
    about_y[:, 0, 2] = np.sin(p)
    about_y[:, 2, 0] = -np.sin(p)
    return about_y @ about_x


def careful_forces(drive: Drive, car: Vehicle, corner: Corner, K: Floats) -> Floats:
    """Forces of the road on one tyre in road axes, (sample, 3). [N]"""
    log, name, gauges = drive.log, corner.name, gauges_of(corner)
    mechanism = mechanism_of(corner)
    (first, start), (last, end) = (drive.tare(w, gauges) for w in ("before", "after"))
    share = (log[f"gauge_temp_{name}"].to_numpy() - start) / (end - start)
    zero = first + share[:, None] * (last - first)
    # A tare hangs at droop: the unsprung weight stands on the links.
    weight = np.array([0.0, 0.0, -corner.unsprung_mass * GRAVITY])
    hanging = member_matrix(pose(mechanism, corner.droop_travel, 0.0))[:, :3] @ weight
    loads = np.linalg.solve(K, (log[gauges].to_numpy() - zero).T).T + hanging
    steer = np.radians(log.steer.to_numpy()) if corner.steered else np.zeros(len(log))
    rack = rack_of_steer(car, steer)
    at = pose(mechanism, log[f"travel_{name}"].to_numpy() / 1e3, rack)
    wrench = np.linalg.solve(member_matrix(at), loads[..., None])[..., 0]
    hub = log[[f"hub_{name}_{axis}" for axis in "xyz"]].to_numpy()
    force = wrench[:, :3] + corner.unsprung_mass * hub
    return np.einsum("nij,nj->ni", level_axes(log), force)


def naive_forces(drive: Drive, corner: Corner, A: Floats) -> Floats:
    """Forces as a beginner would have them, (sample, 3). [N]"""
    gauges = gauges_of(corner)
    first, _ = drive.tare("before", gauges)
    return (drive.log[gauges].to_numpy() - first) @ np.linalg.pinv(A).T


def figures(folder: Path, drives: tuple[str, ...] = DRIVES) -> dict[str, dict[str, dict]]:
    """Root mean square errors [N] by drive, way and component."""
    car = read_vehicle(CAR)
    known = json.loads((folder / "mistyped.json").read_text(encoding="utf-8"))
    out: dict[str, dict[str, dict]] = {}
    sheets = {n: read_sheet(folder / "pulls.csv", c) for n, c in car.corners.items()}
    for name in drives:
        drive = read_drive(folder, name)
        errors: dict[str, list[Floats]] = {"careful": [], "naive": []}
        for k, (corner_name, corner) in enumerate(car.corners.items()):
            pulls = sheets[corner_name]
            dropped = {int(e["line"]) for e in known if e["corner"] == corner_name}
            K = careful_map(pulls, corner, dropped)
            true = drive.truth[:, k]
            errors["careful"].append(careful_forces(drive, car, corner, K) - true)
            errors["naive"].append(naive_forces(drive, corner, naive_map(pulls)) - true)
        out[name] = {
            way: {
                c: round(float(np.sqrt(np.mean(np.square([e[:, i] for e in parts])))), 2)
                for i, c in enumerate(("Fx", "Fy", "Fz"))
            }
            for way, parts in errors.items()
        }
    return out


if __name__ == "__main__":
    sys.stdout.write(json.dumps(figures(Path(sys.argv[1])), indent=1) + "\n")
