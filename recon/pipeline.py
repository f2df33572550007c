"""The whole chain on files, one function per command, no arithmetic of its own.

Each function reads, calls the stages, writes into a folder and returns what to print.  Option
names are those of the command line.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from recon.base.errors import DataWarning, OutputError
from recon.base.quantities import CORNERS
from recon.base.shipped import shipped

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.figure import Figure

    from recon.calibration.map import Calibration
    from recon.car.vehicle import Vehicle

    Answer = tuple[xr.Dataset, list[str], Callable[[], Figure]]  # result, words, its picture

Say = Callable[[str], None]
Figures = dict[str, Callable[[], "Figure"]]  # file name to the call that draws it
# Every picture that a calibration may have; which ones it has follows its pulls.
CALIBRATION_PICTURES = (*(f"crosstalk_{corner}.png" for corner in CORNERS), "verification.png")


def _quiet(_: str) -> None:
    """Say nothing."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where results go, whether one may be replaced, and who hears of it."""

    folder: Path
    overwrite: bool
    say: Say


@dataclass(frozen=True, slots=True)
class Report:
    """What a command has to say: lines for people and the files it wrote."""

    lines: tuple[str, ...]
    files: tuple[Path, ...] = ()


def check(vehicle: str | Path, *, out: str | Path | None = None, overwrite: bool = False) -> Report:
    """Read a vehicle file, pose every corner over its range, show what each link carries.

    Pictures of every corner or axle and of its loads over travel are written where `out` is given.
    """
    from recon.car.linkage import assembly_names, linkage_of
    from recon.records.vehicles import read_vehicle
    from recon.report.figures import plot_corner, plot_travel
    from recon.report.summary import car_summary

    car = read_vehicle(vehicle)
    lines = tuple(car_summary(car))
    figures: Figures = {}
    for name in assembly_names(car):
        corner = linkage_of(car, name).corners[0].name
        kind, of = ("axle", f"axle_{name}") if name in car.axles else ("corner", name)
        figures[f"{kind}_{name}.png"] = partial(plot_corner, car, corner)
        figures[f"travel_{of}.png"] = partial(plot_travel, car, corner)
    return Report(lines, _pictured(figures, out, overwrite))


def observe(
    vehicle: str | Path,
    *,
    corner: str | None = None,
    gauged: str | None = None,
    noise: float = 10.0,
    best: int | None = None,
    out: str | Path | None = None,
    overwrite: bool = False,
) -> Report:
    """What the gauges of each corner can know, lose and could win, before anything is bonded.

    Corners that an axle ties are judged together, once. With `best` the gauges are that many,
    chosen here, `gauged` among them. A picture of every corner or axle is written where `out` is
    given.
    """
    from recon.car.linkage import linkage_of
    from recon.planning.observability import best_gauges, by_assembly
    from recon.planning.observability import observe as judge
    from recon.records.vehicles import read_vehicle
    from recon.report.figures import plot_knowledge
    from recon.report.summary import observability_summary, selection_summary

    car = read_vehicle(vehicle)
    named = None if gauged is None else tuple(name.strip() for name in gauged.split(","))
    lines: list[str] = []
    if best is None:
        sets = dict.fromkeys(_asked(car, corner), named)
    else:
        choice = best_gauges(car, best, corner=corner, keep=named or (), noise=noise)
        split = by_assembly(car, choice, corner)
        told = {linkage_of(car, n).label: m for n, m in split.items()}
        lines += [*selection_summary(choice, told), ""]
        sets = {name: members for name, members in split.items() if members}
    figures: Figures = {}
    for name, members in sets.items():
        seen = judge(car, name, gauged=members, noise=noise)
        lines += [*observability_summary(seen), ""]
        figures[f"knowledge_{seen.label.replace(' ', '_')}.png"] = partial(plot_knowledge, seen)
    return Report(tuple(lines[:-1]), _pictured(figures, out, overwrite))


def _asked(car: Vehicle, corner: str | None) -> list[str]:
    """The corner that was asked for, or every gauged one or axle, or all where none is."""
    from recon.car.linkage import assembly_names, linkage_of

    if corner is not None:
        return [corner]
    every = list(assembly_names(car))
    return [name for name in every if linkage_of(car, name).gauges] or every


