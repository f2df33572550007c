"""Commands of the command line: words, files and options of each; nothing is run here."""

from __future__ import annotations

import argparse
import difflib
import sys
from functools import partial
from typing import TYPE_CHECKING, NoReturn

from recon.answers import ANSWERS, Answer
from recon.base.version import program_version

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

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
} | {a.command: f"recon {a.command} forces/forces.nc --out {a.name}" for a in ANSWERS}
FORMATS = "file formats: vehicles/README.md and demo_data/README.md"
CAUTION = """
Loaded straps and jacked cars hurt people: stay out of the strap's line and from
under the car, below the strap's working limit and half of the weakest link's
limit; stands take no side load; local codes and licensed practice decide.
"""


class _Parser(argparse.ArgumentParser):
    """argparse that exits 2 with one clear message and offers the nearest command or option."""

    commands: Mapping[str, _Parser]

    def error(self, message: str) -> NoReturn:
        if "invalid choice" in message:
            typed = message.split("'")[1]
            hint = _nearest(typed, COMMANDS)
            message = f"no command '{typed}'.{hint} Commands: {', '.join(COMMANDS)}"
        sys.stderr.write(f"{self.prog}: {message}\n    See `{self.prog} --help`.\n")
        raise SystemExit(2)

    def unknown(self, words: list[str]) -> NoReturn:
        """Refuse words that no option or file of this command takes."""
        option = next((word for word in words if word.startswith("-")), "")
        if option:
            typed = option.partition("=")[0]
            self.error(f"no option '{typed}'.{_nearest(typed, self._option_string_actions)}")
        self.error(f"one file or word too many: '{words[0]}'")


