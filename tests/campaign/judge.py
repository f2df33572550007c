"""Whether a spoiled file ends well: in a result that says what it does not know, or in one error.

A foreign exception, ten seconds without an end, and a number that is infinite are faults of ours.
"""

from __future__ import annotations

import dataclasses
import signal
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

import numpy as np

from recon.base.errors import ReconError

LONGEST = 10  # s


class TooLongError(BaseException):
    """Not an `Exception`, so that nobody takes it for one that can be cured."""


class NotFiniteError(AssertionError):
    """A result holds an infinite number, or one that is unknown without a word."""


@contextmanager
def bounded_time(seconds: int = LONGEST) -> Iterator[None]:
    """Raise `TooLongError` where the body has not ended after some seconds."""

    def ring(_signal: int, _frame: FrameType | None) -> None:
        raise TooLongError

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def require_finite(found: Any, place: str = "") -> None:
    """Refuse infinity anywhere in a result: fields, entries, arrays, variables."""
    if dataclasses.is_dataclass(found):
        for field in dataclasses.fields(found):
            require_finite(getattr(found, field.name), f"{place}.{field.name}")
    elif isinstance(found, dict):
        for key, value in found.items():
            require_finite(value, f"{place}[{key}]")
    elif isinstance(found, tuple | list):
        for i, value in enumerate(found):
            require_finite(value, f"{place}[{i}]")
    elif hasattr(found, "variables"):
        for name, variable in found.variables.items():
            require_finite(variable.to_numpy(), f"{place}[{name}]")
    else:
        array = np.asarray(found)
        if array.dtype.kind in "fc" and np.isinf(array).any():
            raise NotFiniteError(f"{place} holds {array[np.isinf(array)].flat[0]}")


@dataclasses.dataclass(frozen=True, slots=True)
class Verdict:
    """How one file ended: `sound`, `refused`, or a fault with its place in the code."""

    kind: str
    place: str = ""

    @property
    def fault(self) -> bool:
        """True where the program is at fault."""
        return self.kind not in ("sound", "refused")


def verdict_of(call: Callable[[], Any], seconds: int = LONGEST) -> Verdict:
    """Run `call` and say how it ended."""
    try:
        with bounded_time(seconds), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            require_finite(call())
    except ReconError as error:
        if len(str(error)) > 20_000:
            return Verdict("endless message", str(error)[:200])
        return Verdict("refused", type(error).__name__)
    except TooLongError as error:
        return Verdict("too long", _place(error))
    except NotFiniteError as error:
        return Verdict("not finite", str(error))
    except Exception as error:  # what the campaign looks for
        return Verdict(type(error).__name__, f"{_place(error)}: {str(error)[:120]}")
    return Verdict("sound")


def _place(error: BaseException) -> str:
    """Innermost line of this package, and the innermost of all."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "/recon/" in f.filename] or frames
    return f"{ours[-1].filename.rpartition('/recon/')[2]}:{ours[-1].lineno} {ours[-1].name}"
