"""Threads: how many work side by side, and linear algebra on small matrices kept to one.

With matrices of a few hundred rows, threaded BLAS loses more time in waiting than it gains; with
another job on the same cores it was ten times slower (measured).  Stages that solve many small
problems therefore run inside this limit.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

THREADS = 2  # parse, filter and solve side by side; measured .6 of the time of one on idle cores


def one_thread() -> AbstractContextManager[Any]:
    """Restrict BLAS to one thread within a `with` block."""
    return _controller().limit(limits=1, user_api="blas")


@cache
def _controller() -> ThreadpoolController:
    """Controller of the loaded libraries, found once: Ctrl-C is ignored during the search."""
    import scipy.linalg  # noqa: F401  (its own BLAS is found only after it is loaded)
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
