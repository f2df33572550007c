"""The whole chain on files, one function per command, no arithmetic of its own.

Each function reads, calls the stages, writes into a folder and returns what to print.  Option
names are those of the command line.  Every answer in `recon.answers` has a function of its name:
`pipeline.slalom("forces.nc", bandwidth=8.0)`.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Collection, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from recon.answering import answered, answers, read_shared, titled
from recon.answers import BY_NAME
from recon.base.doubt import Outcome
from recon.base.errors import DoubtWarning, ExtrapolationWarning, warn
from recon.base.late import xr
from recon.base.second_core import due, warm_up
from recon.base.shipped import shipped
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.command_provenance import assume, held_back, recorded
from recon.command_report import Name, Report, Say, drawn, outcome, quiet, removed, stale, written
from recon.comparing import compare
from recon.pages.html_document import Page
from recon.records.files import require_ending
from recon.records.overwriting import fresh_folder, refuse_existing
from recon.records.sheets import Tares
from recon.report.common.sheet import DRAWING, Pictures


def check(
    vehicle: Name, *, all: bool = False, out: Name | None = None, overwrite: bool = False
) -> Report:
    """Read a vehicle file, move every wheel through its travel, show the load in each link.

    With `all`, every assumed value is listed.  With `out`, every corner or axle is drawn, and its
    loads over travel.
    """
    from recon.records.vehicles import read_vehicle
    from recon.report.car.car_summary import car_pictures, car_summary

    car = read_vehicle(vehicle)
    lines = car_summary(car, every=all)
    return Report(tuple(lines), drawn(car_pictures(car), out, overwrite))


def observe(
    vehicle: Name,
    *,
    corner: str | None = None,
    gauged: str | None = None,
    noise: float = 10.0,
    best: int | None = None,
    out: Name | None = None,
    overwrite: bool = False,
) -> Report:
    """Calculate how well a set of gauges determines the forces, before anything is bonded.

    Corners that an axle ties are judged together.  With `best`, that many gauges are chosen,
    those of `gauged` always among them.  With `out`, the answer is drawn.
    """
    from recon.car.linkage import assembly_names, linkage_of
    from recon.planning.observability import best_gauges, by_assembly
    from recon.planning.observability import observe as judge
    from recon.records.vehicles import read_vehicle
    from recon.report.car.car_summary import unseen_of_pulls
    from recon.report.car.knowledge import plot_knowledge
    from recon.report.car.observed import observability_summary, selection_summary

    car = read_vehicle(vehicle)
    named = None if gauged is None else tuple(name.strip() for name in gauged.split(","))
    lines: list[str] = []
    every = list(assembly_names(car))
    gauged_ones = [name for name in every if linkage_of(car, name).gauges] or every
    sets = dict.fromkeys([corner] if corner else gauged_ones, named)
    if best is not None:
        choice = best_gauges(car, best, corner=corner, keep=named or (), noise=noise)
        split = by_assembly(car, choice, corner)
        labelled = {linkage_of(car, name).label: members for name, members in split.items()}
        lines += [*selection_summary(choice, labelled), ""]
        sets = {name: members for name, members in split.items() if members}
    pictures: Pictures = {}
    for name, members in sets.items():
        seen = judge(car, name, gauged=members, noise=noise)
        lines += [*observability_summary(seen), ""]
        pictures[f"knowledge_{seen.label.replace(' ', '_')}.png"] = partial(plot_knowledge, seen)
    lines = [*lines, *unseen_of_pulls(car)] if unseen_of_pulls(car) else lines[:-1]
    return Report(tuple(lines), drawn(pictures, out, overwrite))


@recorded
def calibrate(
    vehicle: Name,
    pulls: Name,
    *,
    verification: Name | None = None,
    map: Name | None = None,
    verification_map: Name | None = None,
    out: Name = "calibration",
    overwrite: bool = False,
    say: Say = quiet,
) -> Report:
    """Fit a calibration to pull sheets, verify it, and draw cross-talk and verification."""
    from recon.calibration.calibrate import calibrate as fit
    from recon.calibration.store import write_calibration
    from recon.records.pulls import read_pulls
    from recon.records.vehicles import read_vehicle
    from recon.report.calibration.calibration_summary import (
        calibration_in_brief,
        calibration_pictures,
        calibration_summary,
    )

    folder = Path(out)
    result = folder / "calibration.nc"
    refuse_existing(result, overwrite=overwrite)
    car = read_vehicle(vehicle)
    say("reading the pulls")
    sheet = read_pulls(pulls, car, column_map=map)
    warm_up(*DRAWING)
    held_out = None
    if verification is not None:
        held_out = read_pulls(
            verification, car, column_map=verification_map or map, purpose="verify"
        )
    assume((*car.assumed, *sheet.assumed, *(held_out.assumed if held_out else ())))
    say("fitting the calibration of each corner")
    calibration = fit(sheet, car, verification=held_out)
    pictures = calibration_pictures(calibration)
    say("writing the calibration and its pictures")
    write = partial(write_calibration, calibration)
    gone = removed(stale(result, pictures))
    files = written({result.name: write}, pictures, folder, overwrite)
    say(f"complete: {folder}")
    lines = (*calibration_summary(calibration, car), *gone)
    state: Outcome = "doubted" if calibration.unusable else "sound"
    return Report(lines, files, state, calibration_in_brief(calibration, car))


@recorded
def reconstruct(
    vehicle: Name,
    calibration: Name,
    log: Name,
    tares: Name,
    *,
    map: Name | None = None,
    also_log: Sequence[Name | tuple[Name, Name | None]] | None = None,
    tares_map: Name | None = None,
    bandwidth: float | None = None,
    start: float | None = None,
    end: float | None = None,
    marker: float | None = None,
    unbounded: bool = False,
    friction_limit: float | None = None,
    whole_car: bool = False,
    accept_corner: Collection[str] = (),
    pictures: bool = True,
    page: Name | None = None,
    out: Name = "forces",
    overwrite: bool = False,
    say: Say = quiet,
) -> Report:
    """Calculate tyre forces with intervals from one log or several, and draw them.

    Fy over Fx of every tyre, and the three forces of each corner over time with their intervals.
    `also_log` are logs of other loggers, alone or with a column map; `start`, `end` are in s.
    Without `pictures` only `forces.nc` is written; with `page` the drive as one HTML page too.
    """
    from recon.conditioning.condition import condition, tell_of_bandwidth
    from recon.conditioning.joining import joined_logs
    from recon.conditioning.part_of_drive import part_of
    from recon.examination.weighed_wheels import weighed
    from recon.pages.page import page as page_of
    from recon.pages.page_option import refuse_page_name, write_page_beside
    from recon.reconstruction.weighing import weigh_check
    from recon.records.doubt_variables import doubts_in
    from recon.records.results import read_result, write_result
    from recon.report.drive.drive_report import drive_lines, drive_pictures

    folder = Path(out)
    refuse_existing(folder / "forces.nc", overwrite=overwrite)
    refuse_page_name(page, overwrite=overwrite)
    car, fitted, zeros = _session_files(vehicle, calibration, tares, tares_map)
    say("reading the log")
    joined = joined_logs([(log, map), *(also_log or ())], car)
    warm_up(*(DRAWING if pictures else ()))
    say("subtracting tares and filtering")
    tell_of_bandwidth(whole := condition(joined.log, car, zeros, bandwidth=bandwidth), bandwidth)
    conditioned = part_of(whole, start=start, end=end, marker=marker)
    say("reconstructing forces")
    how = {"bounded": not unbounded, "friction_limit": friction_limit, "whole_car": whole_car}
    forces = _solved(conditioned, fitted, car, accept_corner=accept_corner, **how)
    forces = weighed(forces, weighings := weigh_check(zeros, fitted, car))
    lines, brief = drive_lines(forces, doubts := doubts_in(forces), joined, weighings)
    say("writing the forces and their pictures" if pictures else "writing the forces")
    drawn = drive_pictures(forces, doubts, joined.clocks) if pictures else {}
    gone = removed(stale(folder / "forces.nc", drawn))
    files = written({"forces.nc": partial(write_result, forces)}, drawn, folder, overwrite)

    def make() -> Page:
        return page_of(read_result(folder / "forces.nc"), vehicle=car, calibration=fitted)

    files += write_page_beside(page, make, say, overwrite=overwrite)
    say(f"complete: {folder}")
    return Report((*lines, *gone), files, outcome(forces, doubts), brief)


def _solved(*inputs: Any, **options: Any) -> xr.Dataset:
    """Forces; doubts are left to the report."""
    from recon.examination.reconstruct import reconstruct as solve

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DoubtWarning)
        return solve(*inputs, **options)


def _session_files(
    vehicle: Name, calibration: Name, tares: Name, tares_map: Name | None
) -> tuple[Vehicle, Calibration, Tares]:
    """Read everything that a drive needs beside its log."""
    from recon.calibration.store import read_calibration
    from recon.records.tares import read_tares
    from recon.records.vehicles import read_vehicle

    car = read_vehicle(vehicle)
    zeros = read_tares(tares, car, column_map=tares_map)
    assume((*car.assumed, *zeros.assumed))
    return car, read_calibration(calibration), zeros


def __getattr__(name: str) -> Callable[..., Report]:
    if name not in BY_NAME:
        message = f"module 'recon.pipeline' has no attribute '{name}'"
        raise AttributeError(message)
    return partial(answered, BY_NAME[name])


def export(
    forces: Name,
    *,
    corner: str | None = None,
    start: float | None = None,
    end: float | None = None,
    rate: float | None = None,
    out: Name = "export.csv",
    overwrite: bool = False,
    say: Say = quiet,
) -> Report:
    """Write forces or an answer as CSV: some corners, a window of time, a lower rate."""
    from recon.records.doubt_variables import doubts_in
    from recon.records.results import read_result
    from recon.report.drive.doubt_list import doubt_lines
    from recon.report.export import ENDINGS
    from recon.report.export import export as write

    require_ending(Path(out), *ENDINGS)
    refuse_existing(Path(out), overwrite=overwrite)
    found = read_result(forces)
    say("writing the table")
    window = {"start": start, "end": end, "rate": rate}
    target = write(found, corner=corner, out=out, overwrite=overwrite, **window)
    doubts = doubts_in(found)
    return Report(tuple(doubt_lines(doubts)), (target,), outcome(found, doubts))


@recorded
def page(
    result: Name,
    *,
    sections: Name | None = None,
    vehicle: Name | None = None,
    calibration: Name | None = None,
    out: Name | None = None,
    overwrite: bool = False,
    say: Say = quiet,
) -> Report:
    """Write a drive or a comparison as one HTML page, readable without network or program.

    `sections`, `vehicle` and `calibration` belong to a drive; with the calibration that its forces
    were made with, the page also shows map, pulls and verification.
    """
    from recon.pages.calibration import read_its_calibration
    from recon.pages.comparison_page import is_comparison
    from recon.pages.page import page as made
    from recon.pages.page_option import refuse_page_name
    from recon.records.doubt_variables import doubts_in
    from recon.records.results import read_result
    from recon.report.drive.doubt_list import doubt_lines

    found = read_result(result)
    target = Path(out or ("comparison.html" if is_comparison(found) else "drive.html"))
    refuse_page_name(target, overwrite=overwrite)
    say("working out what the page shows")
    shared = read_shared(found, sections=sections, vehicle=vehicle)
    if calibration is not None:
        shared["calibration"] = read_its_calibration(calibration, found)
    whole = made(found, **shared)
    say("writing the page")
    whole.write(target, overwrite=overwrite)
    doubts = doubts_in(found)
    lines = (*doubt_lines(doubts), f"Open {target} in a browser.")
    return Report(lines, (target,), outcome(found, doubts))


def demo(*, out: Name = "demo_result", say: Say = quiet) -> Report:
    """Run the whole chain and every answer on the shipped, invented car, in a new folder."""
    folder, data = fresh_folder(Path(out)), shipped("demo_data")
    warm_up(*DRAWING, "recon.examination.reconstruct")
    vehicle = shipped("vehicles", "club_racer.toml")
    fitted = calibrate(
        vehicle,
        data / "pulls.csv",
        verification=data / "verification.csv",
        out=folder / "calibration",
        say=say,
    )
    comparison = due(partial(_compared_runs, folder), say)
    solved = reconstruct(
        vehicle,
        folder / "calibration" / "calibration.nc",
        data / "day.csv.gz",
        data / "tares.csv",
        out=folder / "forces",
        say=say,
    )
    answer = answers(
        folder / "forces" / "forces.nc",
        vehicle=vehicle,
        calibration=folder / "calibration" / "calibration.nc",
        page=folder / "drive.html",
        out=folder / "answers",
        say=say,
    )
    compared = comparison()
    lines = [
        "An invented club car, pulled, driven through an invented day and reconstructed.",
        "",
        *fitted.brief,
        "",
        *solved.brief,
        "",
        *answer.lines,
        titled("comparison", compared.lines[0]),
        "",
        f"Everything is in {folder}. Open {folder / 'drive.html'} in a browser first;",
        "comparison.html beside it shows the six runs on two set-ups.",
        f"Next: copy {vehicle}",
        f"and the tables in {data}, fill in your own car, and run",
        "  recon check YOUR_CAR.toml",
        "Loaded straps and jacked cars hurt people: read the README's cautions before you pull.",
    ]
    files = (f for report in (fitted, solved, answer, compared) for f in report.files)
    return Report(tuple(lines), tuple(files))


def _compared_runs(folder: Path, *, say: Say) -> Report:
    """Reconstruct the short runs of the demo into `folder`, and compare their set-ups."""
    from shutil import copyfile

    data, runs = shipped("demo_data"), folder / "runs"
    with held_back(ExtrapolationWarning) as beyond:
        for log in sorted(data.glob("run_*.csv.gz")):
            name = log.name.removesuffix(".csv.gz")
            say(f"reconstructing {name}")
            reconstruct(
                shipped("vehicles", "club_racer.toml"),
                folder / "calibration" / "calibration.nc",
                log,
                data / "tares.csv",
                pictures=False,
                out=runs / name,
            )
    if beyond:  # as many sentences as there are runs, with nothing else in them
        warn(
            f"{runs}: {len(beyond)} runs have forces beyond the largest pull and wider intervals "
            "there; the record in each forces.nc says at which corner and how often.",
            ExtrapolationWarning,
        )
    copyfile(data / "runs.csv", runs / "runs.csv")
    return compare(
        runs / "runs.csv",
        metric="front_lateral_force",
        margin="2%",
        page=folder / "comparison.html",
        out=folder / "comparison",
        say=say,
    )
