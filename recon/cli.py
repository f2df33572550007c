"""The command line: running a command, printing, exit codes, progress; nothing else."""

from __future__ import annotations

import atexit
import gc
import signal
import sys
import time
import traceback
import warnings
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NoReturn

from recon.commands import build_parser

if TYPE_CHECKING:
    from pathlib import Path

    from recon.pipeline import Report

# Exit codes of a result that is written: it says why there is no answer, its own data contradict
# it, or a gauge was left out.
CODES = {"sound": 0, "no answer": 3, "doubted": 5, "left out": 6}
# New objects until the next search for lost ones.  Nearly all last as long as the command, so that
# the usual 700 cost a tenth of its time.
UNSEARCHED = 10_000


def main(argv: list[str] | None = None) -> int:
    """Run one command; return the exit code, see README: 0 to 6, or 130."""
    options = _options(argv)
    command, debug = options.pop("command"), options.pop("debug")
    stop = _Stop()
    if command not in ("check", "observe"):
        options["say"] = _Progress(stop)
    try:
        with stop:
            return _printed(_run(command, options))
    except KeyboardInterrupt:
        return _stopped(command)
    except Exception as fault:
        if debug:
            traceback.print_exc()
        # Where it falls into an import, Python may make an error of its own of Ctrl-C.
        return _stopped(command) if stop.asked else _reported(command, fault)


def _options(argv: list[str] | None) -> dict[str, Any]:
    """Command and options as typed; a word too many is refused by the command it belongs to."""
    parser = build_parser()
    parsed, left = parser.parse_known_args(argv)
    if left:
        parser.commands[parsed.command].unknown(left)
    return vars(parsed)


def _run(command: str, options: dict[str, object]) -> Report:
    from recon import pipeline
    from recon.base.errors import ReconWarning
    from recon.base.second_core import second_core

    gc.set_threshold(UNSEARCHED)
    atexit.register(gc.freeze)  # nothing is searched while the program ends
    with second_core(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", ReconWarning)
        warnings.showwarning = _show
        report: Report = getattr(pipeline, command.replace("-", "_"))(**options)
    return report


def _stopped(command: str) -> int:
    """Say that the command was stopped, and return the exit code."""
    sys.stderr.write(
        f"recon {command}: stopped by you; no half-written file is left, and "
        "folders reported complete are complete\n"
    )
    return 130


def _reported(command: str, fault: Exception) -> int:
    """Print one message and return the exit code."""
    from recon.base.errors import ReconError

    if isinstance(fault, ReconError):
        sys.stderr.write(f"recon {command}: {fault}\n")
        return fault.exit_code
    sys.stderr.write(
        f"recon {command}: unexpected fault, {type(fault).__name__}: {fault}\n"
        "    This is a fault of the program: run again with --debug and report the output.\n"
    )
    return 1


def _printed(report: Report) -> int:
    """Print the report; return the exit code of its outcome."""
    try:
        for line in report.lines:
            print(line)
        if report.files:
            print("written:")
            for line in _folders(report.files):
                print(f"  {line}")
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader (head, a pager) has seen enough; a quiet end is what it expects.
        sys.stdout = None
    except OSError as fault:
        from recon.base.errors import OutputError

        sys.stdout = None  # at the end it would be written once more
        raise OutputError(
            where="standard output",
            found=f"printing failed ({fault.strerror})",
            needed="room for what it prints",
            do="Print elsewhere; files that it was to write are whole.",
        ) from fault
    return CODES[report.outcome]


def _folders(files: tuple[Path, ...]) -> list[str]:
    """Files by folder; folders of answers, which hold a result and a picture each, in one line."""
    by_folder: dict[Path, list[str]] = {}
    for file in files:
        by_folder.setdefault(file.parent, []).append(file.name)
    alike: dict[Path, list[str]] = {}
    for folder, names in by_folder.items():
        if names[0] == f"{folder.name}.nc" and len(names) == 2:
            alike.setdefault(folder.parent, []).append(folder.name)
    several = {parent for parent, names in alike.items() if len(names) > 1}
    lines = [
        f"{'this folder' if str(folder) == '.' else folder}: {', '.join(names)}"
        for folder, names in by_folder.items()
        if not (folder.parent in several and folder.name in alike[folder.parent])
    ]
    return lines + [f"{p}, a folder each: {', '.join(alike[p])}" for p in alike if p in several]


def _show(message: Warning | str, category: type[Warning], *_: object, **__: object) -> None:
    name = category.__name__.removesuffix("Warning").lower()
    sys.stderr.write(f"note ({name}): {message}\n")


class _Stop:
    """Ctrl-C, which is not lost where Python drops exceptions: while it clears objects away."""

    asked = False

    def __enter__(self) -> None:
        self.usual = signal.getsignal(signal.SIGINT)
        if self.usual is signal.default_int_handler:  # neither ignored nor somebody else's
            with suppress(ValueError):  # a thread that gets no signals
                signal.signal(signal.SIGINT, self._ask)

    def __exit__(self, *_: object) -> None:
        if signal.getsignal(signal.SIGINT) == self._ask:
            signal.signal(signal.SIGINT, self.usual)

    def _ask(self, *_: object) -> NoReturn:
        self.asked = True
        raise KeyboardInterrupt


class _Progress:
    """One line per stage on standard error, with the time it started."""

    def __init__(self, stop: _Stop) -> None:
        self.stop, self.start = stop, time.monotonic()

    def __call__(self, stage: str) -> None:
        if self.stop.asked:
            raise KeyboardInterrupt
        sys.stderr.write(f"[{time.monotonic() - self.start:5.1f} s] {stage}\n")
        sys.stderr.flush()
