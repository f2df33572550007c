"""Faults that a drive would not show, and how wrong forces may be by them.

A comparison finds a fault of one shape with 95 % probability if it is as large as the comparison's
limit and 1.645 standard uncertainties more.  For each gauge these are a zero that moved since its
tare, one that moves in mid-drive, another gain, a delay of its own; for each assembly and axle,
gauges that are late together or have another gain together; for ordinary channels see
`unseen_channels`, for wrong plugs `hidden_plugs`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.doubt import UNSEEN
from recon.examination import late_or_unsteady_gauges, lateness, single_faults, tares
from recon.examination.common_gains import hidden_gains
from recon.examination.hidden_plugs import hidden_plugs
from recon.examination.mass_causes import heavier_by, hidden_masses
from recon.examination.term import FOUND, USUAL
from recon.examination.unseen_channels import channel_faults
from recon.examination.view import Part, View, at_samples

if TYPE_CHECKING:
    import xarray as xr

# Largest faults that are looked for.  Common practice, no source.
MOST_ZERO = 3000.0  # N of a gauge's own load
MOST_GAIN = 0.5
MOST_DELAY = 0.05  # s, of all gauges of an assembly or axle
MOST_OWN_DELAY = 0.05  # s, of one gauge that has another filter
ROWS = 4000  # samples of a drive by which delays and wrong plugs are judged


@dataclass(frozen=True, slots=True)
class Fault:
    """The smallest fault of a kind in one gauge that the drive's comparisons find with 95 %.

    `change` (n,) is that of the indication of gauge `i`, in its unit; of a late gauge also by a
    `delay` [s].  `size` is in N of the gauge's own load, a share, or s.
    """

    kind: str
    part: Part
    i: int
    change: Floats
    size: float
    delay: float = 0.0


@dataclass(frozen=True, slots=True)
class Unseen:
    """The error of forces that faults of one kind may hide.

    `error` (corner, component) [N], exceeded for a twentieth of the drive.  `gauge` (corner,) is
    the gauge, assembly or channel that may hide most, "" where none can, and `size` (corner,) how
    large that fault is: N of the gauge's own load, a share, s, or the channel's SI unit.
    """

    kind: str
    error: Floats
    gauge: tuple[str, ...]
    size: Floats


def unseen(view: View, log: xr.Dataset, corners: tuple[str, ...] = ()) -> tuple[Unseen, ...]:
    """Errors that faults of each kind may hide in a drive.

    `log` (elapsed_time, gauge) as `condition` returns it; `corners` in the order of the answer, NaN
    at those that the view does not have; without any, those of the view.
    """
    corners = corners or view.corners
    largest = {kind: _Largest(corners) for kind in UNSEEN}
    for found in largest.values():
        found.error[[corner not in view.corners for corner in corners]] = np.nan
    if view.parts:
        _note(largest, view, log)
    return tuple(
        Unseen(kind, found.error, tuple(found.gauge), found.size) for kind, found in largest.items()
    )


def _note(largest: dict[str, _Largest], view: View, log: xr.Dataset) -> None:
    """Note the errors of every fault in gauges and channels of a view."""
    step = 1.0 / float(log.attrs["rate"])
    for fault in faults(view):
        part, gauge = fault.part, fault.part.gauges[fault.i]
        if fault.delay:
            change = _late_by(log, part, fault.delay / step, (gauge,))
        else:
            change = part.lever[:, :, fault.i] * fault.change
        largest[fault.kind].take(part, change, gauge, fault.size)
    samples = at_samples(view, _rows(log))
    for plugs in hidden_plugs(view):
        made = plugs.made(samples)
        for name in plugs.by_part:
            part = samples.parts[name]
            largest[plugs.kind].take(part, made.parts[name].level - part.level, plugs.title, 1.0)
    for names, share in hidden_gains(view):
        for part in (view.parts[name] for name in names):
            change = np.einsum("wcgn,gn->wcn", part.lever, share * part.samples.indication)
            largest["common gain"].take(part, change, "{}", share)
    for name, share in hidden_masses(view).items():
        part = samples.parts[name]  # means would smooth the hop of wheels
        largest["mass"].take(part, heavier_by(part, share), "{}", share)
    for names, delay in common_delays(view):
        for part in (view.parts[name] for name in names):
            largest["late"].take(part, _late_by(log, part, delay / step, part.gauges), "{}", delay)
    for wrong in channel_faults(view):
        largest[wrong.kind].take(wrong.part, wrong.change, wrong.channels.title, abs(wrong.size))


def _late_by(log: xr.Dataset, part: Part, back: float, gauges: tuple[str, ...]) -> Floats:
    """Change of forces (w, 3, sample) [N] where some gauges of an assembly are `back` samples late.

    Short means would smooth what changes quickly, and slopes overrate it.  No gauge is later than
    a short log is long.
    """
    back = min(back, log.sizes["elapsed_time"] - 2.0)
    whole = int(back)
    rows = _rows(log, whole + 1)
    names = log.get_index("gauge").tolist()
    columns = [names.index(gauge) for gauge in gauges]
    values = log.variables["indication"].to_numpy()
    places = [(rows - k)[:, None] for k in (0, whole, whole + 1)]
    now, before, earlier = (values[at, columns] for at in places)
    change = now - before - (back - whole) * (earlier - before)
    own = [part.gauges.index(gauge) for gauge in gauges]
    return np.asarray(part.leverage[:, :, own] @ change.T)


def _rows(log: xr.Dataset, first: int = 0) -> NDArray[np.int64]:
    """Samples spread over a log, from the sample `first` on."""
    count = log.sizes["elapsed_time"]
    return np.linspace(first, count - 1, min(ROWS, count - first)).astype(int)


class _Largest:
    """The largest error (corner, component) [N] so far, and the gauge behind each corner's."""

    def __init__(self, corners: tuple[str, ...]) -> None:
        self.corners = corners
        self.error = np.zeros((len(corners), 3))
        self.gauge = [""] * len(corners)
        self.size = np.zeros(len(corners))

    def take(self, part: Part, change: Floats, gauge: str, size: float) -> None:
        """Note changes of the forces of an assembly (w, 3, n) [N]; a force not known has none.

        `gauge` is what has a fault of this `size`, with {} for the corner.
        """
        lost = part.solver.outputs.lost_of_wheels()
        for of, corner, unknown in zip(np.abs(change), part.corners, lost, strict=True):
            error, k = np.zeros(3), self.corners.index(corner)
            seen = ~unknown & np.isfinite(of).any(axis=1)
            known = np.isfinite(of[seen]).all(axis=0)  # a sample is known in all forces or in none
            own = of[seen][:, known]
            # Most faults hide less at their worst than another one that was noted.
            if np.any(own.max(axis=1, initial=0.0) > self.error[k][seen]):
                error[seen] = np.quantile(own, USUAL, axis=1)
            if error.max() > self.error[k].max():
                self.gauge[k], self.size[k] = gauge.format(corner), size
            self.error[k] = np.fmax(self.error[k], error)


