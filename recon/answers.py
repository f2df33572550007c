"""The table of answers: everything that is calculated from reconstructed forces.

An entry of `ANSWERS` is all that the rest of the package needs to offer an answer.  The command
line, the pipeline, the demo, the public names of `recon`, the lists in the documents and the tests
of all answers follow from it.  "Adding an answer" in DEVELOPERS.md shows the steps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Literal

from recon.base.errors import DataError, RankError, ReconError
from recon.base.kept_results import Kept, keeping
from recon.base.late import xr


@dataclass(frozen=True, slots=True)
class Option:
    """A choice of the user: a keyword of the calculation, an option of the command.

    It is a number in `unit`, or a word where `unit` is empty; with the default None it may be left
    out, and `help` says what then happens.  An option that `reads` a kind of file is the name of
    one in commands, and what the file holds in Python.  Commands have it as `spelt`, if not as
    `name`.
    """

    name: str
    help: str
    default: float | str | None = None
    unit: str = ""
    reads: Literal["", "sections", "vehicle", "answer", "results", "runs"] = ""
    required: bool = False  # the answer cannot do without it
    spelt: str = ""

    @property
    def flag(self) -> str:
        """The option of commands."""
        return f"--{(self.spelt or self.name).replace('_', '-')}"

    @property
    def words(self) -> str:
        """Help with unit and default."""
        unit = f" [{self.unit}]" if self.unit else ""
        default = "" if self.default is None else f" (default {self.default})"
        if self.required:
            default = " (required)"
        if isinstance(self.default, float):
            default = f" (default {self.default:g})"
        return self.help + unit + default


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer.

    `name` is the command, the default folder, the result file and both modules:
    `recon/analysis/NAME.py` holds the function `compute(forces, **options)`, which returns a
    dataset; `recon/report/answers/NAME.py` holds `NAME_summary(result)`, which returns lines of
    text, and `plot(forces, result)`, which returns a figure.  `help` is one line for people.
    """

    name: str
    compute: str
    plot: str
    help: str
    options: tuple[Option, ...] = ()

    @property
    def command(self) -> str:
        """Name of the command, as typed."""
        return self.name.replace("_", "-")

    @property
    def result_file(self) -> str:
        """Name of the file that holds the result."""
        return f"{self.name}.nc"

    @property
    def picture_file(self) -> str:
        """Name of the picture's file."""
        return f"{self.plot.removeprefix('plot_')}.png"

    @property
    def public_names(self) -> dict[str, str]:
        """Public functions of `recon` that the answer adds, with their modules."""
        return {
            self.compute: f"recon.analysis.{self.name}",
            self.plot: f"recon.report.answers.{self.name}",
        }

    def function(self, name: str) -> Callable[..., Any]:
        """Load `compute`, `plot` or 'summary'; nothing heavy is imported before this."""
        if name == "summary":
            name, place = f"{self.name}_summary", f"recon.report.answers.{self.name}"
        else:
            place = self.public_names[name]
        loaded: Callable[..., Any] = getattr(import_module(place), name)
        return loaded


SECTIONS = Option(
    "sections", "table of sections (CSV); without it the program finds them", reads="sections"
)
ANSWERS = (
    Answer(
        name="sections",
        compute="sections",
        plot="plot_sections",
        help="launches, shifts, stops, corners and slaloms of a drive, and wheel lifts",
        options=(SECTIONS,),
    ),
    Answer(
        name="launch",
        compute="launch",
        plot="plot_launch",
        help="drive force, slip, catch and wheel hop of each launch",
        options=(
            SECTIONS,
            Option("bandwidth", "bandwidth at which forces are read", 30.0, "Hz"),
            Option("slip", "slip above which a tyre counts as slipping", 15.0, "%"),
            Option("distance", "distance over which time and impulse are given", 20.0, "m"),
            Option(
                "others",
                "forces.nc of other drives of the day, separated by commas: the best launch of all "
                "is the one to compare with",
                reads="results",
            ),
        ),
    ),
    Answer(
        name="shifts",
        compute="shifts",
        plot="plot_shifts",
        help="gap of the drive force in each gear shift, what it cost, and what followed",
        options=(SECTIONS, Option("bandwidth", "bandwidth at which forces are read", 30.0, "Hz")),
    ),
    Answer(
        name="slalom",
        compute="slalom",
        plot="plot_lateral_force",
        help="peak lateral force per cone, tyre and axle, and the lag of the rear axle",
        options=(SECTIONS, Option("bandwidth", "bandwidth at which peaks are read", 8.0, "Hz")),
    ),
    Answer(
        name="friction",
        compute="friction_use",
        plot="plot_friction_plane",
        help="horizontal force of each tyre divided by its vertical force",
        options=(
            SECTIONS,
            Option("low_load", "leave out samples with a smaller Fz", 800.0, "N"),
            Option(
                "coefficient",
                "state friction use as a share of this coefficient of friction",
                unit="N per N",
            ),
            Option("lateral_coefficient", "another coefficient for lateral forces", unit="N per N"),
            Option(
                "envelope",
                "state friction use as a share of the envelope in grip.nc; `own`: of this drive",
                reads="answer",
            ),
        ),
    ),
    Answer(
        name="load_transfer",
        compute="load_transfer",
        plot="plot_load_transfer",
        help="load transfer of both axles, and the height of the centre of mass",
        options=(
            SECTIONS,
            Option(
                "vehicle",
                "vehicle file; with it the transfer is split into springs, links and wheels",
                reads="vehicle",
            ),
        ),
    ),
    Answer(
        name="grip",
        compute="grip",
        plot="plot_grip",
        help="largest horizontal force of each tyre by load and direction, and if it was the limit",
        options=(
            SECTIONS,
            Option("low_load", "leave out samples with a smaller Fz", 800.0, "N"),
            Option(
                "least_use", "horizontal force over Fz from which a tyre works hard", 0.6, "N per N"
            ),
            Option(
                "bandwidth",
                "low-pass the forces first; without it they stay as they are, or are read at 8 Hz "
                "where no sensor shows how a wheel hops",
                unit="Hz",
            ),
            Option(
                "others",
                "other runs on the same set-up: a run list, whose runs on the set-up of this drive "
                "are taken, or forces.nc of each, separated by commas",
                reads="runs",
            ),
        ),
    ),
    Answer(
        name="braking",
        compute="braking",
        plot="plot_braking",
        help="front share of the braking force per stop beside the ideal one, force per bar, fade",
        options=(
            SECTIONS,
            Option(
                "friction",
                "friction of both axles; without it the highest use shown",
                unit="N per N",
            ),
        ),
    ),
    Answer(
        name="balance",
        compute="balance",
        plot="plot_balance",
        help="friction use of front and rear axle per corner, and which is first at its limit",
        options=(SECTIONS,),
    ),
    Answer(
        name="budget",
        compute="budget",
        plot="plot_budget",
        help="causes of the uncertainty of a force in newtons, largest first, with cures",
        options=(
            Option("corner", "one corner; without it all of them"),
            Option("component", "x, y or z; without it all of them"),
            Option(
                "time", "one sample, nearest to this time; without it the largest force", unit="s"
            ),
            Option("start", "start of a window instead of one sample", unit="s", spelt="from"),
            Option("end", "end of the window", unit="s", spelt="to"),
            Option("section", "name of a section as the window, such as 'corner 2'"),
            SECTIONS,
        ),
    ),
    Answer(
        name="link_loads",
        compute="link_loads",
        plot="plot_link_loads",
        help="largest tension and compression of each link, cycles, and shares of its limits",
        options=(
            Option(
                "vehicle",
                "vehicle file that the forces were reconstructed with",
                reads="vehicle",
                required=True,
            ),
            Option("bandwidth", "bandwidth at which loads are read", 25.0, "Hz"),
            SECTIONS,
        ),
    ),
)
BY_NAME = {answer.name: answer for answer in ANSWERS}


def every_answer(
    forces: xr.Dataset, shared: Mapping[str, Any]
) -> Iterator[tuple[Answer, xr.Dataset | ReconError]]:
    """Every answer with its result, or with the error that says why the drive does not allow it.

    `shared` holds what answers take as options, such as sections and the vehicle, by name.
    """
    kept: Kept = {}
    for answer in ANSWERS:
        yield answer, one_of_all(answer, forces, shared, kept)


def one_of_all(
    answer: Answer, forces: xr.Dataset, shared: Mapping[str, Any], kept: Kept
) -> xr.Dataset | ReconError:
    """One answer as `every_answer` gives it; `kept` is what those before left for it, or empty."""
    options = {o.name: shared[o.name] for o in answer.options if o.name in shared}
    try:
        with keeping(kept):
            result: xr.Dataset = answer.function(answer.compute)(forces, **options)
    except (DataError, RankError) as reason:
        return reason
    return result
