"""Intermediate results that several answers of one drive share, kept while these are calculated."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import Any, TypeVar

Result = TypeVar("Result")
Kept = dict[Any, tuple[Any, Any]]  # function and dataset to both of them, as `shared` keeps it
_KEPT: ContextVar[Kept | None] = ContextVar("kept", default=None)


@contextmanager
def keeping(kept: Kept) -> Iterator[None]:
    """Keep results of functions that are `shared` in `kept`; datasets must not change meanwhile."""
    token = _KEPT.set(kept)
    try:
        yield
    finally:
        _KEPT.reset(token)


def shared(function: Callable[[Any], Result]) -> Callable[[Any], Result]:
    """Calculate a function of a dataset once for all calls inside `keeping`, else each time."""

    @wraps(function)
    def once(dataset: Any) -> Result:
        kept = _KEPT.get()
        if kept is None:
            return function(dataset)
        key = function, id(dataset)
        if key not in kept:
            kept[key] = dataset, function(dataset)  # the dataset too, so that its id stays its own
        found: Result = kept[key][1]
        return found

    return once
