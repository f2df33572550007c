"""Find the shipped example files: inside the installed package, or in a clone."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from recon.base.errors import OutputError


def packaged_text(package: str, *parts: str) -> str:
    """Text of a file that belongs to a package of ours, such as a script of the page."""
    return files(package).joinpath(*parts).read_text(encoding="utf-8")


def shipped(*parts: str) -> Path:
    """Path of a shipped file or folder, e.g. ``shipped("vehicles", "club_racer.toml")``.

    Raises
    ------
    OutputError
        The file is not there: its name is wrong or the installation is incomplete.
    """
    package = Path(str(files("recon")))
    for root in (package / "_shipped", package.parent):
        candidate = root.joinpath(*parts)
        if candidate.exists():
            return candidate
    raise OutputError(
        str(package),
        f"no shipped file {'/'.join(parts)}",
        "the name of a shipped file, and a complete installation",
        "Check the name; if it is right, install the package again.",
    )
