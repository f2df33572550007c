"""`recon check` and `recon observe` on every shipped car: axles, sections, wrong names."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.commands.session import Run
from tests.shipped_mechanisms import VEHICLES

FILES = sorted(VEHICLES.glob("*.toml"))
AXLE = VEHICLES / "solid_axle.toml"


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_every_shipped_car_is_checked_and_judged(run: Run, file: Path) -> None:
    checked, judged = run("check", file), run("observe", file)
    assert (checked.code, judged.code) == (0, 0)
    assert (
        "Leave out [axle" not in checked.out
    )  # bars, beams and axles are seen, or hold the wheels
    for line in judged.out.splitlines():
        assert len(line) <= 125
    for ended in (checked, judged):
        assert ended.err == ""
        assert "nan" not in ended.out
    heads = [line for line in judged.out.splitlines() if line and not line.startswith(" ")]
    tied = "[axle." in file.read_text(encoding="utf-8")
    assert len(heads) == (3 if tied else 4)  # an axle once
    assert any(head.startswith("axle ") for head in heads) == tied


@pytest.mark.parametrize("corner", ["RL", "RR", "rear"])
def test_a_solid_axle_tells_the_lateral_force_as_a_sum(run: Run, corner: str) -> None:
    ended = run("observe", AXLE, "--corner", corner)
    assert ended.out.startswith("axle rear: 7 gauges\n  RL.lower_link, RL.upper_link, ")
    said = "lateral force of RL and RR only as a sum, known to 10 N"
    assert f"known instead: {said}" in ended.out
    reason = "the gauges hardly respond to Fy RL rising and Fy RR falling"
    assert f"Fy RL is not known: {reason}" in ended.out
    assert "cheapest cure: no link, spring or section in the file helps" in ended.out


def test_loads_of_sections_are_shown_in_their_unit(run: Run) -> None:
    lines = run("check", VEHICLES / "strut.toml").out.splitlines()
    (head,) = (k for k, line in enumerate(lines) if line.startswith("axle rear, RL tied to RR: "))
    assert "of bending and torsion in N m" in lines[head + 1]
    rows = {line.split()[0]: line.split() for line in lines[head + 3 : head + 18]}
    assert rows["RL.arm:RL_arm_torsion"][1:3] == ["N", "m"]
    assert rows["RL.arm:RL_arm_torsion"][-1] == "RL_arm_torsion"
    axial = rows["RL.arm:RL_arm_axial"]
    # The arm's section leans 60 degrees from the road's x: the file states along -0.5, 0.866.
    assert axial[1:5] == ["N", "-500", "-500", "866"]
    assert rows["RL.spring"][-1] == "none"


def test_pictures_of_an_axle_are_one_for_both_wheels(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    assert run("check", AXLE, "--out", folder).code == 0
    assert run("observe", AXLE, "--out", folder).code == 0
    drawn = {p.name for p in folder.iterdir()}
    of = ("FL", "FR", "axle_rear")
    assert drawn == {"corner_FL.png", "corner_FR.png", "axle_rear.png"} | {
        f"{kind}_{name}.png" for kind in ("travel", "knowledge") for name in of
    }


def test_the_best_gauges_of_an_axle_are_told_by_its_name(run: Run) -> None:
    ended = run("observe", VEHICLES / "solid_axle_tubes.toml", "--corner", "RR", "--best", 8)
    assert ended.code == 0
    lines = ended.out.splitlines()
    assert lines[1].startswith("  axle rear: ")
    assert "axle rear: 8 gauges" in ended.out


@pytest.mark.parametrize(
    ("file", "axle", "left"), [("anti_roll_bar", "front", "FL"), ("strut", "rear", "RL")]
)
def test_the_name_of_a_tied_axle_means_both_wheels(
    run: Run, tmp_path: Path, file: str, axle: str, left: str
) -> None:
    car = VEHICLES / f"{file}.toml"
    named, cornered = (run("observe", car, "--corner", name) for name in (axle, left))
    assert (named.code, named.out) == (0, cornered.out)
    assert named.out.startswith(f"axle {axle}: ")
    best = [run("observe", car, "--corner", name, "--best", 7).out for name in (axle, left)]
    assert best[0] == best[1]
    assert f"axle {axle}: 7 gauges" in best[0]
    assert run("observe", car, "--corner", axle, "--out", tmp_path).code == 0
    assert [p.name for p in tmp_path.iterdir()] == [f"knowledge_axle_{axle}.png"]


def test_what_no_candidate_tells_is_no_measure_of_a_choice(run: Run) -> None:
    ended = run("observe", AXLE, "--corner", "RL", "--best", 6)
    assert ended.code == 0
    assert "even all candidates together do not determine all forces" in ended.out
    assert "gap at most" not in ended.out
    assert "not known with 6 gauges: Fy RL, Fy RR" in ended.out
    assert "cross_link" in ended.out.splitlines()[1]  # without it Fz is lost too


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--corner", "RX"), r"no corner 'RX'; need 'RR'"),
        (("--corner", "raer"), "no corner 'raer'; need 'rear' (did you mean that?) or one of FL,"),
        # The front of this car is no axle that ties two.
        (("--corner", "front"), "no corner 'front'; need one of FL, FR, RL, RR, rear"),
        (("--corner", "rear", "--best", "9"), "axle rear: a choice of 9 gauges out of 7 candida"),
        (("--corner", "RR", "--gauged", "cross_lnk"), "axle rear: a gauge on 'cross_lnk'; need 'c"),
        (("--corner", "RL", "--gauged", "RL.spring,RL.spring"), "'RL.spring' named twice"),
        (("--corner", "FL", "--gauged", "arm:FL_arm_axal"), "need 'arm:FL_arm_axial'"),
        (("--corner", "FL", "--gauged", "lower_ball"), "corner FL: a gauge on 'lower_ball'"),
        (("--corner", "RL", "--best", "9"), "axle rear: a choice of 9 gauges out of 7 candidates"),
        (("--best", "3", "--gauged", "cross_link"), "a gauge on 'cross_link'; need 'rear cross"),
        (("--corner", "RL", "--noise", "0"), "axle rear: 0 N of noise of 'RL.lower_link'"),
    ],
)
def test_wrong_names_are_refused_with_one_message(
    run: Run, words: tuple[str, ...], said: str
) -> None:
    ended = run("observe", AXLE, *words)
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err
    assert "Traceback" not in ended.err


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('on = "arm"\nunit', 'on = "amr"\nunit', "on = 'amr', no body of this corner; need 'arm'"),
        ("[6, -630, 195]", "[6, 630, 195]", "gauge 'FR_arm_axial' on 'arm': station (6, 630, 195)"),
        ('"axle.beam"', '"axle.baem"', "on = 'axle.baem'"),
        ('measures = "bending"', 'measures = "bend"', "found 'bend'; need 'bending'"),
        ('on = "cross_link"', 'on = "cross"', "on = 'cross', no support of this axle"),
    ],
)
@pytest.mark.parametrize("command", ["check", "observe"])
def test_mistakes_in_the_file_are_refused(
    run: Run, tmp_path: Path, command: str, old: str, new: str, said: str
) -> None:
    file = tmp_path / "car.toml"
    text = AXLE.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")
    ended = run(command, file)
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err
    assert "Traceback" not in ended.err


@pytest.mark.parametrize("command", ["check", "observe"])
def test_what_pulls_cannot_show_without_bridges_is_said_beforehand(
    run: Run, tmp_path: Path, command: str
) -> None:
    text = (VEHICLES / "club_racer.toml").read_text()
    bare = tmp_path / "bare.toml"
    bare.write_text(re.sub(r"(?m)^(tube_|gauge_factor|bench_slope).*\n", "", text))
    said = " ".join(run(command, bare).out.split())
    unknown = "cannot be known here: a wrong unit or gain that all strap and pad loads have"
    assert said.count(unknown) == 1
    assert unknown not in " ".join(run(command, VEHICLES / "club_racer.toml").out.split())


HEAVE = """
[axle.front]
bodies = []

