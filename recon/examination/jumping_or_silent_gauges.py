"""Causes that come and go: a gauge that jumps between two levels, or shows nothing but noise."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, runs
from recon.examination.comparison import INDEPENDENT
from recon.examination.late_or_unsteady_gauges import slope_of
from recon.examination.recorded_jumps import recorded_levels
from recon.examination.term import FITTED, TAIL, Candidate
from recon.examination.view import Part, View

HARDLY = 0.1  # of the most information that a drive has about a gauge
APART = 0.35  # of the step between two levels, the largest spread about them; no source
SUDDEN = 3.0  # nats, by which a jump differs from a drift; no source
SILENT = 2.0  # times the noise of single samples, of a short mean that is nothing else


def now_and_then(view: View, part: Part, i: int) -> Iterator[Candidate]:
    """A channel that jumps between two levels, or shows nothing but noise from time to time."""
    gauge = part.gauges[i]
    too_much = too_much_of(part, i)
    upper, step = levels_seen(part, i, too_much)
    shift, sudden = _levelled(too_much, upper, step), _to_and_fro(view, part, i, upper, step)
    if sudden <= SUDDEN:
        share, step = recorded_levels(view, gauge)
        upper, shift = share > 0.5, share * step
        sudden = _to_and_fro(view, part, i, upper, step)
    if sudden > SUDDEN:  # what comes and goes slowly is a drift
        times = len(runs(upper))
        yield Candidate(
            "jumping",
            part.corners,
            (gauge,),
            partial(mend_shift, name=part.name, i=i, shift=shift),
            f"Check plug and wire of {gauge}: it jumps by {step:+.4g} {part.unit_of(gauge)} "
            f"{_often(times)}.",
            weight=FITTED * (1 + times) + sudden,
            start=float(view.elapsed[np.argmax(upper)]),
        )
    silent = _silent(part, i)
    if silent.any() and not part.noise_alone(i):
        # Sound gauges are a little off all the time.
        rest = part.known & ~silent
        usual = float(np.mean(too_much[rest])) if rest.any() else 0.0
        times = len(runs(silent))
        shift = np.where(silent | _divided(silent), too_much - usual, 0.0)
        yield Candidate(
            "noise alone",
            part.corners,
            (gauge,),
            partial(mend_shift, name=part.name, i=i, shift=shift),
            f"Check plug and wire of {gauge}: it shows nothing but noise {_often(times)}.",
            weight=FITTED * (1 + times) + _stillness(part, i, too_much[silent]),
            start=float(view.elapsed[np.argmax(silent)]),
        )


def _to_and_fro(view: View, part: Part, i: int, upper: NDArray[np.bool_], step: float) -> float:
    """`suddenness_of` jumps to and fro [nats]; 0 for a single step, see `_jump` of gauges."""
    once = np.count_nonzero(np.diff(upper)) < 2
    return 0.0 if once else suddenness_of(view, part, i, upper, step)


def _levelled(too_much: Floats, upper: NDArray[np.bool_], step: float) -> Floats:
    """Jumps (n,) to be taken off; in short means that a jump divides, all that is too much."""
    usual = float(np.mean(too_much[~upper]))
    return np.where(_divided(upper), too_much - usual, np.where(upper, step, 0.0))


def _divided(chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Short means (n,) at the ends of stretches, which an end may divide."""
    ends = np.flatnonzero(np.diff(chosen))
    out = np.zeros(len(chosen), dtype=bool)
    out[ends] = out[ends + 1] = True
    return out


def _often(times: int) -> str:
    return "once" if times == 1 else f"{times} times"


def suddenness_of(view: View, part: Part, i: int, upper: NDArray[np.bool_], step: float) -> float:
    """Evidence [nats] that gauge `i` itself steps by `step` where it goes to or from `upper` (n,).

    A jump of another gauge leaves its own course smooth, and any other fault of it does too.
    """
    edges = np.flatnonzero(np.diff(upper))
    edges = edges[(edges >= 1) & (edges < len(upper) - 2)]
    y, slope, time = part.samples.indication[i], slope_of(view, part)[i], view.elapsed
    # From before to after the short mean in which the jump may be, less what both slopes expect.
    changes = y[3:] - y[:-3] - 0.5 * (slope[3:] + slope[:-3]) * (time[3:] - time[:-3])
    usual = max(float(np.nanmedian(np.abs(changes))), 1e-300)
    own = np.nan_to_num(changes[edges - 1])
    without = own - np.where(upper[edges + 1], step, -step)
    heavy = [np.log1p((x / usual) ** 2 / TAIL) for x in (own, without)]
    return float(0.5 * (TAIL + 1) * np.sum(heavy[0] - heavy[1]))


