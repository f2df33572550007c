"""Numbers that come from outside name their source, and every source is used."""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator

from tests.test_architecture import ROOT, TESTS, Function, called, name_of, tree

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
