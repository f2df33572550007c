"""Cause of an ordinary channel of another scale, which is that of no unit: a gain or a ratio.

The angle of a steering wheel as steer, the shift of a spring as travel, another sensitivity of a
sensor, another torque of a brake per pressure.  The factor is what all comparisons of the channel
say of its gain; a number that is fitted so is no line for a map, for it is unsure.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from recon.base.labelled import corner_names
from recon.base.words import enumerated
from recon.examination.channel_gains import LIMIT, Gain, gains_by, gains_of
from recon.examination.loads import load_comparisons
from recon.examination.ordinary_causes import candidate_of, times_some
from recon.examination.term import FITTED, Candidate
from recon.examination.view import View

# Factors of a scale; a channel without any of what it should show is faulty otherwise.
LEAST, MOST = 0.02, 50.0
NEAR = 0.1  # of one: sensors are off by so much without a slip
BRAKES = "brake_pressure"


def channel_scale_causes(view: View, _doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Channels whose gain contradicts all that they are compared with."""
    for name, gain in gains_of(view).items():
        if name in view.log:
            corners = corner_names(view.log) if "corner" in view.log[name].dims else []
            columns = tuple(f"{name}_{corner}" for corner in corners) or (name,)
            yield from _scaled(view, name, columns, corners, gain)
    if view.channel(BRAKES) is None:
        return
    lines = {"front": "F", "rear": "R"}
    for chosen in (lines, *([end] for end in lines)):
        corners = [c for c in corner_names(view.log) if c[0] in {lines[end] for end in chosen}]
        of_brakes = (one for one in load_comparisons(view) if one.place in corners)
        gain = gains_by(of_brakes).get(BRAKES, Gain())
        yield from _scaled(view, BRAKES, tuple(f"{BRAKES}_{end}" for end in chosen), corners, gain)


def _scaled(
    view: View, name: str, columns: tuple[str, ...], corners: list[str], gain: Gain
) -> Iterator[Candidate]:
    """The `columns` of a channel, those of some corners, if their gain is surely off."""
    if not gain.information > 0 or not (gain.size / gain.u) ** 2 > LIMIT:
        return
    factor = 1.0 - gain.size  # the excess is a share of what the channel shows
    if abs(gain.size) < NEAR or not LEAST < factor < MOST:
        return
    at = np.isin(corner_names(view.log), corners) if corners else np.ones(1, dtype=bool)
    beside = "or brake_torque_Nm_per_bar in the vehicle file: " if name == BRAKES else ""
    yield candidate_of(
        view,
        "gain changed",
        columns,
        times_some(name, at, factor),
        f"Compare scale and place of the sensor of {enumerated(columns)} with what the column "
        f"map states, {beside}it shows about {1.0 / factor:.2g} times what it should.",
        FITTED,
    )