def faults(view: View) -> Iterator[Fault]:
    """The smallest fault of each kind in each gauge that would be found."""
    for part in view.parts.values():
        ones = np.ones(part.samples.indication.shape[1])
        slope = part.solver.estimator.calibration.main_slope
        u = tares.single_shifts(view, part, agreeing=True).u
        zero = np.fmin((sqrt(tares.ZERO_LIMIT) + FOUND) * u, MOST_ZERO * slope)
        for i, size in enumerate(zero):
            yield Fault("zero", part, i, size * ones, size / slope[i])
        found = single_faults.single_faults(view, part, agreeing=True)
        course = late_or_unsteady_gauges.own_course(view, part)
        if found is None or course is None:
            continue
        sizes = (sqrt(single_faults.LIMIT) + FOUND) * found.u
        for i, newton in enumerate(slope):
            for k in range(1, len(sizes)):
                kind, unit, most = (
                    ("gain", 1.0, MOST_GAIN)
                    if k < late_or_unsteady_gauges.FIRST_STEP
                    else ("jump", newton, MOST_ZERO)
                )
                size = min(sizes[k, i] / unit, most)
                yield Fault(kind, part, i, size * unit * found.shapes[k, i], size)
            delay = (sqrt(late_or_unsteady_gauges.LATE_LIMIT) + FOUND) * course.u_late[i]
            if course.u_delay[i] > late_or_unsteady_gauges.LONGEST:
                delay = MOST_OWN_DELAY
            delay = float(np.fmin(delay, MOST_OWN_DELAY))
            yield Fault("late gauge", part, i, delay * found.shapes[0, i], delay, delay)


def common_delays(view: View) -> Iterator[tuple[tuple[str, ...], float]]:
    """Assemblies, and axles, with the common delay [s] that is found with 95 %."""
    whole = lateness.delays_of(view)
    for names in lateness.groups(view):
        if whole is not None:
            limit = sqrt(lateness.LIMIT * len(whole.names))
            delay = (limit + FOUND) / max(whole.root_of(names), 1e-300)
        else:
            delay = (sqrt(lateness.OWN_LIMIT) + FOUND) * lateness.own_delay(view, names)[1]
        yield names, float(np.fmin(delay, MOST_DELAY))  # NaN: the drive says nothing of delays