def calibrate(
    vehicle: str | Path,
    pulls: str | Path,
    *,
    verification: str | Path | None = None,
    map: str | Path | None = None,
    verification_map: str | Path | None = None,
    out: str | Path = "calibration",
    overwrite: bool = False,
    say: Say = _quiet,
) -> Report:
    """Pull sheets to a calibration file with pictures of cross-talk and verification."""
    from recon.calibration.calibrate import calibrate as fit
    from recon.calibration.store import write_calibration
    from recon.records.pulls import read_pulls
    from recon.records.vehicles import read_vehicle
    from recon.report.calibration import calibration_summary
    from recon.report.figures import plot_crosstalk, plot_verification

    _refuse_existing(Path(out) / "calibration.nc", overwrite)
    car = read_vehicle(vehicle)
    say("reading the pulls")
    sheet = read_pulls(pulls, car, column_map=map)
    held_out = None
    if verification is not None:
        held_out = read_pulls(
            verification, car, column_map=verification_map or map, purpose="verify"
        )
    say("fitting the map of each corner")
    calibration = fit(sheet, car, verification=held_out)
    figures: Figures = {
        f"crosstalk_{name}.png": partial(plot_crosstalk, calibration, name)
        for name in calibration.corners
    }
    if any(c.verification is not None for c in calibration.corners.values()):
        figures["verification.png"] = partial(plot_verification, calibration)
    folder = _folder(out, ["calibration.nc", *figures], overwrite)
    replaced = (folder / "calibration.nc").exists()
    say("writing the calibration and its pictures")
    files = [write_calibration(calibration, folder / "calibration.nc", overwrite=overwrite)]
    files += _save(figures, folder, overwrite)
    gone = _remove_stale(folder, figures) if replaced else []
    say(f"complete: {folder}")
    return Report((*calibration_summary(calibration, car), *gone), tuple(files))


def reconstruct(
    vehicle: str | Path,
    calibration: str | Path,
    log: str | Path,
    tares: str | Path,
    *,
    map: str | Path | None = None,
    tares_map: str | Path | None = None,
    bandwidth: float | None = None,
    unbounded: bool = False,
    out: str | Path = "forces",
    overwrite: bool = False,
    say: Say = _quiet,
) -> Report:
    """A log to tyre forces with intervals, and the friction plane of every tyre."""
    from recon.calibration.store import read_calibration
    from recon.conditioning.condition import condition
    from recon.reconstruction.plausible import implausible
    from recon.reconstruction.reconstruct import reconstruct as solve
    from recon.reconstruction.weigh import weigh_check
    from recon.records.logs import read_log
    from recon.records.tares import read_tares
    from recon.records.vehicles import read_vehicle
    from recon.report.figures import plot_friction_plane
    from recon.report.summary import forces_summary

    _refuse_existing(Path(out) / "forces.nc", overwrite)
    car = read_vehicle(vehicle)
    fitted: Calibration = read_calibration(calibration)
    zeros = read_tares(tares, car, column_map=tares_map)
    say("reading the log")
    raw = read_log(log, car, column_map=map)
    say("taking tares off and filtering")
    conditioned = condition(raw, car, zeros, bandwidth=bandwidth)
    say("reconstructing forces")
    forces = solve(conditioned, fitted, car, bounded=not unbounded)
    for sentence in implausible(forces, raw, car):
        warnings.warn(f"{log}: {sentence}", DataWarning, stacklevel=2)
    weighings = weigh_check(zeros, fitted, car)
    figures: Figures = {"friction_plane.png": partial(plot_friction_plane, forces)}
    say("writing the forces and their picture")
    files = _store(forces, "forces.nc", figures, Target(Path(out), overwrite, say))
    return Report(tuple(forces_summary(forces, weighings)), files)


def slalom(
    forces: str | Path,
    *,
    bandwidth: float = 8.0,
    out: str | Path = "slalom",
    overwrite: bool = False,
    say: Say = _quiet,
) -> Report:
    """Peak lateral force per cone, tyre and axle, with a picture through the cones."""
    from recon.analysis.slalom import slalom as peaks
    from recon.report.figures import plot_lateral_force
    from recon.report.summary import slalom_summary

    def answer(found: xr.Dataset) -> Answer:
        say("finding the cones")
        cones = peaks(found, bandwidth=bandwidth)
        return cones, slalom_summary(cones), partial(plot_lateral_force, found, cones)

    names = ("slalom.nc", "lateral_force.png")
    return _analysis(forces, answer, names, Target(Path(out), overwrite, say))


def friction(
    forces: str | Path,
    *,
    low_load: float = 800.0,
    out: str | Path = "friction",
    overwrite: bool = False,
    say: Say = _quiet,
) -> Report:
    """Friction use of every tyre and the highest that was demonstrated."""
    from recon.analysis.friction import friction_use
    from recon.report.figures import plot_friction_plane
    from recon.report.summary import friction_summary

    def answer(found: xr.Dataset) -> Answer:
        say("working out friction use")
        used = friction_use(found, low_load=low_load)
        return used, friction_summary(used), partial(plot_friction_plane, found)

    names = ("friction.nc", "friction_plane.png")
    return _analysis(forces, answer, names, Target(Path(out), overwrite, say))


