"""Public functions refuse what they cannot mean: files for objects, raw logs, tares taken twice."""

from __future__ import annotations

import inspect
import pickle
import re
import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import recon
from recon.answers import ANSWERS, Answer, every_answer
from recon.base.errors import DataError, ReconError, ReconWarning
from recon.base.public import MADE_BY
from recon.base.status import BIT
from recon.records.run_list import RunList
from tests.days import day

FUNCTIONS = [getattr(recon, n) for n in recon.__all__ if inspect.isfunction(getattr(recon, n))]
TAKING_OBJECTS = [
    f
    for f in FUNCTIONS
    if any(kind in str(p.annotation) for p in inspect.signature(f).parameters.values()
           for kind in MADE_BY)
]  # fmt: skip

RUNS = [("a", "stiff"), ("b", "soft"), ("c", "soft"), ("d", "stiff"), ("e", "soft")]


@pytest.mark.parametrize("function", TAKING_OBJECTS, ids=lambda f: f.__name__)
@pytest.mark.parametrize(
    ("wrong", "found"),
    [("demo.nc", "'demo.nc'"), (Path("demo.nc"), "'demo.nc'"), (7, "a value of type int")],
)
def test_a_file_name_is_no_object(function: object, wrong: object, found: str) -> None:
    parameters = inspect.signature(function).parameters.values()
    given = [wrong for p in parameters if p.default is p.empty]
    with pytest.raises(DataError) as refused:
        function(*given)
    where, _, name = refused.value.where.partition(", argument ")
    assert where == f"recon.{function.__name__}"
    annotation = str(inspect.signature(function).parameters[name].annotation)
    assert refused.value.found == found
    assert any(kind in annotation and kind in refused.value.needed for kind in MADE_BY)
    assert "recon." in refused.value.do


def test_every_function_that_is_named_as_a_maker_is_public() -> None:
    made = {word.partition("(")[0] for text in MADE_BY.values() for word in text.split("recon.")}
    assert {name for name in made if name.strip().isidentifier()} <= set(recon.__all__)


def test_arguments_in_the_wrong_order_and_none_are_named() -> None:
    of = day()
    with pytest.raises(DataError, match=r"calibration: a value of type Vehicle; need a Calib"):
        recon.prepare(of.car, of.calibration, of.conditioned)
    with pytest.raises(DataError, match=r"argument tares: None; need a Tares\.\n.*tares"):
        recon.condition(of.log, of.car, None)
    with pytest.raises(DataError, match=r"reconstruct, argument car: 'car\.toml'"):
        recon.reconstruct(of.conditioned, of.calibration, car="car.toml")


def test_numbers_words_and_lists_of_words_are_told_apart() -> None:
    of = day()
    with pytest.raises(DataError, match=r"budget, argument time: the value '5,2'; need a number"):
        recon.budget(of.forces, time="5,2")
    with pytest.raises(DataError, match=r"argument bandwidth: the value None; need a number"):
        recon.launch(of.forces, bandwidth=None)
    with pytest.raises(DataError, match=r"component: the value 1; need a word.\n.*component='"):
        recon.budget(of.forces, component=1)
    with pytest.raises(DataError, match=r"gauged: the value 'tie_rod'; need .*\n.*=\['tie_rod'\]"):
        recon.observe(of.car, "FL", gauged="tie_rod")
    with pytest.raises(DataError, match=r"argument sources: the value 'a\.csv'; need a list of"):
        recon.read_logs("a.csv", of.car)
    with pytest.raises(DataError, match=r"argument sources: the value \[\]; need a list of one"):
        recon.read_logs([], of.car)
    with pytest.raises(DataError, match=r"corner: a value of type DataArray; .*\n.* its \.item"):
        recon.plot_forces(of.forces, of.forces["corner"][0])
    assert recon.budget(of.forces, time=np.float64(5.0), corner="FL").sizes  # twin
    assert recon.observe(of.car, "FL", gauged=["tie_rod", "push_rod"])


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: recon.save_figure("x", "x.png"), r"save_figure, argument figure: 'x'; need a Fig"),
        (lambda: recon.page(day().forces, answers=("nope",)), r"answers: 'nope'; need a list, ea"),
        (lambda: recon.page(day().forces, answers=[None]), r"answers: None; need a list, each of"),
        (lambda: recon.page(day().forces, sections=xr.Dataset()), r"without section, section_kin"),
        (lambda: recon.read_result(7), r"read_result, argument path: the value 7; need the name"),
        (lambda: recon.read_log(None, day().car), r"read_log, argument path: the value None; nee"),
        (lambda: recon.read_run_list(b"runs.csv"), r"argument path: the value b'runs\.csv'; need"),
        (lambda: recon.read_logs([7], day().car), r"sources: the value \[7\]; need a list of one"),
        (lambda: recon.observe(day().car, "FL", gauged=[7]), r"gauged: the value \[7\]; need a l"),
        (lambda: recon.observe_car(day().car, gauged=["FL"]), r"\['FL'\]; need a dict of lists"),
        (lambda: recon.observe(day().car, "FL", travel=[0.0, 0.1]), r"\[0\.0, 0\.1\]; need a num"),
        (lambda: recon.best_gauges(day().car, True), r"count: the value True; need a number"),
        (
            lambda: recon.launch(day().forces, slip=10**400),
            r"argument slip: the value 1000.*number",
        ),
        (
            lambda: recon.budget(day().forces, time=np.datetime64("2031-05-12")),
            r"time: the value .*2031-05-12.*; need a number",
        ),
        (
            lambda: recon.slalom(day().forces, bandwidth=np.array(3.0)),
            r"bandwidth: the value array\(3\.\); need a number.\n.* of an array, its \.item\(\)",
        ),
        (lambda: recon.budget(day().forces, corner=Path("FL")), r"Path\('FL'\); need a word"),
        (lambda: recon.export(day().forces, overwrite="no"), r"'no'; need True or False"),
        (
            lambda: recon.export(day().forces, corner=[1]),
            r"corner: the value \[1\]; need a list of",
        ),
        (
            lambda: recon.plot_corner(day().car, "FL", wrench=(1.0, 2.0)),
            r"\(1\.0, 2\.0\); need thr",
        ),
        (
            lambda: recon.patch_axes(day().car, "FL", ["a"], given="tyre", wanted="vehicle"),
            r"patch_axes, argument vector: the value \['a'\]; need numbers",
        ),
    ],
)
def test_nonsense_is_refused_at_the_door(call, found: str) -> None:
    with pytest.raises(DataError, match=found):
        call()


