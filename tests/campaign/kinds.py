"""Every kind of file of the campaign under one name: how one is written, and its door."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from tests.campaign.results import RESULT_KINDS, write_spoiled_result
from tests.campaign.texts import TEXT_KINDS, write_spoiled

KINDS = (*TEXT_KINDS, *RESULT_KINDS)


@dataclass(frozen=True, slots=True)
class Files:
    """`write` makes a spoiled file, `door` goes through it, one in `share` farther than reading."""

    write: Callable[[Random], Path]
    door: Callable[[Path, bool], Any]
    share: int


def files_of(name: str, folder: Path) -> Files:
    """Spoiled files of the kind `name`, written into `folder` one after the other."""
    if name in TEXT_KINDS:
        kind = TEXT_KINDS[name]
        texts = kind.texts(folder)
        return Files(lambda r: write_spoiled(kind, texts, folder, r), kind.door, kind.share)
    of = RESULT_KINDS[name]
    content = of.sound(folder)
    return Files(lambda r: write_spoiled_result(content, folder, r), of.door, of.share)
