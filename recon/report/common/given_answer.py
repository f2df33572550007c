"""Refusal of an answer that a picture cannot show."""

from __future__ import annotations

from recon.base.errors import DataError, shortened
from recon.base.late import xr


def require_answer(answer: xr.Dataset, variable: str, dims: tuple[str, ...], function: str) -> None:
    """Refuse an answer without `variable` along `dims`, which `recon.FUNCTION(forces)` gives.

    Raises DataError: the answer is another one, or only a part of one.
    """
    title = answer.attrs.get("title", "a dataset without title")
    if variable not in answer:
        found = f"'{title}' without {variable}"
    elif answer[variable].dims != dims or not answer[variable].size:
        sizes = ", ".join(f"{size} {dim}" for dim, size in answer[variable].sizes.items())
        found = f"'{title}' with {variable} by {sizes or 'nothing'}"
    else:
        return
    raise DataError(
        where=f"picture of recon.{function}",
        found=shortened(found, 200),
        needed=f"the result of recon.{function}",
        do=f"Give the forces first, then recon.{function}(forces), whole.",
    )
