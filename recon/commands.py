"""Commands of the command line: words, files and options of each; nothing is run here."""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Iterable, Mapping
from typing import Any, NoReturn

from recon.answers import ANSWERS, Answer
from recon.base.version import program_version

EXAMPLES = {
    "demo": "recon demo --out demo_result",
    "check": "recon check car.toml",
    "observe": "recon observe car.toml --corner FL",
    "calibrate": "recon calibrate car.toml pulls.csv --verification checks.csv --out calibration",
    "reconstruct": "recon reconstruct car.toml calibration/calibration.nc log.csv tares.csv "
    "--out forces",
    "compare": "recon compare runs.csv --metric cornering_force --margin 2% --out comparison",
    "page": "recon page forces/forces.nc --vehicle car.toml --out drive.html",
    "answers": "recon answers forces/forces.nc --vehicle car.toml --out answers",
    "export": "recon export forces/forces.nc --corner FL,FR --from 2 --to 5 --rate 100 "
    "--out forces.csv",
} | {
    a.command: " ".join(
        [
            f"recon {a.command} forces/forces.nc",
            *(f"{option.flag} car.toml" for option in a.options if option.required),
            f"--out {a.name}",
        ]
    )
    for a in ANSWERS
}
FORMATS = "file formats: vehicles/README.md and demo_data/README.md"
CAUTION = """
Loaded straps and jacked cars hurt people: stay out of the strap's line and from
under the car, below the strap's working limit and half of the weakest part's
limit; stands take no side load; local codes and licensed practice decide.
"""


class _Once(argparse.Action):
    """One value; a second one is refused, as the last would silently stand for all."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option: str | None = None,
    ) -> None:
        first = getattr(namespace, self.dest)
        if option and first is not self.default:
            parser.error(f"option '{option}' stands there twice, with {first} and {values}.")
        setattr(namespace, self.dest, values)


class _Parser(argparse.ArgumentParser):
    """argparse that exits 2 with one clear message and offers the nearest command or option."""

    commands: Mapping[str, _Parser]

    def __init__(self, *args: Any, **how: Any) -> None:
        super().__init__(*args, **how)
        self.register("action", None, _Once)  # of whatever takes a value and states no action

    def error(self, message: str) -> NoReturn:
        if "invalid choice" in message:
            typed = message.split("'")[1]
            hint = _nearest(typed, COMMANDS)
            message = f"no command '{typed}'.{hint} Commands: {', '.join(COMMANDS)}"
        if message.endswith("required: command"):
            message = f"no command. Begin with `recon demo`, or name one: {', '.join(COMMANDS)}"
        sys.stderr.write(f"{self.prog}: {message}\n    See `{self.prog} --help`.\n")
        raise SystemExit(2)

    def unknown(self, words: list[str]) -> NoReturn:
        """Refuse words that no option or file of this command takes."""
        option = next((word for word in words if word.startswith("-")), "")
        if option:
            typed = option.partition("=")[0]
            if typed in self._option_string_actions:
                self.error(f"option '{typed}' stands before the command; write it after it.")
            self.error(f"no option '{typed}'.{_nearest(typed, self._option_string_actions)}")
        self.error(f"one file or word too many: '{words[0]}'")


def _nearest(typed: str, known: Iterable[str]) -> str:
    words = {name.lstrip("-"): name for name in known}  # dashes make all options alike
    close = difflib.get_close_matches(typed.lstrip("-"), list(words), n=1)
    return f" Did you mean '{words[close[0]]}'?" if close else ""


def _log_and_map(text: str) -> tuple[str, str | None]:
    """Split FILE:MAP; the colon of a drive's letter is none."""
    log, colon, column_map = text.rpartition(":")
    return (log, column_map) if colon and column_map.endswith(".toml") else (text, None)


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(","))


