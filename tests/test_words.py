"""Names in running text read as people write them."""

from __future__ import annotations

import pytest

from recon.base.words import enumerated


@pytest.mark.parametrize(
    ("names", "text"),
    [((), ""), (("FL",), "FL"), (("FL", "FR"), "FL and FR"), (list("abcd"), "a, b, c and d")],
)
def test_names_are_enumerated(names: list[str], text: str) -> None:
    assert enumerated(names) == text
    assert enumerated(name for name in names) == text
