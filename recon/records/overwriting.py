"""Names of results that can be used: none that exists is replaced unasked."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from recon.base.errors import OutputError, current_folder
from recon.records.files import require_free


def refuse_existing(target: Path, *, overwrite: bool) -> None:
    """Refuse before the work, not after it, to replace a result.

    Raises OutputError: `target` exists and must not be replaced, its name cannot be looked up, or
    its folder is missing and cannot be made.
    """
    try:
        if not target.is_absolute():
            Path.cwd()  # fails where somebody removed the current folder
        there = target.exists()
        _require_room(target.parent)
    except OSError as fault:  # a name that is too long, a folder that must not be looked into
        raise impossible(target.parent, fault) from fault
    if there:
        require_free(target, overwrite=overwrite)


def _require_room(folder: Path) -> None:
    """Raise OSError where a folder that is missing cannot be made."""
    found = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not found.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, f"{found} is no folder")
    if found != folder and not os.access(found, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, f"no right to write into {found}")


def fresh_folder(folder: Path) -> Path:
    """`folder`, or the first of folder_2, folder_3, ... that does not exist yet."""
    try:
        fresh, count = folder, 1
        while fresh.exists():
            count += 1
            fresh = folder.with_name(f"{folder.name}_{count}")
    except (OSError, ValueError) as fault:
        raise impossible(folder, fault) from fault
    return fresh


def impossible(folder: Path, fault: OSError | ValueError) -> OutputError:
    """A folder that cannot be created, opened or replaced, as an error for the user."""
    reason = getattr(fault, "strerror", None) or fault
    return OutputError(
        str(folder),
        f"cannot be created or opened ({reason}) from {current_folder()}",
        "a folder that can be written to",
        "Name another folder with --out.",
    )
