"""The demo: one screen, every file it names, and nothing of an earlier run touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from recon.answers import ANSWERS
from recon.base.quantities import CORNERS
from recon.calibration.store import read_calibration
from recon.records.results import read_result
from tests.commands.session import Run

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


@pytest.mark.slow(10)
def test_the_demo_fills_a_fresh_folder_and_a_screen(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    earlier = tmp_path / "demo_result" / "mine.txt"
    earlier.parent.mkdir()
    earlier.write_text("an earlier run", encoding="utf-8")
    ended = run("demo")
    assert ended.code == 0, ended.err
    assert [f.name for f in earlier.parent.iterdir()] == ["mine.txt"]
    fresh = tmp_path / "demo_result_2"
    files = {str(f.relative_to(fresh)).replace("\\", "/") for f in fresh.rglob("*") if f.is_file()}
    refused = {x.split()[1].rstrip(":") for x in ended.out.splitlines() if x.startswith("no ")}
    given = [a for a in ANSWERS if a.name not in refused]
    assert len(given) >= 4
    wanted = WANTED | {
        f"answers/{a.name}/{f}" for a in given for f in (a.result_file, a.picture_file)
    }
    assert files == wanted | RUNS
    assert {p.name for p in tmp_path.iterdir()} == {"demo_result", "demo_result_2"}
    lines = ended.out.splitlines()
    assert len(lines) <= SCREEN
    listed = "\n".join(lines[lines.index("written:") :])
    for name in map(Path, WANTED):
        (line,) = (x for x in listed.splitlines() if f"{Path('demo_result_2') / name.parent}:" in x)
        assert name.name in line.split(": ")[1].split(", "), name
    (line,) = (x for x in listed.splitlines() if "answers, a folder each: " in x)
    assert set(line.split(": ")[1].split(", ")) == {a.name for a in given}
    assert "None" not in ended.out
    assert "invented" in lines[0].lower()
    assert "nan" not in ended.out.lower()
    assert set(read_calibration(fresh / "calibration" / "calibration.nc").corners) == set(CORNERS)
    assert read_result(fresh / "forces" / "forces.nc").sizes["corner"] == 4
    assert "note (safety)" not in ended.err  # the demo shows how it ought to be done