@pytest.mark.parametrize("label", ["gauge", "corner", "tared_corner"])
def test_a_label_that_stands_twice_is_refused(label: str) -> None:
    of = day()
    names = of.conditioned[label].to_numpy().copy()
    names[1] = names[0]
    log = of.conditioned.assign_coords({label: names})
    with pytest.raises(DataError, match=rf", {label}: '{names[0]}' 2 times; need each label once"):
        recon.reconstruct(log, of.calibration, of.car)


def test_components_and_attributes_that_are_missing_are_named() -> None:
    of = day()
    flat = of.conditioned.isel(component=[0, 1])
    with pytest.raises(DataError, match=r"components x, y; need x, y, z"):
        recon.reconstruct(flat, of.calibration, of.car)
    with pytest.raises(DataError, match=r"without the attribute rate, which arithmetic"):
        recon.reconstruct(of.conditioned.drop_attrs(deep=False), of.calibration, of.car)
    with pytest.raises(DataError, match=r"without the attribute rate_Hz, which arithmetic"):
        recon.sections(of.forces.drop_attrs(deep=False))
    forces = of.forces.copy()
    del forces.attrs["bandwidth_Hz"]
    with pytest.raises(DataError, match=r"without the attribute bandwidth_Hz, which arithmetic"):
        recon.braking(forces)


@pytest.mark.parametrize("answer", ANSWERS, ids=lambda answer: answer.name)
def test_answers_refuse_forces_that_have_lost_or_changed_what_they_rest_on(answer: Answer) -> None:
    forces, compute = day().forces, answer.function(answer.compute)
    options = {"vehicle": day().car} if answer.name == "link_loads" else {}
    spoiled = {
        "without vehicle_mass": forces.drop_vars("vehicle_mass"),
        "variable speed: words; need numbers": forces.assign(speed=forces["speed"].astype(str)),
        "attribute rate_Hz: 'x'; need a frequency": forces.assign_attrs(rate_Hz="x"),
    }
    for found, one in spoiled.items():
        with pytest.raises(DataError, match=found):
            compute(one, **options)


@pytest.mark.parametrize(
    ("spoil", "found"),
    [
        (lambda log: log.drop_vars("noise"), "without noise"),
        (lambda log: log.assign(u_zero=log["u_zero"].astype(str)), "u_zero: words; need numbers"),
        (lambda log: log.drop_vars("corner"), "4 values along corner, without names"),
        (lambda log: log.isel(corner=[]), "0 values along corner, without names"),
    ],
)
def test_a_conditioned_log_that_lost_something_is_refused(spoil, found: str) -> None:
    of = day()
    with pytest.raises(DataError, match=found):
        recon.reconstruct(spoil(of.conditioned), of.calibration, of.car)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_log_without_a_number_gives_no_force_and_says_why() -> None:
    of = day()
    silent = of.log.assign(indication=np.nan * of.log["indication"])
    log = recon.condition(silent, of.car, of.tares)
    forces = recon.reconstruct(log, of.calibration, of.car)
    assert np.isnan(forces["tyre_force"]).all()
    assert (forces["status"] & BIT["missing_input"] > 0).all()


