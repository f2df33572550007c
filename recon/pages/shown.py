"""Answers as a page shows them: sentence, picture, gate and caveats, or the reason for none."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from recon.answering import every_answer
from recon.evaluation.result import not_given
from recon.report.sheet import small_png, title_of

if TYPE_CHECKING:
    import xarray as xr


def shown_answers(forces: xr.Dataset, shared: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every answer that the drive allows, and the reasons for the others.

    `shared` holds sections and vehicle by the names of the options.
    """
    for answer, result in every_answer(forces, shared):
        if isinstance(result, Exception):
            reason = f"{getattr(result, 'found', result)}. {getattr(result, 'do', '')}"
            yield {"name": answer.name, "help": answer.help, "refused": reason.strip()}
            continue
        figure = answer.function(answer.plot)(forces, result)
        lines = [str(line) for line in answer.function("summary")(result)]
        yield {
            "name": answer.name,
            "help": answer.help,
            "lines": lines,
            "gate": str(result.attrs.get("gate", "")),
            "assumed": [w for w in str(result.attrs.get("assumed", "")).split(" | ") if w],
            "not_given": not_given(result),
            "picture": base64.b64encode(small_png(figure)).decode("ascii"),
            "alt": title_of(figure),
        }
