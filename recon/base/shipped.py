"""The one place that finds shipped files: inside the installed package, or in the checkout."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from recon.base.errors import OutputError


def shipped(*parts: str) -> Path:
    """Path of a shipped file, e.g. ``shipped("vehicles", "club_racer.toml")``.

    Raises
    ------
    OutputError
        The file is in neither place: the installation is incomplete.
    """
    package = Path(str(files("recon")))
    for root in (package / "_shipped", package.parent):
        candidate = root.joinpath(*parts)
        if candidate.exists():
            return candidate
    raise OutputError(
        str(package),
        f"no shipped file {'/'.join(parts)}",
        "a whole installation",
        "Install the package again.",
    )
