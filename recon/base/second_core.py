"""A second process that makes calls beside this one, on a computer with two cores or more.

Calls that do not wait for each other, such as pictures and answers, are `due`: the second process
makes them in the order in which they came, and whichever of them it has not begun when its result
is wanted is made here.  On one core all are made here, at that moment.  Results, notes, lines of
progress and their order are the same in both cases.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import partial
from importlib import import_module
from threading import RLock
from typing import TYPE_CHECKING, Any, TypeVar

from recon.base.errors import ReconWarning, warn

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

Result = TypeVar("Result")
Say = Callable[[str], None]
Made = tuple[Any, list[ReconWarning | str]]  # what a call returns, and what it warned of and said


class _Second:
    """The second process, started with the first call, and the calls that it has not begun.

    It is handed one call at a time: one that waits here can still be made here.
    """

    def __init__(self) -> None:
        self.pool: ProcessPoolExecutor | None = None
        self.waiting: dict[object, Callable[[], Made]] = {}
        self.begun: dict[object, Future[Made]] = {}
        self.busy = False
        self.lock = RLock()

    def add(self, call: Callable[[], Made]) -> object:
        """Let a call wait for its turn; what stands for it is returned."""
        ticket = object()
        with self.lock:
            self.waiting[ticket] = call
            self._hand_over()
        return ticket

    def taken_back(self, ticket: object) -> bool:
        """Take back a call that has not begun; whether that was so."""
        with self.lock:
            return self.waiting.pop(ticket, None) is not None

    def result_of(self, ticket: object) -> Made | None:
        """Wait for what a call that has begun gives; None if the process has died."""
        from concurrent.futures import BrokenExecutor

        try:
            return self.begun.pop(ticket).result()
        except BrokenExecutor:  # killed, perhaps by a system short of memory
            return None

    def end(self) -> None:
        """End the process with the call that it is making, which leaves no half-written file."""
        with self.lock:
            self.waiting.clear()
        if self.pool is not None:
            self.pool.shutdown()

    def _hand_over(self) -> None:
        from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
        from multiprocessing import get_context

        if self.busy or not self.waiting:
            return
        ticket, call = next(iter(self.waiting.items()))
        try:
            if self.pool is None:
                # A fork would inherit locks of other threads, such as those of linear algebra.
                self.pool = ProcessPoolExecutor(1, get_context("spawn"), _begin)
            future = self.pool.submit(call)
        except (BrokenExecutor, ImportError, OSError):
            return  # no process, or no more: calls are taken back one by one
        self.busy = True
        self.begun[ticket] = future
        del self.waiting[ticket]
        future.add_done_callback(self._next)

    def _next(self, done: Future[Made]) -> None:
        from concurrent.futures import BrokenExecutor

        # The pool of a dead process holds a lock of its own while it says so, and would wait for
        # itself if it were handed another call.  It stays busy: all calls that wait are made here.
        if isinstance(done.exception(), BrokenExecutor):
            return
        with self.lock:
            self.busy = False
            self._hand_over()


_SECOND: ContextVar[_Second | None] = ContextVar("second", default=None)


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def second_core() -> Iterator[None]:
    """Have calls that are `due` within this block made by a second process, given two cores."""
    second = _Second() if cores() > 1 else None
    token = _SECOND.set(second)
    try:
        yield
    finally:
        _SECOND.reset(token)
        if second is not None:
            second.end()


def warm_up(*modules: str) -> None:
    """Have the second process import what its calls are going to need, if anything."""
    if modules:
        due(partial(_import, modules))


def due(call: Callable[..., Result], say: Say | None = None) -> Callable[[], Result]:
    """Have a call made by the second process; the function returned gives its result.

    `call` and its result can be pickled.  With `say`, it takes a keyword of that name.  What it
    raises, warns of and says comes when its result is asked for.
    """
    here = call if say is None else partial(call, say=say)
    second = _SECOND.get()
    if second is None:
        return here
    ticket = second.add(partial(_made, call, say is not None))

    def result() -> Result:
        made = None if second.taken_back(ticket) else second.result_of(ticket)
        if made is None:
            return here()
        value, said = made
        for one in said:
            if isinstance(one, ReconWarning):
                warn(str(one), type(one))
            elif say is not None:
                say(one)
        wanted: Result = value
        return wanted

    return result


def _begin() -> None:
    """Leave Ctrl-C to the first process, and end when that one is killed."""
    import atexit
    import gc
    import signal
    from threading import Thread

    atexit.register(gc.freeze)  # nothing is searched while the process ends
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_the_first, daemon=True).start()


def _end_with_the_first() -> None:
    from multiprocessing import parent_process

    first = parent_process()
    if first is not None:
        first.join()
        os._exit(1)


def _import(modules: tuple[str, ...]) -> None:
    for module in modules:
        import_module(module)


def _made(call: Callable[..., Any], talks: bool) -> Made:
    """The result of a call, with its notes and lines in their order."""
    said: list[ReconWarning | str] = []

    def note(message: ReconWarning, *_: object, **__: object) -> None:
        said.append(message)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", ReconWarning)
        warnings.showwarning = note  # type: ignore[assignment]
        return call(**({"say": said.append} if talks else {})), said
