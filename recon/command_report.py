"""Report of a command, and the files that it writes: all of a folder or none."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from recon.base.doubt import Doubt, Outcome, outcome_of
from recon.base.late import xr
from recon.base.quantities import CORNERS
from recon.base.second_core import due
from recon.car.vehicle import SIDES
from recon.command_provenance import record
from recon.records.overwriting import refuse_existing
from recon.report.common.sheet import Pictures

Name = str | Path
Say = Callable[[str], None]
Results = dict[str, Callable[..., Path]]  # file name to the call that writes it
# Pictures that a result may have beside it, by the name of its file.
EVERY_PICTURE = {
    "calibration.nc": (
        *(f"crosstalk_{name}.png" for name in (*CORNERS, *SIDES)),
        "verification.png",
    ),
    "forces.nc": (
        "clocks.png",
        "whole_car.png",
        "sums.png",
        *(f"forces_{name}.png" for name in CORNERS),
    ),
}


def quiet(_: str) -> None:
    """Say nothing."""


@dataclass(frozen=True, slots=True)
class Report:
    """Answer of a command: lines for people, the files that it wrote, and what to make of it.

    `brief` holds the few lines that a run of several commands shows of this one.
    """

    lines: tuple[str, ...]
    files: tuple[Path, ...] = ()
    outcome: Outcome = "sound"
    brief: tuple[str, ...] = ()


def outcome(result: xr.Dataset, doubts: tuple[Doubt, ...]) -> Outcome:
    """As the doubts say; a corner accepted although it is not to be used is doubted too."""
    # Forces alone have the verdicts; answers and comparisons have none.
    states = result["calibration_state"].to_numpy() if "calibration_state" in result else ()
    return "doubted" if "unusable" in states else outcome_of(doubts)


def drawn(pictures: Pictures, out: Name | None, overwrite: bool) -> tuple[Path, ...]:
    """Draw the pictures into `out`, where it is given."""
    return () if out is None else written({}, pictures, Path(out), overwrite)


def stale(result: Path, pictures: Pictures) -> list[Path]:
    """Pictures of the result that is going to be replaced, which the new one does not have."""
    every = EVERY_PICTURE.get(result.name, ()) if result.exists() else ()
    places = [result.with_name(name) for name in every if name not in pictures]
    return [place for place in places if place.is_file()]


def removed(files: Iterable[Path]) -> list[str]:
    """A sentence for each stale picture."""
    return [f"removed {file}, a picture of the result that was replaced" for file in files]


def written(
    results: Results, pictures: Pictures, folder: Path, overwrite: bool
) -> tuple[Path, ...]:
    """Write results and pictures into a folder, all or none, without pictures that are stale."""
    from recon.records.whole_folder import replaced_as_a_whole
    from recon.report.common.sheet import save_drawn

    names = [*results, *pictures]
    for name in names:
        refuse_existing(folder / name, overwrite=overwrite)
    gone = [file.name for name in results for file in stale(folder / name, pictures)]
    with replaced_as_a_whole(folder, {*names, *gone}) as new:
        saved: list[Callable[[], Path]]
        saved = [partial(save_drawn, draw, new / name) for name, draw in pictures.items()]
        if len(saved) > 1:  # the second process begins with the last one, this one with the first
            saved = [due(save) for save in reversed(saved)][::-1]
        for name, write in results.items():
            write(new / name, record=record())
        for save in saved:
            save()
    return tuple(folder / name for name in names)
