"""`recon observe` and `recon check`: what is said, what is drawn, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.session import CAR, Run

FIVE = "upper_front,upper_rear,lower_front,lower_rear,tie_rod"
SCREEN = 24  # lines


def test_a_corner_fits_on_a_screen(run: Run) -> None:
    for gauged in ("push_rod", "upper_front,tie_rod", FIVE, f"{FIVE},push_rod"):
        ended = run("observe", CAR, "--corner", "FL", "--gauged", gauged)
        assert ended.code == 0
        lines = ended.out.splitlines()
        assert len(lines) <= SCREEN, gauged
        assert max(map(len, lines)) <= 120


def test_what_is_not_known_is_reported_with_reason_and_cure(run: Run) -> None:
    ended = run("observe", CAR, "--corner", "FL", "--gauged", "upper_front,upper_rear,tie_rod")
    assert "Fz is not known: the gauges hardly respond to Fz" in ended.out
    assert "cheapest cure: gauge push_rod" in ended.out
    assert "known instead: +0.95 Fy +0.32 Fz is known to" in ended.out


def test_a_bias_is_a_number_however_large(run: Run) -> None:
    ended = run("observe", CAR, "--corner", "FL", "--gauged", "upper_front,upper_rear,tie_rod")
    (mz,) = (line for line in ended.out.splitlines() if line.startswith("  Mz ignored"))
    assert "not known" not in mz
    assert float(mz.split("Fy ")[1].split(" N")[0]) < -1000


def test_the_best_of_a_corner_are_chosen_and_judged(run: Run) -> None:
    ended = run("observe", CAR, "--corner", "FL", "--best", 4, "--gauged", "upper_rear")
    assert ended.code == 0
    first, chosen, sums = ended.out.splitlines()[:3]
    assert first.startswith("best 4 gauges")
    members = chosen.removeprefix("  FL: ").split(", ")
    assert len(members) == 4
    assert "upper_rear" in members
    assert f"FL: 4 gauges ({', '.join(members)})" in ended.out
    assert "no other choice of 4 gauges is better" in sums


def test_too_few_for_the_car_are_reported_with_the_number_that_is_enough(run: Run) -> None:
    ended = run("observe", CAR, "--best", 2)
    assert ended.code == 0
    assert "2 gauges cannot determine Fx FL, " in ended.out
    assert (
        "2 gauges cannot determine all forces; this is the best choice for the others" in ended.out
    )
    assert "all forces together" not in ended.out
    assert "to a standard uncertainty of 1000 N; 12 can" in ended.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--corner", "XX"), "no corner 'XX'; need one of FL, FR, RL, RR"),
        (("--corner", "FL", "--gauged", "tie_rood"), "a gauge on 'tie_rood'; need 'tie_rod'"),
        (("--corner", "FL", "--gauged", "tie_rod,tie_rod"), "'tie_rod' named twice"),
        (("--corner", "FL", "--gauged", ""), "corner FL: an empty list of gauges"),
        (("--noise", "0"), "0 N of noise of 'upper_front'"),
        (("--noise", "-4"), "-4 N of noise of 'upper_front'"),
        (("--best", "0"), "a choice of 0 gauges out of 24 candidates"),
        (("--best", "25"), "a choice of 25 gauges out of 24 candidates; need a number from 1"),
        (("--corner", "RR", "--best", "7"), "a choice of 7 gauges out of 6 candidates"),
        (("--best", "3", "--gauged", "FL tie_rood"), "need 'FL tie_rod'"),
        (("--best", "two"), "'two'"),
    ],
)
def test_bad_input_is_refused_with_one_message(run: Run, words: tuple[str, ...], said: str) -> None:
    ended = run("observe", CAR, *words)
    assert ended.code == 2
    assert said in ended.err
    assert "Traceback" not in ended.err
    assert ended.out == ""


def test_pictures_are_written_only_where_a_folder_is_named(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("observe", CAR, "--corner", "FL").code == 0
    assert run("check", CAR).code == 0
    assert not list(tmp_path.iterdir())
    ended = run("observe", CAR, "--corner", "FL", "--out", "pictures")
    assert ended.code == 0
    assert "pictures: knowledge_FL.png" in ended.out
    assert [p.name for p in (tmp_path / "pictures").iterdir()] == ["knowledge_FL.png"]
    again = run("observe", CAR, "--corner", "FL", "--out", "pictures")
    assert again.code == 4
    assert "knowledge_FL.png: this file already exists" in again.err
    assert run("observe", CAR, "--corner", "FL", "--out", "pictures", "--overwrite").code == 0


def test_check_draws_every_corner_and_its_loads_over_travel(run: Run, tmp_path: Path) -> None:
    ended = run("check", CAR, "--out", tmp_path / "pictures")
    assert ended.code == 0
    drawn = {p.name for p in (tmp_path / "pictures").iterdir()}
    assert drawn == {f"{kind}_{c}.png" for kind in ("corner", "travel") for c in
                     ("FL", "FR", "RL", "RR")}  # fmt: skip
