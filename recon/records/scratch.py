"""Room for large arrays, in memory up to a limit and then in unnamed files.

A long log therefore fits a computer with little memory.  Memory comes first because the system
needs five times as long to hand out the pages of a file: for a log of twenty minutes that would be
a quarter of all processor time.  Memory of arrays that are gone serves the next ones of the same
size, because pages that the system hands out anew cost a fifth of solving a log again; until then
the system may have it back.

The system keeps the pages of a file in memory while there is room and writes them to disk
where there is none.  The file goes when the array is no longer used or the program ends.  A
watching thread takes pages out of this process's memory when there are more than `KEPT`; what
they hold stays and is read again when it is needed.
"""

from __future__ import annotations

import math
import mmap
import os
import tempfile
import threading
import time
from pathlib import Path
from typing import Any
from weakref import WeakSet, finalize

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import DTypeLike, NDArray

from recon.base.errors import OutputError

LARGE = 1 << 24  # bytes; a smaller array always stays in memory
MOST, SHARE = 15 << 26, 1 / 8  # bytes of large arrays in memory; share of the computer's memory
KEPT = 1 << 26  # bytes of all files together that stay in the memory of this process
PAUSE = 0.003  # s between two looks at the memory
_MEMORY = Path("/proc/self/statm")


class _Keeper:
    """All large arrays, and a thread that watches how much memory those in files take."""

    def __init__(self) -> None:
        self.most = int(min(MOST, SHARE * _memory_of_computer()))
        self.held: WeakSet[mmap.mmap] = WeakSet()
        self.spare: list[mmap.mmap] = []  # of what is held, memory of arrays that are gone
        self.mapped: WeakSet[mmap.mmap] = WeakSet()
        self.libraries = 0  # bytes of other files in memory before the first array in one
        self.lock = threading.Lock()
        self.watch = threading.Thread()

    def memory(self, size: int) -> NDArray[np.uint8] | None:
        """So many bytes of memory, None where all large arrays would be too many.

        Small pages: to find room for large ones can take longer than to read the log.
        """
        private = {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS} if os.name == "posix" else {}
        with self.lock:
            fitting = (k for k, pages in enumerate(self.spare) if len(pages) == size)
            if (k := next(fitting, None)) is not None:
                return self._lent(self.spare.pop(k))
            if self._too_many(size):
                self.spare.clear()
            if self._too_many(size):
                return None
            pages = mmap.mmap(-1, size, **private)
            self.held.add(pages)
            return self._lent(pages)

    def _too_many(self, size: int) -> bool:
        return sum(map(len, self.held)) + size > self.most

    def _lent(self, pages: mmap.mmap) -> NDArray[np.uint8]:
        """Bytes that lend their pages to arrays, until the last of these is gone."""
        lent = np.frombuffer(pages, np.uint8)
        finalize(lent, self._back, pages).atexit = False
        return lent

    def _back(self, pages: mmap.mmap) -> None:
        if hasattr(mmap, "MADV_FREE"):
            pages.madvise(mmap.MADV_FREE)
        self.spare.append(pages)

    def add(self, pages: mmap.mmap) -> None:
        """Watch these pages too."""
        with self.lock:
            if not self.mapped:
                self.libraries = _shared()
            self.mapped.add(pages)
            if hasattr(mmap, "MADV_DONTNEED") and not self.watch.is_alive():
                self.watch = threading.Thread(target=self._look, daemon=True)
                self.watch.start()

    def _look(self) -> None:
        """Give memory back whenever there is too much of it, until no array in a file is left."""
        while self.mapped:
            time.sleep(PAUSE)
            self.relieve()

    def relieve(self) -> None:
        """Give memory back if there is too much of it."""
        if self.mapped and self.in_memory() > KEPT:
            self.give_back()

    def in_memory(self) -> int:
        """Bytes of these arrays in the memory of this process; all of them if nobody knows."""
        return _shared() - self.libraries if _MEMORY.exists() else sum(map(len, self.mapped))

    def give_back(self) -> None:
        """Take the pages of all arrays in files out of memory; what they hold stays."""
        with self.lock:
            for pages in list(self.mapped):
                pages.madvise(mmap.MADV_DONTNEED)


def _shared() -> int:
    """Bytes of files, libraries among them, in the memory of this process; 0 if nobody knows."""
    if not _MEMORY.exists():
        return 0
    return int(_MEMORY.read_text("ascii").split()[2]) * mmap.PAGESIZE


def _memory_of_computer() -> float:
    """Bytes of memory that the computer has; without limit where the system does not say."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return math.inf


keeper = _Keeper()


def room(shape: tuple[int, ...], dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """Empty array (..., sample) of `shape` [1], in memory if there is room, else in a file.

    Raises OutputError: the folder for temporary files cannot be written, or has not enough room.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    if size < LARGE:
        return np.empty(shape, dtype)
    try:
        lent = keeper.memory(size)
        pages = _pages(size) if lent is None else lent.data
    except OSError as error:
        folder = tempfile.gettempdir()
        raise OutputError(
            folder,
            f"no room for {size / 1e6:.0f} MB of a long log: {error.strerror or error}",
            "a folder for temporary files with room for about five times the log",
            "Free some space there, or name another folder in the environment variable TMPDIR.",
        ) from error
    return np.frombuffer(pages, dtype).reshape(shape)


def at_rows(values: NDArray[Any], rows: NDArray[np.intp]) -> NDArray[Any]:
    """Rows (row, ...) of `values` (sample, ...) [any unit], taken column by column.

    The system brings in more of a file than is asked for, so that rows all over a long log would
    bring in all of it.
    """
    out = np.empty((*rows.shape, *values.shape[1:]), values.dtype)
    for column in np.ndindex(values.shape[1:]):
        out[..., *column] = values[:, *column][rows]
        keeper.relieve()
    return out


def stretches_at(values: NDArray[Any], starts: NDArray[np.intp], width: int) -> NDArray[Any]:
    """Stretches (stretch, width, ...) of `values` (sample, ...) [any unit], taken like rows.

    Each holds `width` samples from one of `starts` (stretch,) on, which lie beside each other.
    """
    out = np.empty((*values.shape[1:], len(starts), width), values.dtype)
    for column in np.ndindex(values.shape[1:]):
        out[column] = sliding_window_view(values[:, *column], width)[starts]
        keeper.relieve()
    return np.moveaxis(out, (-2, -1), (0, 1))


def copied(values: NDArray[Any]) -> NDArray[Any]:
    """Copy of an array (sample, ...) in `room`, each column contiguous; any unit."""
    out = columns(values.shape, values.dtype)
    out[:] = values
    return out


def columns(shape: tuple[int, ...], dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """Empty array (sample, ...) of `shape` [1] in `room`, each column contiguous."""
    return np.moveaxis(room((*shape[1:], shape[0]), dtype), -1, 0)


def _pages(size: int) -> mmap.mmap:
    """Pages of a new unnamed file of so many bytes, all of them reserved on the disk."""
    with tempfile.TemporaryFile() as file:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, size)  # a full disk is met here, not later
        else:
            file.truncate(size)
        pages = mmap.mmap(file.fileno(), size)
    keeper.add(pages)
    return pages
