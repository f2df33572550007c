"""What no single module can promise: sizes, words, who may print or open, sources of numbers."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from recon.base.status import BIT, FLAGS

ROOT = Path(__file__).parents[1]
PACKAGE = sorted((ROOT / "recon").rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
MOST_LINES, MOST_FUNCTION_LINES = 500, 60

Function = ast.FunctionDef | ast.AsyncFunctionDef


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def functions(path: Path) -> Iterator[Function]:
    for node in ast.walk(tree(path)):
        if isinstance(node, Function):
            yield node


def test_files_and_functions_are_short_enough_to_read() -> None:
    long = []
    for path in PACKAGE + TESTS:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > MOST_LINES:
            long.append(f"{name_of(path)}: {lines} lines")
        for f in functions(path):
            # A docstring explains; only the lines that do something count.
            first = f.body[0] if ast.get_docstring(f) else None
            described = (first.end_lineno or 0) - first.lineno + 1 if first else 0
            size = (f.end_lineno or f.lineno) - f.lineno + 1 - described
            if size > MOST_FUNCTION_LINES:
                long.append(f"{name_of(path)}:{f.lineno} {f.name}: {size} lines")
    assert not long, "\n".join(long)


PRINTERS = ("recon/cli.py", "recon/__main__.py")
OPENERS = ("recon/cli.py", "recon/car/reader.py", "recon/car/source.py", "recon/records/",
           "recon/report/")  # fmt: skip
OPENING = {"open", "read_text", "read_bytes", "write_text", "write_bytes"}


def called(node: ast.AST) -> str:
    """Name of what a call calls, without what stands before the last dot."""
    if not isinstance(node, ast.Call):
        return ""
    return getattr(node.func, "id", getattr(node.func, "attr", ""))


def test_only_the_command_line_prints_and_only_readers_open_files() -> None:
    wrong = []
    for path in PACKAGE:
        name = name_of(path)
        for node in ast.walk(tree(path)):
            if called(node) == "print" and name not in PRINTERS:
                wrong.append(f"{name}:{node.lineno} prints")
            if called(node) in OPENING and not name.startswith(OPENERS):
                wrong.append(f"{name}:{node.lineno} opens a file")
    assert not wrong, "\n".join(wrong)


FORBIDDEN = {"get", "process", "calc", "handle", "utils", "helpers", "manager"}


def words_of(identifier: str) -> set[str]:
    """Lower-case words of an identifier, parted at underscores and capitals."""
    parts = re.sub(r"([a-z0-9])([A-Z])", r"\1_\2", identifier).lower().strip("_").split("_")
    return set(parts) | ({"do_"} if parts[0] == "do" and len(parts) > 1 else set())


def identifiers(path: Path) -> Iterator[tuple[int, str]]:
    """Every name that the file gives: modules, classes, functions, arguments, variables."""
    yield 0, path.stem
    for node in ast.walk(tree(path)):
        if isinstance(node, Function | ast.ClassDef):
            yield node.lineno, node.name
        elif isinstance(node, ast.arg):
            yield node.lineno, node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.lineno, node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.lineno, node.attr


def test_names_say_what_things_are() -> None:
    wrong = [
        f"{name_of(path)}:{line} {identifier}"
        for path in PACKAGE
        for line, identifier in identifiers(path)
        if words_of(identifier) & (FORBIDDEN | {"do_"})
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    ("identifier", "wrong"),
    [("get_load", True), ("LoadManager", True), ("do_fit", True), ("widget", False), ("do", False)],
)
def test_forbidden_words_are_found(identifier: str, wrong: bool) -> None:
    assert bool(words_of(identifier) & (FORBIDDEN | {"do_"})) == wrong


HEAVY = ("xarray", "pandas", "scipy", "cvxpy", "matplotlib", "netCDF4")


@pytest.mark.parametrize(
    "run",
    ["import recon.cli", "import recon.cli\nrecon.cli.main(['--help'])"],
    ids=["import", "help"],
)
def test_command_line_starts_without_heavy_imports(run: str) -> None:
    code = f"""\
