"""Answers as a page shows them: sentence, picture, gate and caveats, or the reason for none."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from recon.answers import Answer, every_answer
from recon.base.errors import ReconError
from recon.base.labelled import sentences_of
from recon.base.late import xr
from recon.evaluation.common.answer_labels import not_given
from recon.report.common.sheet import small_png


@dataclass(frozen=True, slots=True)
class Shown:
    """An answer with its result and words, and its picture; or the error that says why not."""

    answer: Answer
    result: xr.Dataset | ReconError
    lines: tuple[str, ...] = ()
    picture: bytes | None = None

    def as_data(self) -> dict[str, Any]:
        """Everything that the page says of it."""
        head = {"name": self.answer.name, "help": self.answer.help}
        if isinstance(self.result, ReconError):
            return head | {"refused": f"{self.result.found}. {self.result.do}"}

        return head | {
            "lines": list(self.lines),
            "gate": str(self.result.attrs.get("gate", "")),
            "assumed": sentences_of(self.result, "assumed"),
            "not_given": not_given(self.result),
            **self._picture(),
        }

    def _picture(self) -> dict[str, str]:
        if self.picture is None:
            return {}
        text = base64.b64encode(self.picture).decode("ascii")
        return {"picture": text, "alt": f"{self.answer.help}: {self.lines[0]}"}


def shown_answers(forces: xr.Dataset, shared: Mapping[str, Any]) -> Iterator[Shown]:
    """Every answer that the drive allows, calculated and drawn, and the reasons for the others.

    `shared` holds sections and vehicle by the names of the options.
    """
    for answer, result in every_answer(forces, shared):
        if isinstance(result, ReconError):
            yield Shown(answer, result)
            continue
        figure = answer.function(answer.plot)(forces, result)
        lines = tuple(str(line) for line in answer.function("summary")(result))
        yield Shown(answer, result, lines, small_png(figure))
