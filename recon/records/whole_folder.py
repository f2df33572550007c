"""Replaces the results in a folder as a whole: whoever looks sees the earlier ones or the new ones.

New results are written into a folder beside the real one, which then takes its place in a single
step.  Other files in the folder stay.  Whatever a killed run left behind, the next run removes.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from recon.base.errors import OutputError
from recon.records.files import clear_parts, part_name, parts_of
from recon.records.overwriting import impossible

EARLIER = "earlier-"  # begins the name of results that are about to be removed
AT_CURRENT_FOLDER, EXCHANGE = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of renameat2(2)


@contextmanager
def replaced_as_a_whole(folder: Path, ours: Collection[str]) -> Iterator[Path]:
    """Give an empty folder; its files take the place of those in `folder` if the body ends well.

    `folder` is made, with its parents, if it does not exist.  Files of an earlier result in it,
    `ours`, are replaced or removed; all others are kept.

    Raises OutputError: the folder cannot be made or replaced, or a file in it cannot be written.
    """
    try:
        real = folder.resolve()
        real.parent.mkdir(parents=True, exist_ok=True)
        _recover(real)
        new = _made_beside(real)
    except OSError as fault:
        raise impossible(folder, fault) from fault
    try:
        yield new
        if new.parent == real:
            _move_into(new, real, ours)
        else:
            _take_place(new, real, ours)
    except OutputError as fault:  # the user knows the name of the real folder only
        where, do = (text.replace(str(new), str(folder)) for text in (fault.where, fault.do))
        raise OutputError(where, fault.found, fault.needed, do) from fault
    except OSError as fault:
        raise impossible(folder, fault) from fault
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _made_beside(folder: Path) -> Path:
    """A new folder beside `folder`, or inside it where it cannot be replaced as a whole.

    That is so for the current folder, for a folder with other folders in it and for the root of
    a disk or share.
    """
    if folder.exists():
        clear_parts(folder)
        in_use = Path.cwd().is_relative_to(folder) or os.path.ismount(folder)
        if in_use or any(entry.is_dir() for entry in folder.iterdir()):
            return _made(folder / part_name(folder.name))
    try:
        return _made(folder.with_name(part_name(folder.name)))
    except PermissionError:
        if not folder.exists():
            raise
        return _made(folder / part_name(folder.name))


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _take_place(new: Path, folder: Path, ours: Collection[str]) -> None:
    """Put `new` in the place of `folder`, with the files that are not ours."""
    if not folder.exists():
        new.rename(folder)
        return
    kept = [entry for entry in folder.iterdir() if entry.name not in ours]
    for entry in kept:
        _linked(entry, new / entry.name)
    shutil.copymode(folder, new)
    if not _exchanged(new, folder):
        earlier = folder.with_name(part_name(f"{EARLIER}{folder.name}"))
        folder.rename(earlier)
        new.rename(folder)
        shutil.rmtree(earlier, ignore_errors=True)


def _linked(file: Path, to: Path) -> None:
    """The same file under another name; a copy where the disk knows no links."""
    try:
        os.link(file, to, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(file, to, follow_symlinks=False)


def _exchanged(a: Path, b: Path) -> bool:
    """Exchange two folders in one step, where the system can."""
    if sys.platform != "linux":
        return False
    rename = getattr(ctypes.CDLL(None), "renameat2", None)
    if rename is None:
        return False
    names = (os.fsencode(a), os.fsencode(b))
    return bool(rename(AT_CURRENT_FOLDER, names[0], AT_CURRENT_FOLDER, names[1], EXCHANGE) == 0)


def _move_into(new: Path, folder: Path, ours: Collection[str]) -> None:
    """Move every file of `new` into `folder`, the earlier ones gone before the first new one."""
    for name in ours:
        (folder / name).unlink(missing_ok=True)
    for file in sorted(new.iterdir(), key=lambda file: file.suffix == ".nc"):
        file.replace(folder / file.name)


def _recover(folder: Path) -> None:
    """Put earlier results back that a killed run had moved away, and remove what it left."""
    for earlier in parts_of(folder.parent, f"{EARLIER}{folder.name}"):
        if not folder.exists():
            earlier.rename(folder)
    for name in (folder.name, f"{EARLIER}{folder.name}"):
        clear_parts(folder.parent, name)