def _analysis(
    forces: str | Path,
    answer: Callable[[xr.Dataset], Answer],
    names: tuple[str, str],
    target: Target,
) -> Report:
    """Forces to an answer with its picture; `names` are those of the two files."""
    from recon.records.results import read_result

    _refuse_existing(target.folder / names[0], target.overwrite)
    dataset, lines, picture = answer(read_result(forces))
    return Report(tuple(lines), _store(dataset, names[0], {names[1]: picture}, target))


def demo(*, out: str | Path = "demo_result", say: Say = _quiet) -> Report:
    """The whole chain on the shipped, invented car and slalom, into a fresh folder."""
    folder = _fresh(Path(out))
    vehicle = shipped("vehicles", "club_racer.toml")
    data = shipped("demo_data")
    fitted = calibrate(
        vehicle,
        data / "pulls.csv",
        verification=data / "verification.csv",
        out=folder / "calibration",
        say=say,
    )
    solved = reconstruct(
        vehicle,
        folder / "calibration" / "calibration.nc",
        data / "slalom.csv.gz",
        data / "tares.csv",
        out=folder / "forces",
        say=say,
    )
    forces = folder / "forces" / "forces.nc"
    cones = slalom(forces, out=folder / "slalom", say=say)
    used = friction(forces, out=folder / "friction", say=say)
    lines = [
        "An invented club car, pulled, driven through an invented slalom and reconstructed.",
        "",
        *(line for line in fitted.lines if not line.startswith("  least seen")),
        "",
        *solved.lines,
        *cones.lines[:4],
        f"  ... all {len(cones.lines) - 2} cones in {folder / 'slalom'}",
        *used.lines,
        "",
        f"Everything is in {folder}. Look at slalom/lateral_force.png first.",
        f"Next: copy {vehicle}",
        f"and the sheets in {data}, fill in your own car, and run",
        "  recon check YOUR_CAR.toml",
    ]
    files = (*fitted.files, *solved.files, *cones.files, *used.files)
    return Report(tuple(lines), files)


def _folder(out: str | Path, names: list[str], overwrite: bool) -> Path:
    """The folder to write to; refuses before the first byte where a result is already there."""
    folder = Path(out)
    for name in names:
        _refuse_existing(folder / name, overwrite)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise _impossible(folder, fault) from fault
    return folder


def _impossible(folder: Path, fault: OSError) -> OutputError:
    return OutputError(
        str(folder),
        f"cannot be made or entered ({fault.strerror})",
        "a folder that can be written",
        "Name another folder with --out.",
    )


def _refuse_existing(target: Path, overwrite: bool) -> None:
    """Refuse before the work rather than after it."""
    try:
        there = target.exists()
    except OSError as fault:  # a name that is too long, a folder that must not be looked into
        raise _impossible(target.parent, fault) from fault
    if there and not overwrite:
        raise OutputError(
            where=str(target),
            found="a result already there",
            needed="a fresh folder or permission to replace",
            do="Name another folder with --out, or say --overwrite.",
        )


def _fresh(folder: Path) -> Path:
    """`folder`, or the first of folder_2, folder_3, ... that is not there yet."""
    if not folder.exists():
        return folder
    n = 2
    while folder.with_name(f"{folder.name}_{n}").exists():
        n += 1
    return folder.with_name(f"{folder.name}_{n}")


def _remove_stale(folder: Path, figures: Figures) -> list[str]:
    """Remove pictures of the calibration that was replaced, and say so."""
    stale = [
        name for name in CALIBRATION_PICTURES if name not in figures and (folder / name).is_file()
    ]
    try:
        for name in stale:
            (folder / name).unlink()
    except OSError as fault:
        raise _impossible(folder, fault) from fault
    return [
        f"removed {folder / name}, a picture of the calibration that was replaced" for name in stale
    ]


def _store(dataset: xr.Dataset, name: str, figures: Figures, target: Target) -> tuple[Path, ...]:
    """Write a result and its pictures."""
    from recon.records.results import write_result

    folder = _folder(target.folder, [name, *figures], target.overwrite)
    result = write_result(dataset, folder / name, overwrite=target.overwrite)
    files = (result, *_save(figures, folder, target.overwrite))
    target.say(f"complete: {folder}")
    return files


def _pictured(figures: Figures, out: str | Path | None, overwrite: bool) -> tuple[Path, ...]:
    """Write the pictures into `out` where one is given."""
    if out is None:
        return ()
    return tuple(_save(figures, _folder(out, [*figures], overwrite), overwrite))


def _save(figures: Figures, folder: Path, overwrite: bool) -> list[Path]:
    from recon.report.figures import save_figure

    return [
        save_figure(make(), folder / name, overwrite=overwrite) for name, make in figures.items()
    ]
