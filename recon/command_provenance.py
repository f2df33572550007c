"""Records how each command makes its files: options, inputs by checksum, and every note."""

from __future__ import annotations

import inspect
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from recon.base.errors import ReconWarning
from recon.records.files import checksum, only_result
from recon.records.provenance import Input, Record, assumptions_within, inputs_within

P = ParamSpec("P")
R = TypeVar("R")
# Options of commands that name files, and options that do not change a result.
FILES = (
    *("vehicle", "pulls", "verification", "calibration", "log", "tares", "forces"),
    *("map", "verification_map", "also_log", "tares_map", "sections", "runs"),
)
RESULTS = ("calibration", "forces")  # files that have a record of their own
WITHOUT_EFFECT = ("out", "overwrite", "say", "answer", "pictures", "page")


@dataclass(slots=True)
class Run:
    """A command while it runs: what it was given, and what it has noted and assumed so far."""

    command: str
    settings: dict[str, Any]
    inputs: tuple[Input, ...]
    notes: list[str] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Note it, once however many parts of the command pass it on."""
        if text not in self.notes:
            self.notes.append(text)


_RUN: ContextVar[Run | None] = ContextVar("run", default=None)


def recorded(command: Callable[P, R]) -> Callable[P, R]:
    """A command whose files hold the record of the run that made them."""
    signature = inspect.signature(command)

    @wraps(command)
    def run(*args: P.args, **options: P.kwargs) -> R:
        bound = signature.bind(*args, **options)
        bound.apply_defaults()
        token = _RUN.set(_run(command.__name__, bound.arguments))
        try:
            with _noting():
                return command(*args, **options)
        finally:
            _RUN.reset(token)

    return run


def running() -> Run | None:
    """The command that runs, as it stands; None outside of commands."""
    run = _RUN.get()
    if run is None:
        return None
    return replace(run, notes=[*run.notes], assumptions=[*run.assumptions])


@contextmanager
def held_back(kind: type[ReconWarning]) -> Iterator[list[str]]:
    """Do not show notes of one kind, which the commands within this block record; list them."""
    held: list[str] = []
    with warnings.catch_warnings():
        shown = warnings.showwarning

        def hold(message: Warning | str, category: type[Warning], *more: Any, **rest: Any) -> None:
            if issubclass(category, kind):
                held.append(str(message))
            else:
                shown(message, category, *more, **rest)

        warnings.showwarning = hold
        yield held


@contextmanager
def part_of(run: Run | None) -> Iterator[None]:
    """A part of a command, in whatever process: its files hold the record of `run`."""
    token = _RUN.set(run and replace(run, notes=[*run.notes], assumptions=[*run.assumptions]))
    try:
        with _noting():
            yield
    finally:
        _RUN.reset(token)


def assume(sentences: Iterable[object]) -> None:
    """Add values that no file stated to the record of the command that runs."""
    if (run := _RUN.get()) is not None:
        run.assumptions += [text for text in map(str, sentences) if text not in run.assumptions]


def record() -> Record | None:
    """Record of the command that runs, as it stands; None outside of commands."""
    run = _RUN.get()
    if run is None:
        return None
    return Record(run.command, run.settings, run.inputs, tuple(run.notes), tuple(run.assumptions))


def _run(name: str, arguments: Mapping[str, Any]) -> Run:
    given = {key: value for key, value in arguments.items() if key != "options"}
    given |= arguments.get("options", {})
    command = given["answer"].command if "answer" in given else name
    skipped = (*FILES, *WITHOUT_EFFECT)
    settings = {key: value for key, value in given.items() if key not in skipped}
    inputs = tuple(_inputs(given))
    return Run(command, settings, inputs, assumptions=_behind(inputs))


def _behind(inputs: Iterable[Input]) -> list[str]:
    """Assumptions that the results among the inputs were made with, each once."""
    results = (Path(one.file) for one in inputs if one.role in RESULTS)
    return list(dict.fromkeys(text for file in results for text in assumptions_within(file)))


def _inputs(given: Mapping[str, Any]) -> Iterator[Input]:
    """Every file that was named; one that cannot be read is refused later, by its reader."""
    named = [(role, given.get(role)) for role in FILES if role != "also_log"]
    for entry in given.get("also_log") or ():
        log, column_map = (entry, None) if isinstance(entry, str | Path) else entry
        named += [("also_log", log), ("map of also_log", column_map)]
    for role, file in named:
        if file is not None:
            with suppress(OSError, ValueError):
                place = only_result(file)
                yield Input(role, str(place), checksum(place))
                if role in RESULTS:
                    yield from inputs_within(place, role)


@contextmanager
def _noting() -> Iterator[None]:
    """Keep every warning of this package that is shown."""
    with warnings.catch_warnings():
        shown = warnings.showwarning

        def keep(message: Warning | str, category: type[Warning], *more: Any, **rest: Any) -> None:
            run = _RUN.get()
            if run is not None and issubclass(category, ReconWarning):
                run.note(str(message))
            shown(message, category, *more, **rest)

        warnings.showwarning = keep
        yield
