"""Intermediate results that are calculated once and kept for all that ask for them later."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import Any, TypeVar

Result = TypeVar("Result")
Kept = dict[Any, tuple[Any, Any]]  # function and dataset to both of them, as `shared` keeps it
_KEPT: ContextVar[Kept | None] = ContextVar("kept", default=None)


def kept_in(store: dict[Any, Any], key: Any, make: Callable[[], Result]) -> Result:
    """The entry of `store` under `key`, made first where it is not there yet."""
    if key not in store:
        store[key] = make()
    found: Result = store[key]
    return found


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
        # The dataset too, so that its id stays its own.
        return kept_in(kept, (function, id(dataset)), lambda: (dataset, function(dataset)))[1]

    return once
