"""README and DEVELOPERS are true: their commands, Python, shown output, tables and numbers."""

from __future__ import annotations

import doctest
import importlib
import re
import shlex
import tomllib
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest

import recon
from recon.answers import ANSWERS
from recon.commands import COMMANDS, build_parser
from tests.commands.answer_lists import lists, with_list
from tests.commands.session import ROOT, Run, rows_of

PAGES = ("README.md", "DEVELOPERS.md")


def text_of(page: str) -> str:
    return (ROOT / page).read_text(encoding="utf-8")


def blocks(page: str, kind: str) -> list[str]:
    """Texts of the code blocks of one kind."""
    return re.findall(rf"(?ms)^```{kind}\n(.*?)^```$", text_of(page))


def commands(page: str) -> list[list[str]]:
    """Words of every command in the shell blocks, which `&&` separates."""
    lines = [line for block in blocks(page, "sh") for line in block.splitlines()]
    return [shlex.split(part) for line in lines for part in line.split(" && ")]


def own(page: str) -> list[list[str]]:
    """Words after `recon` in each of our own commands."""
    return [words[1:] for words in commands(page) if Path(words[0]).name == "recon"]


def test_no_page_holds_both_sides_of_a_merge() -> None:
    pages = [*ROOT.glob("*.md"), *ROOT.glob("*/*.md")]
    assert len(pages) >= 4
    for page in pages:
        marks = re.findall(r"(?m)^(?:<{7} |>{7} |={7}$)", page.read_text(encoding="utf-8"))
        assert not marks, page


@pytest.mark.parametrize("page", PAGES)
def test_every_command_of_ours_is_understood(page: str) -> None:
    found = own(page)
    assert found
    for words in found:
        assert build_parser().parse_args(words).command == words[0]


def test_the_readme_shows_every_command() -> None:
    shown = {words[0] for words in own("README.md")}
    answers = {answer.command for answer in ANSWERS}  # they have a list of their own
    assert set(COMMANDS) - answers <= shown <= set(COMMANDS)
    assert shown & answers


@pytest.mark.parametrize("page", lists())
def test_the_lists_of_answers_are_those_of_the_table(page: str) -> None:
    assert with_list(page, text_of(page)) == text_of(page), "python -m tests.commands.answer_lists"


@pytest.mark.parametrize("page", PAGES)
def test_every_file_that_a_command_reads_is_there(page: str) -> None:
    made = ("demo_result", ".venv", "OTHER", "dist/")
    for words in commands(page):
        for word in words[1:]:
            if "/" in word and not word.startswith(made):
                assert (ROOT / word).exists(), shlex.join(words)


@pytest.mark.parametrize("page", PAGES)
def test_every_page_that_is_named_is_there(page: str) -> None:
    named = re.findall(r"`((?:\w+/)*(?:\w|\.|-)+\.(?:md|toml|py|txt))`", text_of(page))
    assert named
    files = [str(p.relative_to(ROOT)) for p in ROOT.rglob("*.*") if ".venv" not in p.parts]
    for name in named:
        assert any(f == name or f.endswith(f"/{name}") for f in files), name


def test_markers_and_extras_of_the_commands_exist() -> None:
    project = tomllib.loads(text_of("pyproject.toml"))
    described = project["tool"]["pytest"]["ini_options"]["markers"]
    markers = {re.split(r"[(:]", m)[0] for m in described}
    extras = set(project["project"]["optional-dependencies"])
    for page in PAGES:
        for words in commands(page):
            if "pytest" in words and words.count("-m") > 1:
                assert words[len(words) - words[::-1].index("-m")] in markers, shlex.join(words)
            for word in words:
                if match := re.fullmatch(r"\.\[(.*)\]", word):
                    assert set(match[1].split(",")) <= extras, shlex.join(words)


def test_the_first_two_commands_are_one_line_each() -> None:
    demo, tests = blocks("README.md", "sh")[0].splitlines()
    assert demo.endswith("recon demo")
    assert "pytest" in tests
    for line in (demo, tests):
        assert line.startswith("python3 -m venv ")
        assert " && " in line


def test_the_python_is_that_of_the_package_and_runs(spawn: Run, tmp_path: Path) -> None:
    (code,) = blocks("README.md", "python")
    examples = doctest.DocTestParser().get_examples(recon.__doc__ or "")
    assert code == "".join(e.source for e in examples)
    assert len(code.splitlines()) <= 10
    ended = spawn("-c", code + "print(use.sizes['corner'], peaks.sizes['cone'])", folder=tmp_path)
    assert ended.code == 0, ended.err
    corners, cones = map(int, ended.out.split())
    assert corners == 4
    assert cones >= 3  # a slalom has no fewer
    assert not list(tmp_path.iterdir())  # what was not asked for is not written


STAGES = {p.name for p in (ROOT / "recon").iterdir() if p.is_dir()}
FILE = re.compile(r"\.(md|toml|py|txt|nc|csv|png)$")


def shown_outputs(page: str) -> list[tuple[str, list[str]]]:
    """(command, its output as shown) of every text block that follows a shell block."""
    pairs = re.findall(
        r"(?m)^```sh\n((?:(?!```).*\n)+)```\n\s*```text\n((?:(?!```).*\n)+)```$", text_of(page)
    )
    return [(command.strip(), output.splitlines()) for command, output in pairs]