[[axle.front.support]]
name = "heave"
kind = "spring"
outer = { on = "FL.rocker", point_mm = [-4, 290, 530] }
inner = { on = "FR.rocker", point_mm = [-4, -290, 530] }
rate_N_per_mm = 60
"""


def with_heave_spring(folder: Path, *, on_spring: bool) -> Path:
    """The club racer with a third spring; gauges on both springs instead of both push rods."""
    text = (VEHICLES / "club_racer.toml").read_text(encoding="utf-8") + HEAVE
    seat = 'inner = { on = "chassis", point_mm = [-4, 72, 520], u_mm = 2 }\n'
    text = text.replace(seat, seat + "rate_N_per_mm = 45\n")
    if on_spring:
        text = text.replace('on = "push_rod"', 'on = "spring"')
    car = folder / "heave.toml"
    car.write_text(text, encoding="utf-8")
    return car


@pytest.mark.parametrize("on_spring", [True, False])
def test_a_third_spring_behind_gauged_push_rods_needs_no_description(
    run: Run, tmp_path: Path, on_spring: bool
) -> None:
    ended = run("check", with_heave_spring(tmp_path, on_spring=on_spring))
    said = " ".join(ended.out.split())
    assert ended.code == 0
    assert ("Leave out [axle.front]; each wheel is then pulled" in said) == (not on_spring)
