"""Another axle drives than the vehicle file says.

It enters no force that the gauges show well: only what forces ahead are compared with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from recon.base.quantities import CORNERS
from recon.base.words import enumerated
from recon.car.vehicle import SIDES
from recon.examination.term import Candidate
from recon.examination.view import View


def driven_causes(view: View, _doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Front, rear or all wheels driven, whichever the vehicle file does not say."""
    corners = view.prepared.car.corners
    if not set(CORNERS) <= set(corners):
        return
    stated = {name for name in CORNERS if corners[name].driven}
    for driven in (set(SIDES["front"]), set(SIDES["rear"]), set(CORNERS)):
        if driven != stated:
            wrong = tuple(name for name in CORNERS if (name in driven) != (name in stated))
            who = "All wheels" if driven == set(CORNERS) else f"Only {enumerated(sorted(driven))}"
            yield Candidate(
                "driven wheels",
                view.corners,
                tuple(f"driven_{name}" for name in wrong),
                partial(_driven_by, driven=driven),
                f"{who} seem to drive: correct driven of {enumerated(wrong)} in the vehicle file.",
            )


def _driven_by(view: View, driven: set[str]) -> View:
    """The drive of a car whose wheels `driven` drive."""
    car = view.prepared.car
    corners = {n: replace(corner, driven=n in driven) for n, corner in car.corners.items()}
    return view.with_car(replace(car, corners=corners))
