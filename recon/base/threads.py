"""One thread for dense linear algebra on small matrices.

Threaded BLAS on matrices of a few hundred rows loses more to waiting than it gains, ten times
over when another job shares the cores (measured); every stage that solves many small problems
runs inside this limit.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController


def one_thread() -> AbstractContextManager[Any]:
    """Hold BLAS to one thread within a `with` block."""
    return _controller().limit(limits=1, user_api="blas")


@cache
def _controller() -> ThreadpoolController:
    """The libraries in use, looked up once: a Ctrl-C during the look-up would go unheard."""
    import scipy.linalg  # noqa: F401  (its own library is found only where it is loaded)
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
