"""Help, names of options, and how quickly the command line starts."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from recon import pipeline
from recon.answers import ANSWERS
from recon.commands import CAUTION, COMMANDS, EXAMPLES, build_parser
from tests.commands.session import ROOT, Run

OF_ANSWERS = [answer.command for answer in ANSWERS]  # see test_answers
HEAVY = ("numpy", "xarray", "pandas", "scipy", "cvxpy", "matplotlib")


def parameters(command: str) -> dict[str, inspect.Parameter]:
    """Parameters of the public call behind a command; `say` belongs to programs alone."""
    found = inspect.signature(getattr(pipeline, command)).parameters
    return {name: p for name, p in found.items() if name != "say"}


@pytest.mark.parametrize("command", [c for c in COMMANDS if c not in OF_ANSWERS])
def test_options_and_defaults_are_those_of_the_public_call(command: str) -> None:
    wanted = parameters(command)
    files = [n for n, p in wanted.items() if p.default is inspect.Parameter.empty]
    parsed = vars(build_parser().parse_args([command, *files]))
    own = {n: v for n, v in parsed.items() if n not in ("command", "debug")}
    assert list(own) == list(wanted)  # files stand in the same order
    assert {n: own[n] for n in files} == {n: n for n in files}
    for name, p in wanted.items():
        if name not in files:
            assert own[name] == p.default, name


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_one_complete_example(command: str, run: Run) -> None:
    shown = run(command, "--help")
    assert shown.code == 0
    lines = [line.split() for line in shown.out.splitlines()]
    examples = [words for words in lines if words[:2] == ["recon", command]]
    assert examples, f"no line that begins 'recon {command}' in\n{shown.out}"
    for words in examples:
        assert build_parser().parse_args(words[1:]).command == command


def test_examples_name_what_an_answer_cannot_do_without() -> None:
    needed = {(a.command, option.name) for a in ANSWERS for option in a.options if option.required}
    assert needed == {("link-loads", "vehicle")}  # without it the command is refused
    for command, option in needed:
        assert f" --{option} car.toml " in EXAMPLES[command]


def test_the_first_help_shows_the_whole_run(run: Run) -> None:
    shown = run("--help")
    assert shown.code == 0
    assert all(line in shown.out for line in EXAMPLES.values())
    used = {line.split()[1] for line in EXAMPLES.values()}
    assert used == set(COMMANDS)
    for command in COMMANDS:
        assert command in shown.out


def test_help_of_the_pulls_warns_of_straps_and_jacks(run: Run) -> None:
    shown = " ".join(run("calibrate", "--help").out.split())
    assert " ".join(CAUTION.split()) in shown
    for word in ("strap", "under the car", "working limit", "half", "side load", "licensed"):
        assert word in CAUTION, word


def test_help_of_every_command_loads_nothing_heavy(spawn: Run) -> None:
    code = f"""\
import sys
from recon.cli import main
for words in [[], *([c] for c in {list(COMMANDS)!r})]:
    try:
        main([*words, "--help"])
    except SystemExit as end:
        assert not end.code, (words, end.code)
    loaded = [m for m in {HEAVY!r} if m in sys.modules]
    assert not loaded, (words, loaded)
"""
    ended = spawn("-c", code)
    assert ended.code == 0, ended.err
    assert ended.out.count("usage: recon") == 1 + len(COMMANDS)


def test_the_package_runs_as_a_module(spawn: Run) -> None:
    shown = spawn("-m", "recon", "check", "vehicles/club_racer.toml", folder=ROOT)
    assert shown.code == 0, shown.err
    assert "Invented club racer" in shown.out


def test_help_and_completion_in_python_list_every_public_name(spawn: Run) -> None:
    code = f"""\
import sys, recon
assert set(recon.__all__) <= set(dir(recon)), "completion"
assert not [m for m in {HEAVY!r} if m in sys.modules], "loaded too early"
import pydoc
text = pydoc.render_doc(recon, renderer=pydoc.plaintext)
missing = [n for n in recon.__all__ if n != "pipeline" and f"    {{n}}(" not in text
           and f"    class {{n}}(" not in text]
assert not missing, missing
import recon.analysis
assert not {{"analysis", "import_module"}} & set(dir(recon)), "nothing but public names"
"""
    ended = spawn("-c", code)
    assert ended.code == 0, ended.err


def test_an_option_is_offered_for_its_letters_and_wanted_after_the_command(run: Run) -> None:
    ended = run("check", "--vehicle", "vehicles/club_racer.toml")
    assert "recon check: no option '--vehicle'.\n" in ended.err
    ended = run("--debug", "check", "vehicles/club_racer.toml")
    assert ended.code == 2
    assert "recon check: option '--debug' stands before the command; write it after" in ended.err


def test_without_a_command_it_says_where_to_begin(run: Run) -> None:
    ended = run()
    assert ended.code == 2
    assert "recon: no command. Begin with `recon demo`, or name one: demo, check," in ended.err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_behind_the_printed_lines_is_no_fault_of_the_program(spawn: Run) -> None:
    code = "import sys; from recon.cli import main; sys.stdout = open('/dev/full', 'w'); "
    code += "sys.exit(main(['check', 'vehicles/club_racer.toml']))"
    ended = spawn("-c", code, folder=ROOT)
    assert ended.code == 4
    assert "recon check: standard output: printing failed (No space left on device)" in ended.err
