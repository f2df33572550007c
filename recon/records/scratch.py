"""Room for large arrays in unnamed files, so that a long log fits a computer with little memory.

The system keeps the pages of such a file in memory while there is room, writes them to disk where
there is none, and removes the file when the array is no longer used or the program ends.
"""

from __future__ import annotations

import math
import mmap
import os
import tempfile
from typing import Any
from weakref import WeakSet

import numpy as np
from numpy.typing import DTypeLike, NDArray

from recon.base.errors import OutputError

LARGE = 1 << 26  # bytes; a smaller array stays in memory
_mapped: WeakSet[mmap.mmap] = WeakSet()


def room(shape: tuple[int, ...], dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """Empty array (..., sample) of `shape` [1], in memory if small, else in an unnamed file.

    Raises
    ------
    OutputError
        The folder for temporary files cannot be written, or has not enough room.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    if size < LARGE:
        return np.empty(shape, dtype)
    try:
        pages = _pages(size)
    except OSError as error:
        folder = tempfile.gettempdir()
        raise OutputError(
            folder,
            f"no room for {size / 1e6:.0f} MB of a long log: {error.strerror or error}",
            "a folder for temporary files with room for about three times the log",
            "Free some space there, or name another folder in the environment variable TMPDIR.",
        ) from error
    _mapped.add(pages)
    return np.frombuffer(pages, dtype).reshape(shape)


def _pages(size: int) -> mmap.mmap:
    """Pages of a new unnamed file of so many bytes, all of them reserved on the disk."""
    with tempfile.TemporaryFile() as file:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, size)  # a full disk is met here, not later
        else:
            file.truncate(size)
        return mmap.mmap(file.fileno(), size)


def give_back() -> None:
    """Let go of the memory of all arrays in files; what they hold stays and is read again."""
    if hasattr(mmap, "MADV_DONTNEED"):
        for pages in list(_mapped):
            pages.madvise(mmap.MADV_DONTNEED)
