"""One thread for dense linear algebra on small matrices.

Threaded BLAS on matrices of a few hundred rows loses more to waiting than it gains, ten times
over when another job shares the cores (measured); every stage that solves many small problems
runs inside this limit.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold BLAS to one thread within the block."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield
