"""What a careful and a naive inversion attain on the case car, in plain numpy and pandas.

    python tests/outside/attainable.py DATA_FOLDER > attainable.json

DATA_FOLDER holds pulls.csv, mistyped.json and NAME_log.csv.gz, NAME_tares.csv, NAME_truth.nc of
each drive.  Of the package only the vehicle file's points and the posing of a corner are used:
the sheets are read, the map fitted and the forces solved here.

careful  K by ordinary least squares from the pulls, the mistyped load dropped, tares taken off
         pull by pull; measured points moved with logged travel and steer; tares interpolated in
         the gauges' temperature; logged hub acceleration, roll and pitch; no filter, no weights,
         six unknowns.
naive    three forces only, from the pulls through the contact with the brake held, nothing
         dropped; pseudo-inverse; design position; first tare only; body axes taken for the
         road's.

On the whole drives (not kept here) this script gives the root mean square errors that the
makers of the case state for theirs, every one within 0.1 N (Fx / Fy / Fz in N):

    drive    careful              naive
    slalom   23.3 / 29.5 / 24.1   157.7 / 451.1 / 228.1
    braking  22.1 / 29.6 / 22.4   810.0 / 246.9 / 463.5
    launch   23.1 / 29.7 / 22.7   1532.7 / 352.7 / 897.4
    lap      22.9 / 29.7 / 24.1   755.8 / 440.0 / 451.8
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

from recon.car.linkage import lone
from recon.mechanics.build_mechanism import mechanism_of
from recon.mechanics.motion import pose, rack_of_steer
from recon.mechanics.statics import member_matrix
from recon.records.vehicles import read_vehicle

if TYPE_CHECKING:
    from recon.car.vehicle import Corner, Vehicle

Floats = NDArray[np.float64]
WINDOWS = Path(__file__).parent / "case_windows"
CAR = Path(__file__).parents[2] / "vehicles" / "case_car.toml"
DRIVES = ("slalom", "braking", "launch", "lap")
KGF = 9.80665  # N; what one kgf on the strap's cell and one kg on the pad stand for
GRAVITY = 9.81  # m/s2, of the drives
CONTACT_PULLS = (
    "patch fore", "patch aft", "patch outward", "patch inward", "fore-out", "pad", "pad again",
)  # fmt: skip


@dataclass(frozen=True)
class Pulls:
    """Loaded rows of one corner.

    `force`, `moment` (row, 3) on the upright about the wheel centre; `change` (row, gauge) of
    the indications from the pull's own tares; name of the pull, what held the wheel, line.
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


def applied(rows: pd.DataFrame, hub: Floats) -> tuple[Floats, Floats]:
    """Force and moment about the wheel centre of strap and pad together, (row, 3) each."""
    along = points(rows, "mark2") - points(rows, "mark1")
    along /= np.linalg.norm(along, axis=1)[:, None]
    # Empty cells: that device is not in use.
    strap = np.nan_to_num(KGF * rows.strap_kgf.to_numpy(float)[:, None] * along)
    pad = np.nan_to_num(KGF * rows.pad_kg.to_numpy(float)[:, None] * [0.0, 0.0, 1.0])
    strap_arm = np.nan_to_num(points(rows, "attach") - hub)
    pad_arm = np.nan_to_num(points(rows, "pad") - hub)
    return strap + pad, np.cross(strap_arm, strap) + np.cross(pad_arm, pad)


