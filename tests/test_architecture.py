"""Promises that no single module can keep: sizes, circles, words, docstrings, doors to the disk."""

from __future__ import annotations

import ast
import re
import statistics
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from recon.base.status import BIT, FLAGS

ROOT = Path(__file__).parents[1]
PACKAGE = sorted((ROOT / "recon").rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
MOST_LINES, MOST_FUNCTION_LINES, MEDIAN_FUNCTION_LINES = 400, 60, 9

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


@cache
def sizes_of(path: Path) -> list[tuple[str, int]]:
    """Place, name and size of every function of a file."""
    return [(f"{name_of(path)}:{f.lineno} {f.name}", size_of(f)) for f in functions(path)]


def size_of(f: Function) -> int:
    """Lines of a function that do something; a docstring explains and does not count."""
    first = f.body[0] if ast.get_docstring(f) else None
    explained = (first.end_lineno or 0) - first.lineno + 1 if first else 0
    return (f.end_lineno or f.lineno) - f.lineno + 1 - explained


def test_files_and_functions_are_short_enough_to_read() -> None:
    long = []
    for path in PACKAGE + TESTS:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > MOST_LINES:
            long.append(f"{name_of(path)}: {lines} lines")
        long += [f"{f}: {size} lines" for f, size in sizes_of(path) if size > MOST_FUNCTION_LINES]
    assert not long, "\n".join(long)
    sizes = [size for path in PACKAGE for _, size in sizes_of(path)]
    assert statistics.median(sizes) <= MEDIAN_FUNCTION_LINES


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def for_types_alone(module: ast.Module) -> set[ast.AST]:
    """Every node below `if TYPE_CHECKING:`."""
    tests = [n for n in ast.walk(module) if isinstance(n, ast.If)]
    bodies = [n.body for n in tests if "TYPE_CHECKING" in ast.unparse(n.test)]
    return {node for body in bodies for line in body for node in ast.walk(line)}


def imports_of(path: Path, known: set[str], *, typed: bool) -> set[str]:
    """Modules of ours that a module imports, in functions too; those for types alone if `typed`."""
    module = tree(path)
    left_out = set() if typed else for_types_alone(module)
    found = set()
    for node in ast.walk(module):
        if node in left_out:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            full = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= (full & known) or {node.module}
    return found & known - {module_of(path)}


@pytest.mark.parametrize("typed", [False, True], ids=["at run time", "for types too"])
def test_no_import_goes_round_in_a_circle(typed: bool) -> None:
    known = {module_of(path) for path in PACKAGE}
    imports = {module_of(path): imports_of(path, known, typed=typed) for path in PACKAGE}
    assert sum(map(len, imports.values())) > 300
    try:
        list(TopologicalSorter(imports).static_order())
    except CycleError as found:
        pytest.fail(" <- ".join(found.args[1]))


def documented(path: Path) -> Iterator[tuple[str, Function | ast.ClassDef | ast.Module]]:
    """(name, node) of whatever may have a docstring."""
    for node in ast.walk(tree(path)):
        if isinstance(node, Function | ast.ClassDef | ast.Module):
            yield getattr(node, "name", "the module"), node


def test_docstrings_name_the_thing() -> None:
    vague = [
        f"{name_of(path)}: {name}"
        for path in PACKAGE
        for name, node in documented(path)
        if (ast.get_docstring(node) or "").startswith("What ")
    ]
    assert not vague, "\n".join(vague)


ARRAYS = re.compile(r"\b(Floats|NDArray|ndarray)\b")
NUMBERS = re.compile(r"\b(Floats|float\w*)\b")
SHAPE = re.compile(r"\((\.\.\.|[\w* ]+),([^()]*|[^()]*\(\w+\)[^()]*)\)")
UNIT = re.compile(r"\[[^\[\]]+\]")


def public(body: list[ast.stmt], before: str = "") -> Iterator[tuple[str, Function]]:
    """(name, node) of every public function and method."""
    for node in body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from public(node.body, f"{node.name}.")
        elif isinstance(node, Function) and not node.name.startswith("_"):
            yield before + node.name, node


def unsaid(f: Function) -> list[str]:
    """Of a function with arrays: whether its docstring lacks a shape or a unit ([1] for none)."""
    arguments = [*f.args.posonlyargs, *f.args.args, *f.args.kwonlyargs]
    types = " ".join(ast.unparse(a) for a in [*(x.annotation for x in arguments), f.returns] if a)
    doc = ast.get_docstring(f) or ""
    lacks = []
    if ARRAYS.search(types) and not SHAPE.search(doc):
        lacks.append("shape")
    if NUMBERS.search("".join(re.findall(r"Floats|NDArray\[[^\]]*\]", types))) and not UNIT.search(
        doc
    ):
        lacks.append("unit")
    return lacks


def test_public_functions_say_shapes_and_units_of_their_arrays() -> None:
    wrong = [
        f"{name_of(path)}:{f.lineno} {name}: no {' and no '.join(unsaid(f))}"
        for path in PACKAGE
        for name, f in public(tree(path).body)
        if unsaid(f)
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    ("doc", "lacks"),
    [
        ("Forces (sample, 3) [N].", []),
        ("Shares (..., member, 6 * wheel) [1].", []),
        ("Forces (sample, 3).", ["unit"]),
        ("Forces [N].", ["shape"]),
        ("Forces (of a tyre).", ["shape", "unit"]),
    ],
)
def test_docstrings_without_shape_or_unit_are_found(doc: str, lacks: list[str]) -> None:
    (f,) = ast.parse(f'def f(x: Floats) -> str:\n    """{doc}"""').body
    assert isinstance(f, ast.FunctionDef)
    assert unsaid(f) == lacks


PRINTERS = ("recon/cli.py", "recon/__main__.py")
OPENERS = ("recon/cli.py", "recon/car/reader.py", "recon/car/source.py", "recon/records/",
           "recon/base/shipped.py",
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