def test_methods_look_at_what_they_are_given_too() -> None:
    prepared = recon.prepare(day().calibration, day().car, day().conditioned)
    with pytest.raises(DataError, match=r"Prepared\.solve, argument log: a value of type ndarray"):
        prepared.solve(day().conditioned["indication"].to_numpy())


@pytest.mark.parametrize(
    ("samples", "found"),
    [
        ([0, 10**7], r"samples = \[0, 10000000\]; need positions, .* to \d{4}\."),
        (np.array([0.5, 1.5]), r"samples = array\(\[0\.5, 1\.5\]\); need .*\n.*searchsorted"),
        (np.array([True, False]), r"samples = array\(\[ ?True, False\]\); need .*\n.*flatnonzero"),
    ],
    ids=["too many", "times", "mask"],
)
def test_signed_errors_are_asked_for_by_positions(samples: object, found: str) -> None:
    with pytest.raises(DataError, match=found):
        recon.signed_errors(day().forces, samples)


def test_members_of_a_list_are_looked_at_too() -> None:
    forces = day().forces
    with pytest.raises(DataError, match=r"grip, argument others: 'a/forces.nc'; need a list, each"):
        recon.grip(forces, others=["a/forces.nc"])
    with pytest.raises(DataError, match=r"launch, argument others: 'a/forces.nc'; need a list"):
        recon.launch(forces, others="a/forces.nc")
    with pytest.raises(DataError, match=r"argument others: a value of type Dataset; need a list"):
        recon.grip(forces, others=forces)


def run_list(folder: Path) -> RunList:
    """A run list of files that are there."""
    table = folder / "runs.csv"
    rows = [f"{name}.nc,{set_up},{n},nothing gauged" for n, (name, set_up) in enumerate(RUNS, 1)]
    table.write_text("\n".join(["file,set_up,order,changed", *rows]))
    for name, _ in RUNS:
        (folder / f"{name}.nc").touch()
    return recon.read_run_list(table)


@pytest.mark.parametrize("wrong", [1.0, None, {}, day().forces])
def test_forces_of_runs_are_a_list(wrong: object, tmp_path: Path) -> None:
    runs = run_list(tmp_path)
    found = re.escape("None" if wrong is None else f"a value of type {type(wrong).__name__}")
    with pytest.raises(DataError, match=rf"argument forces: {found}; need a list, each of it a D"):
        recon.compare_runs(runs, wrong, metric="front_lateral_force")


def test_a_public_function_can_be_sent_to_another_process() -> None:
    assert pickle.loads(pickle.dumps(recon.slalom)) is recon.slalom


def test_errors_and_warnings_can_be_caught_by_public_names() -> None:
    assert recon.ReconError is ReconError
    with pytest.raises(recon.ReconError, match=r"no such file"):
        recon.read_calibration("nowhere.nc")
    with warnings.catch_warnings():
        warnings.simplefilter("error", recon.ReconWarning)
        assert issubclass(recon.PriorWarning, ReconWarning)


def test_tares_are_never_subtracted_twice() -> None:
    of = day()
    with pytest.raises(DataError, match=r"a log that was conditioned before; need a log as"):
        recon.condition(of.conditioned, of.car, of.tares)


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        (slice(None, None, -1), r"(\d{4}) samples, \d{4} of them not after the one before"),
        (slice(0, 1), r"1 samples, 0 of them .*; need two samples or more"),
    ],
)
def test_samples_out_of_order_are_refused(rows: slice, found: str) -> None:
    of = day()
    with pytest.raises(DataError, match=found):
        recon.reconstruct(of.conditioned.isel(elapsed_time=rows), of.calibration, of.car)


def test_a_log_out_of_order_is_no_log_to_condition() -> None:
    of = day()
    with pytest.raises(DataError, match=r"\d{4} samples, \d{4} of them not .*\n.*sortby"):
        recon.condition(of.log.isel(elapsed_time=slice(None, None, -1)), of.car, of.tares)


def test_samples_picked_from_a_log_are_told() -> None:
    of = day()
    picked = of.conditioned.isel(elapsed_time=slice(600, 900, 3))
    with pytest.warns(recon.DataWarning, match=r"samples 15 ms apart in a log conditioned at 200"):
        recon.prepare(of.calibration, of.car, picked)


