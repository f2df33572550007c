"""Option `page` of commands: their result is also written as one HTML file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from recon.command_report import Name, Say
from recon.pages.html_document import Page
from recon.records.overwriting import refuse_existing


def refuse_existing_page(page: Name | None, *, overwrite: bool) -> None:
    """Refuse a page that exists before anything is calculated.

    Raises OutputError: the file exists and `overwrite` is false.
    """
    if page is not None:
        refuse_existing(Path(page), overwrite=overwrite)


def write_page_beside(
    page: Name | None, make: Callable[[], Page], say: Say, *, overwrite: bool
) -> tuple[Path, ...]:
    """Make and write the page that was asked for; its file, or none."""
    if page is None:
        return ()
    say("writing the page")
    return (make().write(page, overwrite=overwrite),)
