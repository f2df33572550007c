"""Loads of all pulls in another unit than stated, which only the drive can show without bridges.

Every force is then wrong by the factor between the two units.  Where bridges are stated, the
verdict on the calibration has judged it before.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from recon.base.quantities import POUND_FORCE, STANDARD_GRAVITY
from recon.calibration.evidence_against import factor_unseen
from recon.examination.term import Candidate
from recon.examination.view import View

POUNDS = STANDARD_GRAVITY / POUND_FORCE
# What loads were in, what they were written in, and the factor from these forces to true ones.
UNITS = (
    ("lbf", "N", POUND_FORCE),
    ("kgf", "N", STANDARD_GRAVITY),
    ("kgf", "lbf", POUNDS),
    ("lbf", "kgf", 1 / POUNDS),
)
ALL = -1.0  # nats; as of masses that are in lb


def pull_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Another unit of all loads in the pull sheet."""
    if not doubted or not factor_unseen(view.prepared.car):
        return
    for true, written, factor in UNITS:
        yield Candidate(
            "other unit",
            view.corners,
            ("strap_load", "pad_load"),
            partial(_larger, factor=factor),
            f"Correct the unit of the loads in the pull sheet and calibrate again: loads in {true} "
            f"seem to be written as {written}, so that forces are to be multiplied by "
            f"{factor:.3g}{_alike(true, written)}.",
            weight=ALL,
            files=("pull sheet",),
        )


def _alike(*units: str) -> str:
    """Words for a unit that no drive tells from one of these: 1 kgf is 0.98 daN."""
    return ", or loads in daN, which nothing here tells from kgf" if "kgf" in units else ""


def _larger(view: View, *, factor: float) -> View:
    """The view with forces larger by a factor; zeros are compared with tares as they are."""
    for part in view.parts.values():
        view = view.with_part(part.with_indication(factor * part.samples.indication))
    return view
