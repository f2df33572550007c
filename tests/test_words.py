"""Names and numbers in running text read as people write them."""

from __future__ import annotations

import pytest

from recon.base.words import enumerated, in_digits


@pytest.mark.parametrize(
    ("names", "text"),
    [((), ""), (("FL",), "FL"), (("FL", "FR"), "FL and FR"), (list("abcd"), "a, b, c and d")],
)
def test_names_are_enumerated(names: list[str], text: str) -> None:
    assert enumerated(names) == text
    assert enumerated(name for name in names) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(-1989.6, "-1990"), (3000.4, "3000"), (395.2, "395"), (8.25, "8.25"), (50.0, "50"),
     (0.000123, "0.000123"), (0.0, "0"), (float("nan"), "nan")],
)  # fmt: skip
def test_numbers_have_no_exponent(value: float, text: str) -> None:
    assert in_digits(value) == text