def read_sheet(path: Path, corner: Corner) -> Pulls:
    """Forces, moments and changes of indication of the pulls of one corner."""
    sheet = pd.read_csv(path)
    sheet["line"] = np.arange(len(sheet)) + 2
    at = pose(mechanism_of(lone(corner)), 0.0, 0.0)
    spin = at.wheels[0].spin
    parts = []
    for _, rows in sheet[sheet.corner == corner.name].groupby("pull"):
        tare = (rows.phase == "tare").to_numpy()
        loaded = rows[~tare]
        force, moment = applied(loaded, at.wheels[0].hub)
        if rows.wheel_held_by.iloc[0] == "half-shaft":
            moment -= np.outer(moment @ spin, spin)  # the bearing passes none about the axis
        seen = rows[gauges_of(corner)].to_numpy(float)
        order = np.arange(len(rows))
        zero = np.transpose([np.interp(order[~tare], order[tare], y[tare]) for y in seen.T])
        words = (loaded["name"].to_numpy(str), loaded.wheel_held_by.to_numpy(str))
        parts.append((force, moment, seen[~tare] - zero, *words, loaded.line.to_numpy()))
    return Pulls(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def careful_map(pulls: Pulls, corner: Corner, dropped: set[int]) -> Floats:
    """K (gauge, member) by ordinary least squares. [mV/V per N]"""
    kept = pulls.rows(~np.isin(pulls.line, list(dropped)))
    to_members = member_matrix(pose(mechanism_of(lone(corner)), 0.0, 0.0))
    loads = np.column_stack([kept.force, kept.moment]) @ to_members.T
    return np.linalg.lstsq(loads, kept.change, rcond=None)[0].T


def naive_map(pulls: Pulls) -> Floats:
    """(gauge, 3) indications per force at the contact. [mV/V per N]"""
    kept = pulls.rows(np.isin(pulls.name, CONTACT_PULLS) & (pulls.held == "brake"))
    return np.linalg.lstsq(kept.force, kept.change, rcond=None)[0].T


@dataclass(frozen=True)
class Drive:
    """Log in its own units, tares, true forces (sample, corner, 3) in road axes [N]."""

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
    mechanism = mechanism_of(lone(corner))
    (first, start), (last, end) = (drive.tare(w, gauges) for w in ("before", "after"))
    share = (log[f"gauge_temp_{name}"].to_numpy() - start) / (end - start)
    zero = first + share[:, None] * (last - first)
    # A tare hangs at droop: the unsprung weight stands on the links.
    weight = np.array([0.0, 0.0, -corner.unsprung_mass * GRAVITY])
    hanging = member_matrix(pose(mechanism, corner.droop_travel, 0.0))[:, :3] @ weight
    loads = np.linalg.solve(K, (log[gauges].to_numpy() - zero).T).T + hanging
    steer = np.radians(log.steer.to_numpy()) if corner.steered else np.zeros(len(log))
    rack = rack_of_steer(car, steer)
    at = pose(mechanism, log[[f"travel_{name}"]].to_numpy() / 1e3, rack)
    wrench = np.linalg.solve(member_matrix(at), loads[..., None])[..., 0]
    hub = log[[f"hub_{name}_{axis}" for axis in "xyz"]].to_numpy()
    force = wrench[:, :3] + corner.unsprung_mass * hub
    return np.einsum("nij,nj->ni", level_axes(log), force)


def naive_forces(drive: Drive, corner: Corner, A: Floats) -> Floats:
    """Forces as a beginner would have them, (sample, 3). [N]"""
    gauges = gauges_of(corner)
    first, _ = drive.tare("before", gauges)
    return (drive.log[gauges].to_numpy() - first) @ np.linalg.pinv(A).T


def errors_of(drive: Drive, car: Vehicle, folder: Path) -> dict[str, Floats]:
    """Errors of both ways, (corner, sample, 3). [N]"""
    known = json.loads((folder / "mistyped.json").read_text(encoding="utf-8"))
    dropped = {int(entry["line"]) for entry in known}
    out: dict[str, list[Floats]] = {"careful": [], "naive": []}
    for k, corner in enumerate(car.corners.values()):
        pulls, true = read_sheet(folder / "pulls.csv", corner), drive.truth[:, k]
        K = careful_map(pulls, corner, dropped)
        out["careful"].append(careful_forces(drive, car, corner, K) - true)
        out["naive"].append(naive_forces(drive, corner, naive_map(pulls)) - true)
    return {way: np.array(errors) for way, errors in out.items()}


def figures(folder: Path, drives: tuple[str, ...] = DRIVES) -> dict[str, dict[str, dict]]:
    """Root mean square errors [N] over all corners by drive, way and component."""
    car = read_vehicle(CAR)
    out: dict[str, dict[str, dict]] = {}
    for name in drives:
        out[name] = {}
        for way, errors in errors_of(read_drive(folder, name), car, folder).items():
            rms = np.sqrt(np.mean(errors**2, axis=(0, 1)))
            out[name][way] = dict(zip(("Fx", "Fy", "Fz"), rms.round(2).tolist(), strict=True))
    return out


if __name__ == "__main__":
    sys.stdout.write(json.dumps(figures(Path(sys.argv[1])), indent=1) + "\n")
