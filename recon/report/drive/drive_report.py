"""Everything that is printed and drawn of a solved drive."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from recon.base.doubt import Doubt
from recon.base.late import xr
from recon.conditioning.clocks import Clock
from recon.conditioning.joining import Joined
from recon.reconstruction.weighing import Weighing
from recon.report.common.sheet import Pictures
from recon.report.drive.clocks import clock_lines, plot_clocks
from recon.report.drive.doubt_list import doubt_lines, drawn_with_doubts, unseen_lines
from recon.report.drive.force_bands import band_pictures
from recon.report.drive.forces_summary import forces_summary, weighing_lines
from recon.report.drive.gauges_over_drive import plot_health
from recon.report.drive.horizontal_forces import plot_horizontal_forces
from recon.report.drive.sums_of_forces import sums_pictures
from recon.report.drive.three_answers import whole_car_lines, whole_car_pictures

Lines = tuple[str, ...]


def drive_lines(
    forces: xr.Dataset, doubts: Sequence[Doubt], joined: Joined, weighings: tuple[Weighing, ...]
) -> tuple[Lines, Lines]:
    """All lines about a drive, and in brief its doubts and peaks alone.

    All are doubts first, then clocks, peaks, flags, weighings, and the three answers, if any.
    """
    peaks, first = forces_summary(forces), doubt_lines(doubts)
    own = (*clock_lines(joined), *peaks, *weighing_lines(weighings))
    every = (*first, *own, *whole_car_lines(forces), *unseen_lines(forces))
    return every, (*first, *peaks)


def drive_pictures(
    forces: xr.Dataset, doubts: Sequence[Doubt], clocks: Sequence[Clock]
) -> Pictures:
    """Pictures of a drive by file name, doubted corners named on each, and of several clocks."""
    plane: Pictures = {"horizontal_forces.png": partial(plot_horizontal_forces, forces)}
    plane["gauges.png"] = partial(plot_health, forces)
    every = plane | sums_pictures(forces) | band_pictures(forces) | whole_car_pictures(forces)
    more: Pictures = {"clocks.png": partial(plot_clocks, clocks)} if clocks else {}
    return {name: partial(drawn_with_doubts, draw, doubts) for name, draw in every.items()} | more