def first_line_not_printed(shown: list[str], printed: list[str]) -> str:
    """First line of an excerpt that does not follow there, or nothing; `...` skips any lines."""
    lines = [line.rstrip() for line in printed]
    pieces = [p.splitlines() for p in re.split(r"(?m)^ *\.\.\.$", "\n".join(shown))]
    after = 0
    for piece in ([line.rstrip() for line in p if line.strip()] for p in pieces):
        starts = [i for i in range(after, len(lines)) if lines[i : i + len(piece)] == piece]
        if not starts:
            return next((line for line in piece if line not in lines[after:]), piece[0])
        after = starts[0] + len(piece)
    return ""


@pytest.mark.parametrize(
    ("shown", "missing"),
    [
        (["a 1", "b 2"], ""),
        (["b 2", "..."], ""),
        (["a 1", "  ...", "c 3"], ""),
        (["a 1", "c 3"], "a 1"),  # something is left out without saying so
        (["c 3", "...", "a 1"], "a 1"),  # order
        (["a 1", "b 4"], "b 4"),  # a number
    ],
)
def test_lines_that_are_not_printed_are_found(shown: list[str], missing: str) -> None:
    assert first_line_not_printed(shown, ["a 1", "b 2 ", "c 3"]) == missing


def section(page: str, title: str) -> str:
    """Text below a heading of the second level."""
    return text_of(page).partition(f"\n## {title}\n")[2].partition("\n## ")[0]


def test_every_module_has_its_own_row_in_the_table_of_the_house() -> None:
    rows = re.findall(
        r"(?m)^\| `([\w/]+\.(?:py|js))` \| (.+) \|$", section("DEVELOPERS.md", "The house")
    )
    named = [file for file, _ in rows]
    package = ROOT / "recon"
    files = (file for kind in ("*.py", "*.js") for file in package.rglob(kind))
    there = {p.relative_to(package).as_posix() for p in files}
    there = {file for file in there if not Path(file).name.startswith("__")}
    assert there <= set(named), f"no row for {sorted(there - set(named))}"
    assert set(named) <= there, f"no module for {sorted(set(named) - there)}"
    assert len(named) == len(set(named)), (
        f"twice: {sorted({f for f in named if named.count(f) > 1})}"
    )
    for file, sentence in rows:
        assert re.fullmatch(r"[A-Z`95].{15,110}\.", sentence), f"{file}: {sentence!r}"
        assert ". " not in sentence, f"{file}: one sentence, not {sentence!r}"


def test_decision_records_stand_in_order_and_are_complete() -> None:
    records = re.split(r"(?m)^### D", section("DEVELOPERS.md", "Decisions"))[1:]
    numbers = [int(record.partition(".")[0]) for record in records]
    assert numbers == list(range(1, len(numbers) + 1))
    for record in records:
        parts = re.findall(r"(?m)^\*(\w+)\.\*", record)
        assert parts == ["Context", "Decision", "Alternatives", "Consequences"], record[:60]


OUTSIDE = {"scipy", "xarray", "tool"}  # beginnings of dotted names that are not ours


def test_names_of_the_code_in_developers_exist() -> None:
    code = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "recon").rglob("*.py"))
    words = set(re.findall(r"\w+", code)) | {p.stem for p in (ROOT / "recon").rglob("*.py")}
    dotted = re.findall(r"`([A-Za-z_]\w*(?:\.[A-Za-z_]\w*)+)`", text_of("DEVELOPERS.md"))
    ours = [n for n in dotted if n.partition(".")[0] not in OUTSIDE and not FILE.search(n)]
    assert len(ours) > 30
    for name in ours:
        assert set(name.split(".")) <= words | {"recon", *STAGES}, name


def assumptions() -> Iterator[tuple[str, str]]:
    """(constant, value) of the rows of the table of stated assumptions."""
    return iter(re.findall(r"(?m)^\| `([\w.]+\.[A-Z_]+)` \| (\S+) \|", text_of("DEVELOPERS.md")))


def test_stated_assumptions_are_those_of_the_code() -> None:
    stated = list(assumptions())
    assert len(stated) > 15
    for constant, value in stated:
        module, _, name = constant.rpartition(".")
        real = float(getattr(importlib.import_module(f"recon.{module}"), name))
        digits = len(value.partition("e")[0].partition(".")[2])
        scale = 10 ** int(value.partition("e")[2] or 0)
        # Half a unit of the last digit written, and a hair for rounding in binary.
        assert abs(real - float(value)) <= 0.5001 * scale * 10.0**-digits, f"{constant} is {real}"


LOGS = ("day.csv.gz", *(f"run_{k}.csv.gz" for k in range(1, 7)))
FILES = ("pulls.csv", "verification.csv", "tares.csv", "runs.csv", *LOGS)


@pytest.mark.slow(9)
def test_shipped_demo_data_are_those_that_the_command_makes(spawn: Run, tmp_path: Path) -> None:
    command = next(w for w in commands("DEVELOPERS.md") if "demo_data/make_demo.py" in w)
    ended = spawn(*command[1:], "--folder", tmp_path, folder=ROOT)
    assert ended.code == 0, ended.err
    for name in FILES:
        rows = zip(rows_of(tmp_path / name), rows_of(ROOT / "demo_data" / name), strict=True)
        different = [zip(*pair, strict=True) for pair in rows if pair[0] != pair[1]]
        for made, there in chain.from_iterable(different):
            digits = len(made.partition(".")[2])
            # Another rounding of the last digit, as another numpy may give.
            assert made == there or abs(float(made) - float(there)) <= 2.0 * 10.0**-digits, name
