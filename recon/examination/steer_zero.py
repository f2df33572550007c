"""Cause of a steer that contradicts how the car turns: a sensor that is not centred."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from recon.base.labelled import with_values
from recon.base.quantities import UNITS
from recon.examination.comparison import Comparison
from recon.examination.ordinary import STEER, comparisons
from recon.examination.term import FITTED, Candidate
from recon.examination.view import View
from recon.records.corrections import correction_line

SMALL = 1e-4  # rad or m, by which a zero is moved to see what the car then would do


def steer_zero_causes(view: View, _doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """A steer that misses by one amount what the car needs to turn as it does."""
    compared = _of_steer(view)
    if compared is None or not compared.contradicts:
        return
    name = view.prepared.session.steer.source
    moved = _of_steer(_higher(view, name=name, add=SMALL))
    if moved is None:
        return
    change = np.nan_to_num(moved.seen - compared.seen) / SMALL  # of the heading, per unit
    score, information = compared.along(change[None])
    if information[0, 0] <= 0:
        return
    dimension, unit = ("length", "mm") if name == "rack" else ("angle", "deg")
    one = UNITS[dimension][unit].factor
    off = score[0] / information[0, 0]
    u = compared.along(np.ones((1, len(compared.seen))))[1][0, 0] ** -0.5
    yield Candidate(
        cause="offset",
        corners=view.corners,
        channels=(name,),
        mended=partial(_higher, name=name, add=-off),
        do=f"Centre the sensor of {name} with the wheels straight ahead, or take off the "
        f"{off / one:.2g} {unit} that it shows there, and state in the vehicle file how well that "
        f"is known: u_steer_deg = {np.degrees(u):.1g}.",
        weight=FITTED,
        lines=(correction_line([name], add=f"{-off / one:.2g} {unit}"),),
    )


def _of_steer(view: View) -> Comparison | None:
    """Comparison of the steer with how the car turns, None where it cannot be made."""
    return next((one for one in comparisons(view) if one.name == STEER), None)


def _higher(view: View, *, name: str, add: float) -> View:
    """The drive with a channel higher by `add` [SI unit] all the time."""
    higher = view.log.variables[name].to_numpy() + add
    return view.with_log(with_values(view.log, {name: higher}))
