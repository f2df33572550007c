"""Answers on files: one alone, or every one that a drive allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recon.answers import ANSWERS, Answer, one_of_all
from recon.base.errors import ReconError
from recon.base.kept_results import Kept
from recon.base.late import xr
from recon.base.second_core import due
from recon.command_provenance import Run, assume, part_of, recorded, running
from recon.command_report import Name, Report, Say, outcome, quiet, written
from recon.records.overwriting import refuse_existing

if TYPE_CHECKING:
    from recon.pages.shown_answers import Shown

Files = tuple[Name, Name | None, Name | None]  # forces, sections, vehicle
# Bytes of forces that two processes may hold at once; those of longer drives stay in one.
MOST_APART = 1 << 27


@recorded
def answered(
    answer: Answer,
    forces: Name,
    *,
    out: Name | None = None,
    overwrite: bool = False,
    say: Say = quiet,
    **options: Any,
) -> Report:
    """Calculate an answer from reconstructed forces, and draw it."""
    from recon.records.doubt_variables import doubts_in
    from recon.records.results import read_result
    from recon.report.drive.doubt_list import doubt_lines

    folder = Path(out or answer.name)
    refuse_existing(folder / answer.result_file, overwrite=overwrite)
    found = read_result(forces)
    say(f"calculating: {answer.help}")
    options = {name: _read(answer, name, value, found) for name, value in options.items()}
    computed = answer.function(answer.compute)(found, **options)
    lines, files = _files(answer, found, computed, folder, overwrite)
    say(f"complete: {folder}")
    doubts = doubts_in(found)
    return Report((*doubt_lines(doubts), *lines), files, outcome(found, doubts))


@recorded
def answers(
    forces: Name,
    *,
    sections: Name | None = None,
    vehicle: Name | None = None,
    calibration: Name | None = None,
    page: Name | None = None,
    out: Name = "answers",
    overwrite: bool = False,
    say: Say = quiet,
) -> Report:
    """Calculate every answer that a drive allows; list the others with reason and remedy.

    Each answer has a folder of its own in `out`.  `sections` and `vehicle` are passed to the
    answers that take them.  With `page`, the drive is also written as one HTML page, and with
    `calibration` that page shows map, pulls and verification.
    """
    from recon.pages.calibration import read_its_calibration
    from recon.pages.page import page as page_of
    from recon.pages.page_option import refuse_page_name, write_page_beside
    from recon.records.doubt_variables import doubts_in
    from recon.report.drive.doubt_list import doubt_lines

    folder = Path(out)
    for answer in ANSWERS:
        refuse_existing(folder / answer.name / answer.result_file, overwrite=overwrite)
    refuse_page_name(page, overwrite=overwrite)
    _drive.cache_clear()
    drive = _drive(forces, sections, vehicle)
    found, its = drive.forces, None
    if calibration is not None:
        its = read_its_calibration(calibration, found)
    given = _each(drive, (forces, sections, vehicle), folder, overwrite, page is not None, say)
    _drive.cache_clear()
    say(f"complete: {folder}")
    shown = [one for one, _ in given]
    make = partial(
        page_of, found, sections=drive.shared["sections"], calibration=its, answers=shown
    )
    files = tuple(file for _, own in given for file in own)
    files += write_page_beside(page, make, say, overwrite=overwrite)
    doubts = doubts_in(found)
    words = (*doubt_lines(doubts), *_in_a_line_each(shown, drive.shared["sections"]))
    return Report(words, files, outcome(found, doubts))


@dataclass(frozen=True, slots=True)
class _Drive:
    """Forces, what their answers share by the names of options, and what is kept for the next."""

    forces: xr.Dataset
    shared: dict[str, Any]
    kept: Kept


@lru_cache(maxsize=1)
def _drive(forces: Name, sections: Name | None, vehicle: Name | None) -> _Drive:
    """The drive, read once in each process that answers from it."""
    from recon.evaluation.sections.find_sections import find_sections
    from recon.records.results import read_result

    found = read_result(forces)
    shared = read_shared(found, sections=sections, vehicle=vehicle)
    if "sections" not in shared:
        shared["sections"] = find_sections(found)
    return _Drive(found, shared, {})


def _each(
    drive: _Drive, files: Files, folder: Path, overwrite: bool, paged: bool, say: Say
) -> list[tuple[Shown, tuple[Path, ...]]]:
    """Every answer with its files, from the last on by the second process."""
    calls = [
        partial(_given, a, files, folder / a.name, overwrite, paged, running()) for a in ANSWERS
    ]
    apart = drive.forces.nbytes < MOST_APART
    given = [due(call) if apart else call for call in reversed(calls)]
    out = []
    for answer in ANSWERS:
        say(f"calculating: {answer.help}")
        out.append(given.pop()())
    return out


def _given(
    answer: Answer, files: Files, folder: Path, overwrite: bool, paged: bool, run: Run | None
) -> tuple[Shown, tuple[Path, ...]]:
    """An answer with its files; its picture for a page only where there is one."""
    from recon.pages.shown_answers import Shown
    from recon.report.common.sheet import small_png_of

    drive = _drive(*files)
    with part_of(run):
        result = one_of_all(answer, drive.forces, drive.shared, drive.kept)
        if isinstance(result, ReconError):
            return Shown(answer, result), ()
        lines, new = _files(answer, drive.forces, result, folder, overwrite)
    return Shown(answer, result, tuple(lines), small_png_of(new[-1]) if paged else None), new


def _in_a_line_each(shown: Sequence[Shown], sections: xr.Dataset) -> list[str]:
    """The first line of every answer, then those that are not given with reason and remedy."""
    given = [titled(one.answer.name, one.lines[0]) for one in shown if one.lines]
    refused = [
        f"{_title(one.answer.name)} not given: {one.result.found}. {one.result.do}"
        for one in shown
        if isinstance(one.result, ReconError)
    ]
    return [*given, *(_searched(sections) if refused else ()), *refused]


def _title(name: str) -> str:
    return name.replace("_", " ").capitalize()


def titled(name: str, sentence: str) -> str:
    """The first line of an answer with its name in front, unless it begins with that."""
    title = _title(name)
    return sentence if sentence.startswith(title) else f"{title}: {sentence}"


def _searched(sections: xr.Dataset) -> tuple[str, ...]:
    """Where launches, stops and corners were searched, if that is a part of the drive only."""
    from recon.evaluation.sections.find_sections import sections_of

    parts = sections_of(sections, "part")
    if not parts:
        return ()
    named = ", ".join(f"{one.name} {one.start:.2f} to {one.end:.2f} s" for one in parts)
    return (f"searched only in parts of the table of sections ({named}); widen them for these:",)


def read_shared(forces: xr.Dataset, **files: Name | None) -> dict[str, Any]:
    """Read the files that answers share, by the names of their options; those not given are out."""
    return {kind: _of_file(kind, name, forces) for kind, name in files.items() if name is not None}


def _files(
    answer: Answer, forces: xr.Dataset, computed: xr.Dataset, folder: Path, overwrite: bool
) -> tuple[list[str], tuple[Path, ...]]:
    from recon.records.doubt_variables import doubts_in, with_doubts
    from recon.records.results import write_result
    from recon.report.drive.doubt_list import drawn_with_doubts

    doubts = doubts_in(forces)
    result = with_doubts(computed, doubts)
    write = partial(write_result, result)
    plot = partial(answer.function(answer.plot), forces, result)
    draw = partial(drawn_with_doubts, plot, doubts)
    files = written({answer.result_file: write}, {answer.picture_file: draw}, folder, overwrite)
    return answer.function("summary")(result), files


def _read(answer: Answer, name: str, value: Any, forces: xr.Dataset) -> Any:
    """The value of an option: what the file holds, where it is the name of one."""
    reads = next((option.reads for option in answer.options if option.name == name), "")
    return value if value is None or not reads else _of_file(reads, value, forces)


def _of_file(reads: str, name: Name, forces: xr.Dataset) -> Any:
    """Content of a file of one kind."""
    if reads == "vehicle":
        from recon.records.vehicles import read_vehicle

        car = read_vehicle(name)
        assume(car.assumed)
        return car
    if reads == "answer":
        from recon.evaluation.grip.use_reference import OWN
        from recon.records.results import read_result

        return OWN if name == OWN else read_result(name)
    if reads == "runs" and not str(name).endswith(".nc"):
        from recon.records.run_list import read_same_set_up

        return read_same_set_up(name, forces)
    if reads in ("results", "runs"):
        from recon.records.results import read_result

        return [read_result(one.strip()) for one in str(name).split(",")]
    from recon.evaluation.sections.find_sections import find_sections
    from recon.records.section_table import read_sections

    return find_sections(forces, read_sections(name))
