"""One page and one browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from recon.pages.page import page
from tests.days import day
from tests.pages.browser import Opened, browser, opened


@pytest.fixture(scope="session")
def started() -> Iterator[Any]:
    """A browser."""
    with browser() as running:
        yield running


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a slalom, with its calibration."""
    whole = page(day().forces, calibration=day().calibration)
    return whole.write(tmp_path_factory.mktemp("page") / "drive.html")


@pytest.fixture
def drive(started: Any, written: Path) -> Iterator[Opened]:
    """The page of a slalom, freshly opened."""
    with opened(started, written) as one:
        yield one
