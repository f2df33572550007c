"""The version of this program."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """Version of the installed package, or words where it runs without being installed."""
    try:
        return version("recon")
    except PackageNotFoundError:
        return "not installed"
