"""`public`: a public function looks at the objects that it is given before it does anything.

The name of a file where its content is wanted, or two arguments in the wrong order, would otherwise
end somewhere inside with an attribute that is missing.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import wraps
from inspect import signature
from pathlib import PurePath
from typing import ParamSpec, TypeVar

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
    "Dataset": "recon.read_log(path, car) for a log, recon.read_result(path) for a result",
}
SEVERAL = re.compile(r"Sequence\[(.+)\]")
LISTS = ("tuple[str, ...]", "Sequence[str]")


def public(function: Callable[Given, Result]) -> Callable[Given, Result]:
    """Refuse arguments that are of no class in their annotations.

    Only arguments that may be objects of `MADE_BY`, and those that are a number, a word or a list
    of words, are looked at.  Classes go by their names, so that none has to be imported for this.

    Raises DataError: an argument, or a member of a sequence of objects, is something else.
    """
    annotations = {name: str(p.annotation) for name, p in signature(function).parameters.items()}
    kinds = {name: kinds for name, text in annotations.items() if (kinds := _kinds(text))}
    several = {name for name, text in annotations.items() if SEVERAL.search(text)}

    @wraps(function)
    def checked(*args: Given.args, **kwargs: Given.kwargs) -> Result:
        for name, value in (*zip(annotations, args, strict=False), *kwargs.items()):
            _require_plain(function.__qualname__, name, annotations.get(name, ""), value)
            members = value if name in several and isinstance(value, list | tuple) else (value,)
            for one in members if name in kinds else ():
                if not _is_one_of(kinds[name], one):
                    raise _refused(function.__qualname__, name, one, kinds[name], name in several)
        return function(*args, **kwargs)

    return checked


def _kinds(annotation: str) -> list[str]:
    """Names of the classes in an annotation, those of `MADE_BY` first; none without such a one."""
    inner = SEVERAL.sub(r"\1", annotation)
    names = [part.strip().rpartition(".")[2] for part in inner.split("|")]
    names.sort(key=lambda name: name not in MADE_BY)
    return names if names[0] in MADE_BY else []


def _is_one_of(kinds: list[str], value: object) -> bool:
    own = {kind.__name__ for kind in type(value).__mro__}
    return bool(own & set(kinds)) or (value is None and "None" in kinds)


def _require_plain(function: str, name: str, annotation: str, value: object) -> None:
    """Refuse text where a number is wanted, and the other way round, and one word for a list.

    Raises DataError: the value is of another kind.
    """
    kind = annotation.removesuffix(" | None")
    if value is None and kind != annotation:
        return
    text = isinstance(value, str | PurePath)
    if kind in ("float", "int") and (text or not hasattr(value, "__float__")):
        needed, do = "a number", "Give a number in SI units, without quotes and without a unit."
    elif kind == "str" and not text:
        needed, do = "a word", f"Give one word in quotes: {name}='...'; of a label, its .item()."
    elif kind in LISTS and text:
        needed, do = "a list", f"Put it in brackets: {name}=[{shortened(repr(value), 200)}]."
    else:
        return
    shown = shortened(repr(value), 200)  # here alone: that of a dataset takes milliseconds
    found = f"the value {shown}" if "\n" not in shown else f"a value of type {type(value).__name__}"
    raise DataError(_argument(function, name), found, needed, do)


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