def test_the_file_of_a_result_ends_as_such(tmp_path: Path) -> None:
    with pytest.raises(recon.OutputError, match=r"a name that ends '\.csv'; need .*'\.nc'"):
        recon.write_result(day().forces, tmp_path / "forces.csv")
    with pytest.raises(recon.OutputError, match=r"a name without an ending; need .*'\.nc'"):
        recon.write_calibration(day().calibration, tmp_path / "calibration")


def raw_uses() -> dict[str, object]:
    """What wants a conditioned log, as a call on a log."""
    of = day()
    prepared = recon.prepare(of.calibration, of.car, of.conditioned)
    return {
        "reconstruct": lambda log: recon.reconstruct(log, of.calibration, of.car),
        "prepare": lambda log: recon.prepare(of.calibration, of.car, log),
        "solve": prepared.solve,
        "examine": lambda log: recon.examine(prepared, log, of.forces),
        "part_of": lambda log: recon.part_of(log, start=1.0),
    }


@pytest.mark.parametrize("use", ["reconstruct", "prepare", "solve", "examine", "part_of"])
def test_a_log_as_it_was_read_is_refused(use: str) -> None:
    log: xr.Dataset = day().log
    with pytest.raises(DataError, match=r"a log as it was read; need .*\n.*recon\.cond"):
        raw_uses()[use](log)


def test_a_notebook_shows_a_line_for_each_object_and_not_its_arrays(tmp_path: Path) -> None:
    of = day()
    prepared = recon.prepare(of.calibration, of.car, of.conditioned)
    shown = [
        (of.car, r"Vehicle Invented club racer: FL, FR, RL, RR, 24 gauges, .*club_racer\.toml"),
        (of.pulls, r"PullSheet .*: 14 pulls at FL, 14 pulls at FR, 16 pulls at RL, 16 .*24 gauges"),
        (
            of.tares,
            r"Tares .*: before the drive \(hanging\), after the drive \(hanging\); 24 gauges",
        ),
        (of.calibration, r"Calibration of Invented club racer, \d{4}-\d\d-\d\d\n  FL is good for"),
        (prepared, r"Prepared Invented club racer: FL, FR, RL, RR"),
        (of.calibration.corners["RL"], r"RL is good for forces up to"),
        (of.calibration.corners["RL"].without("RL_toe_link"), r"RL: no verdict"),
        (
            recon.verify(of.checks, of.calibration, of.car)["FR"],
            r"Verification: \d+ load steps, err",
        ),
        (recon.examine(prepared, of.conditioned, of.forces), r"Examination: .* made\n  no doubt"),
        (run_list(tmp_path), r"RunList .*: 2 on 'stiff', 3 on 'soft'"),
    ]
    for one, words in shown:
        assert re.match(words, repr(one)), repr(one)
        assert len(repr(one)) < 1500


@pytest.mark.parametrize("corners", [["FL", "FR"], ["RR", "RL"], ["FL", "RR"], ["RR", "FL", "FR"]])
def test_answers_of_some_corners_are_given_or_refused(corners: list[str]) -> None:
    some = day().forces.sel(corner=corners)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        found = dict(every_answer(some, {"vehicle": day().car}))
    assert all(isinstance(result, xr.Dataset | ReconError) for result in found.values())
    assert any(isinstance(result, xr.Dataset) for result in found.values())


def test_answers_are_the_same_where_arithmetic_drops_attributes() -> None:
    """As it does in xarray up to 2025.10, unless told otherwise."""
    given = []
    for keep in ("default", False):
        with warnings.catch_warnings(), xr.set_options(keep_attrs=keep):
            warnings.simplefilter("ignore", ReconWarning)
            found = dict(every_answer(day().forces, {"vehicle": day().car}))
        given.append({one.name: getattr(result, "found", "") for one, result in found.items()})
    assert given[1] == given[0]
    assert not all(given[0].values())


@pytest.mark.parametrize("answer", ANSWERS, ids=lambda answer: answer.name)
def test_a_picture_of_an_answer_wants_that_answer(answer: Answer) -> None:
    plot, forces = answer.function(answer.plot), day().forces
    other = recon.friction_use(forces) if answer.name != "friction" else recon.slalom(forces)
    title, made = r"'[\w ]+: .*' without \w+", rf"the result of recon\.{answer.compute}\."
    with pytest.raises(DataError, match=rf"{title}; need {made}\n.*forces first"):
        plot(forces, other)
    with pytest.raises(DataError, match=r"tyre_force"):
        plot(other, forces)


def test_a_picture_wants_the_whole_answer() -> None:
    forces = day().forces
    use = recon.friction_use(forces)
    with pytest.raises(DataError, match=r"highest_demonstrated_use by nothing; need the result of"):
        recon.plot_friction_plane(forces, use.isel(corner=0))