def _float(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        found = f"'{text}' is no number; need one with a point and without a unit, such as 5.2"
        raise argparse.ArgumentTypeError(found) from None


def _count(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        found = f"'{text}' is no whole number; need one, such as 4"
        raise argparse.ArgumentTypeError(found) from None


Argument = tuple[str, str, dict[str, Any]]  # name, help, and how argparse takes it


def _argument(name: str, words: str, **how: Any) -> Argument:
    return name, words, how


def _flag(name: str, words: str) -> Argument:
    return _argument(name, words, action="store_true")


def _number(name: str, unit: str, words: str, **how: Any) -> Argument:
    return _argument(name, words, type=_float, metavar=unit, **how)


def _outputs(folder: str) -> tuple[Argument, ...]:
    return (
        _argument("--out", f"folder to write to (default {folder})", default=folder),
        _flag("--overwrite", "replace an existing result"),
    )


def _options_of(answer: Answer) -> tuple[Argument, ...]:
    return tuple(
        _argument(
            option.flag,
            option.words.replace("%", "%%"),
            type=_float if option.unit else str,
            default=option.default,
            metavar=(option.unit or option.name).upper(),
            dest=option.name,
        )
        for option in answer.options
    )


VEHICLE = _argument("vehicle", "vehicle file (TOML)")
FORCES = _argument("forces", "forces.nc, written by `recon reconstruct`")
PICTURES = (
    _argument("--out", "folder for pictures (default: none are drawn)"),
    _flag("--overwrite", "replace existing pictures"),
)
WINDOW = (
    _number("--from", "S", "first elapsed time, in s", dest="start"),
    _number("--to", "S", "last elapsed time, in s", dest="end"),
)
PAGE_BESIDE = _argument(
    "--page",
    "also write one HTML page, which needs neither network nor this program",
    metavar="FILE",
)
OF_DRIVE = (
    _argument("--sections", "table of sections (CSV); without it the program finds them"),
    _argument("--vehicle", "vehicle file, for the answers that need it"),
    _argument(
        "--calibration", "calibration.nc of these forces: the page shows its map and verification"
    ),
)
ARGUMENTS: dict[str, tuple[Argument, ...]] = {
    "demo": (_argument("--out", "new folder (default demo_result)", default="demo_result"),),
    "check": (VEHICLE, _flag("--all", "list every value that is assumed"), *PICTURES),
    "observe": (
        VEHICLE,
        _argument(
            "--corner", "one corner, or an axle that ties two wheels (default: all with gauges)"
        ),
        _argument(
            "--gauged", "gauged members, separated by commas (default: those in the file)"
        ),
        _number(
            "--noise", "N", "standard uncertainty of each gauge's load, in N (default 10)",
            default=10.0,
        ),
        _argument(
            "--best",
            "choose the best COUNT gauges of the corner or car; --gauged are always included",
            type=_count, metavar="COUNT",
        ),
        *PICTURES,
    ),
    "calibrate": (
        VEHICLE,
        _argument("pulls", "pull sheet (CSV), one row per load step"),
        _argument("--verification", "sheet of pulls that are kept out of the fit"),
        _argument("--map", "column map (TOML) of the pull sheet"),
        _argument("--verification-map", "column map of the verification sheet"),
        *_outputs("calibration"),
    ),
    "reconstruct": (
        VEHICLE,
        _argument("calibration", "calibration.nc, written by `recon calibrate`"),
        _argument("log", "log of the drive (CSV, may be gzipped)"),
        _argument("tares", "tares (CSV) before and after the drive"),
        _argument("--map", "column map (TOML) of the log"),
        _argument(
            "--also-log",
            "log of another logger in the same drive, with its column map if it needs one; may be "
            "given several times. Clocks are aligned by the channels that the logs have in common",
            action="append", type=_log_and_map, metavar="FILE[:MAP]",
        ),
        _argument("--tares-map", "column map of the tares"),
        _number(
            "--bandwidth", "HZ",
            "bandwidth of the forces, in Hz (default 0.35 of the sampling rate; from half of it "
            "on nothing is filtered)",
        ),
        *WINDOW,
        _number("--marker", "VALUE", "use only samples whose column `marker` has this value"),
        _flag("--unbounded", "allow Fz below zero"),
        _number(
            "--friction-limit", "RATIO",
            "largest horizontal force of a tyre over its Fz, such as 2.5 (default: no limit)",
        ),
        _flag(
            "--whole-car",
            "also give forces that satisfy the laws of motion of the whole car",
        ),
        _argument(
            "--accept-corner",
            "corners or axles, separated by commas, that are used in spite of an unusable "
            "calibration",
            type=_names, default=(), metavar="CORNERS",
        ),
        _argument(
            "--no-pictures", "write forces.nc only, which takes half as long",
            dest="pictures", action="store_false",
        ),
        PAGE_BESIDE,
        *_outputs("forces"),
    ),
    "compare": (
        _argument("runs", "run list (CSV), one row per run"),
        _argument(
            "--metric",
            "metric that decides, declared before you look at any, such as cornering_force "
            "(without it, the command lists all of them and stops)",
            metavar="NAME",
        ),
        _argument(
            "--margin",
            "largest difference that does not matter, such as 2%% or a number in the metric's "
            "unit (default: none, nothing is found equivalent)",
            metavar="SIZE",
        ),
        PAGE_BESIDE,
        *_outputs("comparison"),
    ),
    "export": (
        _argument("forces", "forces.nc, or the .nc file of an answer"),
        _argument("--corner", "corners, separated by commas (default: all)", metavar="CORNERS"),
        *WINDOW,
        _number(
            "--rate", "HZ", "lower rate, in Hz; values are filtered first (default: every sample)"
        ),
        _argument(
            "--out", "table to write, ending .csv or .csv.gz (default export.csv)",
            default="export.csv", metavar="FILE",
        ),
        _flag("--overwrite", "replace an existing table"),
    ),
    "answers": (FORCES, *OF_DRIVE, PAGE_BESIDE, *_outputs("answers")),
    "page": (
        _argument("result", "forces.nc of a drive, or comparison.nc"),
        *OF_DRIVE,
        _argument(
            "--out", "page to write (default drive.html or comparison.html)", metavar="FILE"
        ),
        _flag("--overwrite", "replace an existing page"),
    ),
} | {a.command: (FORCES, *_options_of(a), *_outputs(a.name)) for a in ANSWERS}  # fmt: skip
COMMANDS = {
    "demo": "run everything on an invented car and an invented day of driving",
    "check": "check a vehicle file and show the load in each link",
    "observe": "calculate how well a set of gauges determines the forces",
    "calibrate": "fit a calibration to known pulls and verify it",
    "reconstruct": "calculate tyre forces with intervals from a log",
    "compare": "compare two set-ups by several runs of each",
    "export": "write forces or an answer as CSV",
    "answers": "calculate every answer that a drive allows",
    "page": "write a drive or a comparison as one HTML page, for any browser",
} | {a.command: a.help for a in ANSWERS}


def build_parser() -> _Parser:
    """The parser with all commands."""
    common = _Parser(add_help=False)
    common.add_argument("--debug", action="store_true", help="show the traceback of a fault")
    parser = _Parser(
        prog="recon",
        description="Calculate tyre forces from strain gauges on a car's suspension links.",
        epilog="a complete run with your own files (without a car, start with the demo):\n"
        + "".join(f"  {line}\n" for line in EXAMPLES.values())
        + f"\n{FORMATS}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"recon {program_version()}")
    commands = parser.add_subparsers(dest="command", metavar="command", required=True)
    for name, words in COMMANDS.items():
        sub = commands.add_parser(
            name,
            help=words,
            description=words,
            epilog=f"example:\n  {EXAMPLES[name]}\n" + (CAUTION if name == "calibrate" else ""),
            formatter_class=argparse.RawDescriptionHelpFormatter,
            parents=[common],
        )
        for argument, about, how in ARGUMENTS[name]:
            sub.add_argument(argument, help=about, **how)
    parser.commands = commands.choices
    return parser