def _nearest(typed: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(typed, list(known), n=1)
    return f" Did you mean '{close[0]}'?" if close else ""


def _check(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("vehicle", help="vehicle file (TOML)")
    parser.add_argument("--all", action="store_true", help="list every value that is assumed")
    _pictures(parser)


def _observe(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("vehicle", help="vehicle file (TOML)")
    parser.add_argument(
        "--corner", help="one corner, or an axle that ties two wheels (default: all with gauges)"
    )
    parser.add_argument(
        "--gauged", help="gauged members, separated by commas (default: those in the file)"
    )
    parser.add_argument(
        "--noise",
        type=float,
        default=10.0,
        metavar="N",
        help="standard uncertainty of each gauge's load, in N (default 10)",
    )
    parser.add_argument(
        "--best",
        type=int,
        metavar="COUNT",
        help="choose the best COUNT gauges of the corner or car; --gauged are always included",
    )
    _pictures(parser)


def _calibrate(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("vehicle", help="vehicle file (TOML)")
    parser.add_argument("pulls", help="pull sheet (CSV), one row per load step")
    parser.add_argument("--verification", help="sheet of pulls that are kept out of the fit")
    parser.add_argument("--map", help="column map (TOML) of the pull sheet")
    parser.add_argument("--verification-map", help="column map of the verification sheet")
    _outputs(parser, "calibration")


def _reconstruct(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("vehicle", help="vehicle file (TOML)")
    parser.add_argument("calibration", help="calibration.nc, written by `recon calibrate`")
    parser.add_argument("log", help="log of the drive (CSV, may be gzipped)")
    parser.add_argument("tares", help="tares (CSV) before and after the drive")
    parser.add_argument("--map", help="column map (TOML) of the log")
    parser.add_argument(
        "--also-log",
        action="append",
        type=_log_and_map,
        metavar="FILE[:MAP]",
        help="log of another logger in the same drive, with its column map if it needs one; may be "
        "given several times. Clocks are aligned by the channels that the logs have in common",
    )
    parser.add_argument("--tares-map", help="column map of the tares")
    parser.add_argument(
        "--bandwidth",
        type=float,
        metavar="HZ",
        help="bandwidth of the forces, in Hz (default 0.35 of the sampling rate)",
    )
    _window(parser)
    parser.add_argument(
        "--marker", type=float, metavar="VALUE", help="only where the column marker has this value"
    )
    parser.add_argument("--unbounded", action="store_true", help="allow Fz below zero")
    parser.add_argument(
        "--friction-limit",
        type=float,
        metavar="RATIO",
        help="largest horizontal force of a tyre over its Fz, such as 2.5 (default: no limit)",
    )
    parser.add_argument(
        "--whole-car",
        action="store_true",
        help="add the answer that also meets the car's mass times acceleration and moments",
    )
    parser.add_argument(
        "--accept-corner",
        type=_names,
        default=(),
        metavar="CORNERS",
        help="corners or axles, separated by commas, to use although their calibration is not to "
        "be used",
    )
    parser.add_argument(
        "--no-pictures",
        dest="pictures",
        action="store_false",
        help="write forces.nc only, which takes half as long",
    )
    _page_beside(parser)
    _outputs(parser, "forces")


def _window(parser: argparse.ArgumentParser) -> None:
    for name, dest, words in (("--from", "start", "first"), ("--to", "stop", "last")):
        parser.add_argument(
            name, dest=dest, type=float, metavar="S", help=f"{words} elapsed time, in s"
        )


def _log_and_map(text: str) -> tuple[str, str | None]:
    """Split FILE:MAP; the colon of a drive's letter is none."""
    log, colon, column_map = text.rpartition(":")
    return (log, column_map) if colon and column_map.endswith(".toml") else (text, None)


def _names(text: str) -> tuple[str, ...]:
    """Names that are separated by commas."""
    return tuple(name.strip() for name in text.split(","))


def _answer(answer: Answer, parser: argparse.ArgumentParser) -> None:
    parser.add_argument("forces", help="forces.nc, written by `recon reconstruct`")
    for option in answer.options:
        parser.add_argument(
            f"--{option.name.replace('_', '-')}",
            type=float if option.unit else str,
            default=option.default,
            metavar=(option.unit or option.name).upper(),
            help=option.words.replace("%", "%%"),
        )
    _outputs(parser, answer.name)


def _export(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("forces", help="forces.nc, or the .nc file of an answer")
    parser.add_argument(
        "--corner", metavar="CORNERS", help="corners, separated by commas (default: all)"
    )
    _window(parser)
    parser.add_argument(
        "--rate",
        type=float,
        metavar="HZ",
        help="lower rate, in Hz; values are filtered first (default: every sample)",
    )
    parser.add_argument(
        "--out",
        default="export.csv",
        metavar="FILE",
        help="table to write, ending .csv or .csv.gz (default export.csv)",
    )
    parser.add_argument("--overwrite", action="store_true", help="replace an existing table")


def _compare(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("runs", help="run list (CSV), one row per run")
    parser.add_argument(
        "--metric",
        metavar="NAME",
        help="metric that decides, declared before you look at any, such as cornering_force "
        "(without it, the command lists all of them and stops)",
    )
    parser.add_argument(
        "--margin",
        metavar="SIZE",
        help="largest difference that does not matter, such as 2%% or a number in the metric's "
        "unit (default: none, nothing is found equivalent)",
    )
    _page_beside(parser)
    _outputs(parser, "comparison")


CALIBRATION_OF_PAGE = "calibration.nc of these forces: the page shows its map and verification"


def _answers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("forces", help="forces.nc, written by `recon reconstruct`")
    parser.add_argument("--sections", help="table of sections (CSV); without it they are found")
    parser.add_argument("--vehicle", help="vehicle file, for the answers that need it")
    parser.add_argument("--calibration", help=CALIBRATION_OF_PAGE)
    _page_beside(parser)
    _outputs(parser, "answers")


def _page(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("result", help="forces.nc of a drive, or comparison.nc")
    parser.add_argument("--sections", help="table of sections (CSV); without it they are found")
    parser.add_argument("--vehicle", help="vehicle file, for the answers that need it")
    parser.add_argument("--calibration", help=CALIBRATION_OF_PAGE)
    parser.add_argument(
        "--out", metavar="FILE", help="page to write (default drive.html or comparison.html)"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace an existing page")


def _demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", default="demo_result", help="new folder (default demo_result)")


def _page_beside(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--page",
        metavar="FILE",
        help="also write one HTML page, readable without network or program",
    )


def _outputs(parser: argparse.ArgumentParser, folder: str) -> None:
    parser.add_argument("--out", default=folder, help=f"folder to write to (default {folder})")
    parser.add_argument("--overwrite", action="store_true", help="replace an existing result")


def _pictures(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", help="folder for pictures (default: none are drawn)")
    parser.add_argument("--overwrite", action="store_true", help="replace existing pictures")


COMMANDS = {
    "demo": (_demo, "run everything on an invented car and an invented day of driving"),
    "check": (_check, "check a vehicle file and show the load in each link"),
    "observe": (_observe, "calculate how well a set of gauges determines the forces"),
    "calibrate": (_calibrate, "fit a calibration to known pulls and verify it"),
    "reconstruct": (_reconstruct, "calculate tyre forces with intervals from a log"),
    "compare": (_compare, "compare two set-ups by several runs of each"),
    "export": (_export, "write forces or an answer as CSV"),
    "answers": (_answers, "calculate every answer that a drive allows"),
    "page": (_page, "write a drive or a comparison as one HTML page, for any browser"),
} | {a.command: (partial(_answer, a), a.help) for a in ANSWERS}


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
    for name, (fill, words) in COMMANDS.items():
        sub = commands.add_parser(
            name,
            help=words,
            description=words,
            epilog=f"example:\n  {EXAMPLES[name]}\n" + (CAUTION if name == "calibrate" else ""),
            formatter_class=argparse.RawDescriptionHelpFormatter,
            parents=[common],
        )
        fill(sub)
    parser.commands = commands.choices
    return parser
