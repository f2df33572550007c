"""`public`: a public function looks at the objects that it is given before it does anything.

The name of a file where its content is wanted, or two arguments in the wrong order, would otherwise
end somewhere inside with an attribute that is missing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import wraps
from inspect import signature
from numbers import Real
from os import PathLike
from pathlib import PurePath
from typing import Any, NamedTuple, ParamSpec, TypeVar

import numpy as np

from recon.base.errors import DataError, shortened

Given = ParamSpec("Given")
Result = TypeVar("Result")

# Objects that public functions take, by the names of their classes, and how a user makes them.
MADE_BY = {
    "Vehicle": "recon.read_vehicle(path)",
    "PullSheet": "recon.read_pulls(path, car)",
    "Tares": "recon.read_tares(path, car)",
    "Calibration": "recon.calibrate(pulls, car) or recon.read_calibration(path)",
    "Prepared": "recon.prepare(calibration, car, log)",
    "RunList": "recon.read_run_list(path)",
    "Observability": "recon.observe(car, corner)",
    "Figure": "recon.plot_forces(forces, corner) or another picture",
    "Shown": "recon.page(forces) itself, which calculates all answers if none are given",
    "Dataset": "recon.read_log(path, car) for a log, recon.read_result(path) for a result",
}
SEVERAL = re.compile(r"(Sequence|Iterable)\[(.+)\]")
LARGEST_WHOLE = 10**300  # larger ones are no floating-point numbers


def public(function: Callable[Given, Result]) -> Callable[Given, Result]:
    """Refuse arguments that are of no class in their annotations.

    Only arguments that may be objects of `MADE_BY`, and those of a kind in `PLAIN`, are looked at.
    Classes go by their names, so that none has to be imported for this.

    Raises DataError: an argument, or a member of a sequence of objects, is something else.
    """
    annotations = {name: str(p.annotation) for name, p in signature(function).parameters.items()}
    kinds = {name: kinds for name, text in annotations.items() if (kinds := _kinds(text))}
    several = {
        name: found[1] for name, text in annotations.items() if (found := SEVERAL.search(text))
    }

    @wraps(function)
    def checked(*args: Given.args, **kwargs: Given.kwargs) -> Result:
        given = (*zip(annotations, args, strict=False), *kwargs.items())
        for name, value in given:
            if name in kinds:
                for one in _no_objects(kinds[name], several.get(name, ""), value):
                    raise _refused(function.__qualname__, name, one, kinds[name], name in several)
        for name, value in given:
            _require_plain(function.__qualname__, name, annotations.get(name, ""), value)
        return function(*args, **kwargs)

    return checked


def _kinds(annotation: str) -> list[str]:
    """Names of the classes in an annotation, those of `MADE_BY` first; none without such a one."""
    inner = SEVERAL.sub(r"\2", annotation)
    names = [part.strip().rpartition(".")[2] for part in inner.split("|")]
    names.sort(key=lambda name: name not in MADE_BY)
    return names if names[0] in MADE_BY else []


def _no_objects(kinds: list[str], several: str, value: object) -> list[object]:
    """The value, or members of it where `several` are wanted, that is no object of these classes.

    Members of an iterator are not looked at, as this would use them up.
    """
    if not several or value is None:
        return [] if _is_one_of(kinds, value) else [value]
    if isinstance(value, list | tuple):
        return [one for one in value if one is None or not _is_one_of(kinds, one)]
    return [] if several == "Iterable" and isinstance(value, Iterator) else [value]


def _is_one_of(kinds: list[str], value: object) -> bool:
    own = {kind.__name__ for kind in type(value).__mro__}
    return bool(own & set(kinds)) or (value is None and "None" in kinds)


class _Plain(NamedTuple):
    """A kind of argument that is no object.

    `holds` says whether a value is of it; `do` has room for the argument's name and for the value.
    """

    holds: Callable[[Any], bool]
    needed: str
    do: str


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_path(value: object) -> bool:
    return isinstance(value, str | PathLike)


def _is_number(value: object) -> bool:
    if isinstance(value, int):
        return not isinstance(value, bool) and abs(value) < LARGEST_WHOLE
    return isinstance(value, Real)


def _are_numbers(value: object) -> bool:
    try:
        values = np.asarray(value)
        return values.dtype.kind in "iuf" and values.size > 0
    except ValueError:  # rows of different length
        return False


def _are(holds: Callable[[Any], bool], value: object) -> bool:
    if not isinstance(value, Iterable) or getattr(value, "shape", None) == ():
        return False
    return not _is_text(value) and all(map(holds, value))


def _is_log(value: object) -> bool:
    """Whether it is the name of a log, or one with that of a column map or None."""
    if isinstance(value, tuple):
        return len(value) == 2 and all(one is None or _is_path(one) for one in value)
    return _is_path(value)


_NUMBER = "Give a number in SI units, without quotes and without a unit; of an array, its .item()."
_LIST = "Put it in brackets: {name}=[{shown}]."
_IS_NUMBER = _Plain(_is_number, "a number", _NUMBER)
_ARE_NUMBERS = _Plain(_are_numbers, "numbers", _NUMBER)
_WORDS = _Plain(lambda value: _are(_is_text, value), "a list of words", _LIST)
_WORD_OR_WORDS = _Plain(lambda value: _is_text(value) or _are(_is_text, value), *_WORDS[1:])
# Kinds of plain arguments by their annotation.
PLAIN = {
    "float": _IS_NUMBER,
    "int": _IS_NUMBER,
    "ArrayLike": _ARE_NUMBERS,
    "tuple[float, float, float]": _Plain(
        lambda value: _are(_is_number, value) and len(value) == 3,
        "three numbers",
        "Put them in brackets.",
    ),
    "bool": _Plain(lambda value: isinstance(value, bool | np.bool_), "True or False", "Give one."),
    "str": _Plain(
        _is_text, "a word", "Give one word in quotes: {name}='...'; of a label, its .item()."
    ),
    "str | Path": _Plain(_is_path, "the name of a file", "Give it in quotes: {name}='...'."),
    "tuple[str, ...]": _WORDS,
    "Sequence[str]": _WORDS,
    "Collection[str]": _WORD_OR_WORDS,
    "str | Sequence[str]": _WORD_OR_WORDS,
    "dict[str, tuple[str, ...]]": _Plain(
        lambda value: isinstance(value, Mapping) and all(map(_WORDS.holds, value.values())),
        "a dict of lists of words",
        "Name the members of each corner: {name}={{'FL': ['...']}}.",
    ),
    "Sequence[Source]": _Plain(
        lambda value: _are(_is_log, value), "a list of one log or more", _LIST
    ),
}


def _require_plain(function: str, name: str, annotation: str, value: object) -> None:
    """Refuse a value that is not of the plain kind in the annotation, such as text for a number.

    Raises DataError: it is of another kind.
    """
    kind = annotation.removesuffix(" | None")
    plain = PLAIN.get(kind)
    if plain is None or (value is None and kind != annotation) or plain.holds(value):
        return
    shown = shortened(repr(value), 200)
    found = f"the value {shown}" if "\n" not in shown else f"a value of type {type(value).__name__}"
    do = plain.do.format(name=name, shown=shown if _is_text(value) else "'...'")
    raise DataError(_argument(function, name), found, plain.needed, do)


def _argument(function: str, name: str) -> str:
    """The place of an argument for messages."""
    return f"recon.{function}, argument {name}"


def _refused(function: str, name: str, value: object, kinds: list[str], several: bool) -> DataError:
    text = isinstance(value, str | PurePath)
    shown = f"'{value}'" if text else f"a value of type {type(value).__name__}"
    return DataError(
        where=_argument(function, name),
        found="None" if value is None else shortened(shown, 200),
        needed=f"a list, each of it a {kinds[0]}" if several else f"a {kinds[0]}",
        do=f"Make it with {MADE_BY[kinds[0]]}, or check the order of the arguments.",
    )