import sys
try:
{"".join(f"    {line}{chr(10)}" for line in run.splitlines())}
except SystemExit as end:
    assert not end.code, end.code
loaded = [m for m in {HEAVY!r} if m in sys.modules]
sys.exit(f"loaded {{loaded}}" if loaded else 0)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert ("usage" in done.stdout.lower()) == ("--help" in run)


def test_each_flag_has_its_own_bit_and_a_paragraph() -> None:
    bits = [flag.bit for flag in FLAGS]
    assert all(bit > 0 and bit & (bit - 1) == 0 for bit in bits)
    assert len(set(bits)) == len(bits) == len(BIT)
    assert sum(bits) < 2**16  # status is stored in 16 bits
    for flag in FLAGS:
        sentences = re.findall(r"[.;:] ?", flag.meaning)
        assert len(flag.meaning) > 80, flag.name
        assert len(sentences) >= 2, flag.name
        assert flag.meaning.endswith("."), flag.name
    assert len({flag.meaning for flag in FLAGS}) == len(FLAGS)


REGISTER = tomllib.loads((ROOT / "tests" / "sources.toml").read_text(encoding="utf-8"))["source"]
FIELDS = {"id", "reference", "place", "obtained", "licence", "known", "checks", "misprints"}


def marks_of(decorated: Function | ast.ClassDef) -> Iterator[str]:
    """Texts of the source marks of a function or class."""
    for decorator in decorated.decorator_list:
        if called(decorator) == "source" and isinstance(decorator, ast.Call):
            yield from (str(ast.literal_eval(argument)) for argument in decorator.args)


def all_marks() -> Iterator[tuple[str, str]]:
    """(place, text) of every source mark in the tests, those of whole modules included."""
    for path in TESTS:
        for node in ast.walk(tree(path)):
            if called(node) == "source" and "mark.source" in ast.unparse(node):
                for argument in getattr(node, "args", []):
                    yield f"{name_of(path)}:{node.lineno}", str(ast.literal_eval(argument))


def test_register_is_complete() -> None:
    for entry in REGISTER:
        assert set(entry) == FIELDS, entry["id"]
        assert all(isinstance(v, str) and v.strip() for v in entry.values()), entry["id"]
        assert entry["known"] in ("read", "from memory", "computed here"), entry["id"]
    ids = [entry["id"] for entry in REGISTER]
    assert len(set(ids)) == len(ids)


def test_every_source_mark_is_in_the_register_and_every_entry_has_a_check() -> None:
    known = {entry["id"] for entry in REGISTER}
    marked = {}
    for place, text in all_marks():
        source, _, what = text.partition(":")
        assert what.strip(), f"{place}: say after the id what is checked: {text!r}"
        marked.setdefault(source.strip(), place)
    missing = {source: place for source, place in marked.items() if source not in known}
    assert not missing, f"not in sources.toml: {missing}"
    assert not known - set(marked), f"no test checks {sorted(known - set(marked))}"


def test_every_outside_test_names_its_source() -> None:
    without = []
    for path in sorted((ROOT / "tests" / "outside").glob("test_*.py")):
        module = tree(path)
        if any("pytestmark" in ast.unparse(n) and "mark.source" in ast.unparse(n)
               for n in module.body if isinstance(n, ast.Assign)):  # fmt: skip
            continue
        for node in module.body:
            members = node.body if isinstance(node, ast.ClassDef) else [node]
            of_class = list(marks_of(node)) if isinstance(node, ast.ClassDef) else []
            without += [
                f"{name_of(path)}:{f.lineno} {f.name}"
                for f in members
                if isinstance(f, Function)
                and f.name.startswith("test_")
                and not of_class
                and not list(marks_of(f))
            ]
    assert not without, "\n".join(without)
