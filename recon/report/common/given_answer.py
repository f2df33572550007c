"""Refusal of an answer that a picture cannot show."""

from __future__ import annotations

from recon.base.errors import DataError, shortened
from recon.base.late import xr


def require_answer(answer: xr.Dataset, variable: str, function: str) -> None:
    """Refuse an answer without `variable`, which `recon.FUNCTION(forces)` gives.

    Raises DataError: the answer is another one.
    """
    if variable not in answer:
        raise DataError(
            where=f"picture of recon.{function}",
            found=shortened(f"'{answer.attrs.get('title', 'a dataset')}' without {variable}", 200),
            needed=f"the result of recon.{function}",
            do=f"Give the forces first, then recon.{function}(forces).",
        )
