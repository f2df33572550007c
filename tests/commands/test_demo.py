"""The demo: one screen, every file it names, nothing of an earlier run touched; then the steps."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path

import pytest

from recon.answers import ANSWERS
from recon.base.quantities import CORNERS
from recon.calibration.store import read_calibration
from recon.records.results import read_result
from tests.commands.session import ROOT, Ended, Run
from tests.commands.test_documents import blocks, first_line_not_printed, own, shown_outputs

SCREEN = 34 + len(ANSWERS)  # lines
WANTED = {
    *("calibration/calibration.nc", "calibration/verification.png"),
    *(f"calibration/crosstalk_{corner}.png" for corner in CORNERS),
    *("forces/forces.nc", "forces/horizontal_forces.png", "forces/gauges.png", "forces/sums.png"),
    *("drive.html", "comparison.html"),
    *("comparison/comparison.nc", "comparison/comparison.png"),
    *(f"forces/forces_{corner}.png" for corner in CORNERS),
}


RUNS = {"runs/runs.csv", *(f"runs/run_{k}/forces.nc" for k in range(1, 7))}  # not on the screen


@pytest.mark.slow(35)
def test_the_demo_fills_a_fresh_folder_and_a_screen_and_the_steps_print_what_is_shown(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder in ("vehicles", "demo_data"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    monkeypatch.chdir(tmp_path)
    earlier, fresh = tmp_path / "demo_result", tmp_path / "demo_result_2"
    earlier.mkdir()
    (earlier / "mine.txt").write_text("an earlier run", encoding="utf-8")
    there = set(tmp_path.iterdir())
    ended = run("demo")
    assert ended.code == 0, ended.err
    assert [f.name for f in earlier.iterdir()] == ["mine.txt"]
    assert set(tmp_path.iterdir()) == there | {fresh}
    require_whole(ended, fresh)
    shutil.rmtree(earlier)
    fresh.rename(earlier)  # whose runs the steps compare
    require_steps(run)


def require_whole(ended: Ended, fresh: Path) -> None:
    """Every file of the demo is there, and its screen names each."""
    files = {str(f.relative_to(fresh)).replace("\\", "/") for f in fresh.rglob("*") if f.is_file()}
    said = [x.partition(" not given: ") for x in ended.out.splitlines()]
    refused = {name.lower().replace(" ", "_") for name, found, _ in said if found}
    given = [a for a in ANSWERS if a.name not in refused]
    assert len(given) >= 4
    wanted = WANTED | {
        f"answers/{a.name}/{f}" for a in given for f in (a.result_file, a.picture_file)
    }
    assert files == wanted | RUNS
    lines = ended.out.splitlines()
    assert len(lines) <= SCREEN
    listed = "\n".join(lines[lines.index("written:") :])
    for name in map(Path, WANTED):
        (line,) = (x for x in listed.splitlines() if f"{Path(fresh.name) / name.parent}:" in x)
        assert name.name in line.split(": ")[1].split(", "), name
    (line,) = (x for x in listed.splitlines() if "answers, a folder each: " in x)
    assert set(line.split(": ")[1].split(", ")) == {a.name for a in given}
    assert "None" not in ended.out
    assert "invented" in lines[0].lower()
    assert "nan" not in ended.out.lower()
    assert set(read_calibration(fresh / "calibration" / "calibration.nc").corners) == set(CORNERS)
    assert read_result(fresh / "forces" / "forces.nc").sizes["corner"] == 4
    assert "note (safety)" not in ended.err  # the demo shows how it ought to be done
    beyond = [x for x in ended.err.splitlines() if x.startswith("note (extrapolation)")]
    assert len(beyond) == 1  # for all runs, each of which keeps its own
    runs = [read_result(file) for file in (fresh / "runs").glob("*/forces.nc")]
    notes = [" ".join(run["note"].to_numpy()) if "note" in run else "" for run in runs]
    count = sum("forces beyond the largest pull" in own for own in notes)
    assert count > 1
    assert f"{count} runs have forces beyond the largest pull" in beyond[0]


def require_steps(run: Run) -> None:
    """The README's commands end well and print what is shown, one after the other."""
    outputs = shown_outputs("README.md")
    assert len(outputs) == len(blocks("README.md", "text")) > 5
    assert [shlex.split(command)[1:] for command, _ in outputs] == [
        words for words in own("README.md") if words[0] != "demo"
    ]
    for command, shown in outputs:
        ended = run(*shlex.split(command)[1:])
        assert ended.code == 0, command
        assert not first_line_not_printed(shown, ended.out.splitlines()), command
