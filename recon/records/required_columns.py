"""The kinds of tables: what each of them must have, and which of them a table is."""

from __future__ import annotations

from collections.abc import Iterable

from recon.base.errors import DataError
from recon.records.column_maps import Kind
from recon.records.layout import Layout

WHAT: dict[Kind, str] = {
    "pulls": "pull sheet",
    "log": "log",
    "tares": "tare table",
    "sections": "table of sections",
    "runs": "run list",
}
# At least one of each group must be there, as a column or a constant.
REQUIRED: dict[Kind, tuple[tuple[str, ...], ...]] = {
    "pulls": (("corner",), ("pull",), ("wheel_held_by",), ("phase",), ("strap_load", "pad_load")),
    "log": (("elapsed_time",),),
    "tares": (("when",), ("gauge",), ("indication",)),
    "sections": (("name",), ("start", "start_place"), ("end", "end_place")),
    "runs": (("file",), ("set_up",)),
}
DRIVE = "`recon reconstruct` takes vehicle file, calibration, log and tare table, in this order"
TAKES = {
    "pulls": "`recon calibrate` takes the vehicle file and then the pull sheet",
    "log": DRIVE,
    "tares": DRIVE,
    "sections": "answers take the forces, and a table of sections after --sections",
    "runs": "`recon compare` takes a run list alone, and `recon grip` one after --others",
}


def refuse_other_kind(layout: Layout, found: Iterable[str], kind: Kind) -> None:
    """Refuse a table that is of another kind than wanted; `found` are our columns that it has.

    Raises DataError: the table lacks a column of this kind, and has every one of another kind.
    """
    if _complete(kind, found):
        return
    for other, name in WHAT.items():
        if other != kind and _complete(other, layout.named):
            raise DataError(
                str(layout.path),
                f"a {name} where a {WHAT[kind]} is wanted",
                f"a table with {', '.join(' or '.join(of) for of in REQUIRED[kind])}",
                f"Check the order of the files: {TAKES[kind]}.",
            )


def _complete(kind: Kind, names: Iterable[str]) -> bool:
    return all(set(choices) & set(names) for choices in REQUIRED[kind])
