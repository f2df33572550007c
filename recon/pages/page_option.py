"""Option `page` of commands: their result is also written as one HTML file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from recon.command_report import Name, Say
from recon.pages.html_document import ENDINGS, Page
from recon.records.files import require_ending
from recon.records.overwriting import refuse_existing


def refuse_page_name(page: Name | None, *, overwrite: bool) -> None:
    """Refuse the name of a page, which a browser must know as one, before anything is calculated.

    Raises OutputError: it does not end `.html` or `.htm`; the file exists and `overwrite` is false.
    """
    if page is not None:
        require_ending(Path(page), *ENDINGS)
        refuse_existing(Path(page), overwrite=overwrite)


def write_page_beside(
    page: Name | None, make: Callable[[], Page], say: Say, *, overwrite: bool
) -> tuple[Path, ...]:
    """Make and write the page that was asked for; its file, or none."""
    if page is None:
        return ()
    say("writing the page")
    return (make().write(page, overwrite=overwrite),)
