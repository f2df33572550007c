"""Folders for results: where they may be written, and what is never replaced unasked."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from recon.base.errors import OutputError, current_folder


def results_folder(folder: Path, names: Iterable[str], *, overwrite: bool) -> Path:
    """Make the folder for results, once it is certain that none of the files would be replaced.

    Parameters
    ----------
    folder : Path
        Made with its parents where it does not exist.
    names : iterable of str
        Names of all files that are going to be written.
    overwrite : bool
        Whether they may replace existing ones.

    Raises
    ------
    OutputError
        One of the files exists and must not be replaced, or the folder cannot be made.
    """
    for name in names:
        refuse_existing(folder / name, overwrite=overwrite)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise _impossible(folder, fault) from fault
    return folder


def refuse_existing(target: Path, *, overwrite: bool) -> None:
    """Refuse before the work, not after it, to replace a result.

    Raises
    ------
    OutputError
        `target` exists and must not be replaced, or its name cannot be looked up.
    """
    try:
        if not target.is_absolute():
            Path.cwd()  # fails where somebody removed the current folder
        there = target.exists()
    except OSError as fault:  # a name that is too long, a folder that must not be looked into
        raise _impossible(target.parent, fault) from fault
    if there and not overwrite:
        raise OutputError(
            where=str(target),
            found="a result that already exists",
            needed="a new folder or permission to replace the result",
            do="Name another folder with --out, or add --overwrite.",
        )


def fresh_folder(folder: Path) -> Path:
    """`folder`, or the first of folder_2, folder_3, ... that does not exist yet."""
    try:
        fresh, count = folder, 1
        while fresh.exists():
            count += 1
            fresh = folder.with_name(f"{folder.name}_{count}")
    except (OSError, ValueError) as fault:
        raise _impossible(folder, fault) from fault
    return fresh


def remove_stale(folder: Path, names: Iterable[str]) -> list[Path]:
    """Remove those files of the folder that belong to a result that was replaced.

    Raises
    ------
    OutputError
        One of them cannot be removed.
    """
    stale = [folder / name for name in names if (folder / name).is_file()]
    try:
        for file in stale:
            file.unlink()
    except OSError as fault:
        raise _impossible(folder, fault) from fault
    return stale


def _impossible(folder: Path, fault: OSError | ValueError) -> OutputError:
    reason = getattr(fault, "strerror", None) or fault
    return OutputError(
        str(folder),
        f"cannot be created or opened ({reason}) from {current_folder()}",
        "a folder that can be written to",
        "Name another folder with --out.",
    )