def _stillness(part: Part, i: int, too_much: Floats) -> float:
    """Evidence [nats] that gauge `i` stood still while the others say that its load moved.

    `too_much` (n,) is there what it shows beyond their expectation, in its unit.  A gauge that has
    any other fault still moves.
    """
    moved = float(np.std(too_much)) / max(SILENT * float(part.solver.session.noise[i]), 1e-300)
    return min(len(too_much), INDEPENDENT) * float(np.log(max(moved, 1.0)))


def too_much_of(part: Part, i: int) -> Floats:
    """Indication (n,) of gauge `i` less what the other gauges expect of it [mV/V]; 0 if unknown."""
    P, r = part.expected.weight, np.nan_to_num(part.residual)
    return np.where(part.known, np.einsum("nh,nh->n", P[:, i], r) / P[:, i, i], 0.0)


def levels_seen(part: Part, i: int, too_much: Floats) -> tuple[NDArray[np.bool_], float]:
    """As `_two_levels`, (n,) and [unit]; where other gauges hardly check gauge `i` it stays put."""
    information = part.expected.weight[:, i, i]
    checked = np.flatnonzero(part.known & (information > HARDLY * np.max(information)))
    if not len(checked):
        return np.zeros(len(too_much), dtype=bool), 0.0
    upper, step = _two_levels(too_much[checked])
    last = np.searchsorted(checked, np.arange(len(too_much)), side="right") - 1
    return upper[np.maximum(last, 0)], step


def _two_levels(values: Floats) -> tuple[NDArray[np.bool_], float]:
    """Short means (n,) at the level that is farther from zero, and how far the levels are apart."""
    low, high = np.quantile(values, [0.02, 0.98])
    for _ in range(20):
        upper = values > 0.5 * (low + high)
        if not upper.any() or upper.all():
            return np.zeros(len(values), dtype=bool), 0.0
        low, high = float(np.mean(values[~upper])), float(np.mean(values[upper]))
    within = float(np.std(values - np.where(upper, high, low)))
    if within > APART * (high - low):
        return np.zeros(len(values), dtype=bool), 0.0
    away = upper if abs(high) > abs(low) else ~upper
    return _steady(away), (high - low) * (1.0 if abs(high) > abs(low) else -1.0)


def _silent(part: Part, i: int) -> NDArray[np.bool_]:
    """Short means (n,) at which gauge `i` stands at one value [1].

    That which it has most often, or longest: a zero that is subtracted may drift, and so may a
    constant less that zero.
    """
    values = part.samples.indication[i]
    noise = max(SILENT * float(part.solver.session.noise[i]), 1e-300)
    order = np.sort(values[part.known])
    if not len(order):
        return np.zeros(len(values), dtype=bool)
    count = np.searchsorted(order, order + noise, side="right") - np.arange(len(order))
    level = order[int(np.argmax(count))] + 0.5 * noise
    silent = _steady(part.known & (np.abs(values - level) <= noise))
    stretch = np.cumsum(~(np.abs(np.diff(values, prepend=values[0])) <= noise))
    often = part.known & np.isin(stretch, stretch[silent])
    longest = part.known & (stretch == np.argmax(np.bincount(stretch)))
    return max(often, longest, key=np.count_nonzero)


def _steady(chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Chosen short means (n,) whose neighbours on one side are chosen too."""
    before = np.concatenate([chosen[:1], chosen[:-1]])
    after = np.concatenate([chosen[1:], chosen[-1:]])
    return chosen & (before | after)


def mend_shift(view: View, *, name: str, i: int, shift: float | Floats, first: int = 0) -> View:
    """Gauge `i` less a constant, or less a number for each short mean (n,), from `first` on.

    `shift` is in the gauge's unit [mV/V].
    """
    part = view.parts[name]
    y = part.samples.indication.copy()
    y[i, first:] -= shift
    return view.with_part(part.with_indication(y))
