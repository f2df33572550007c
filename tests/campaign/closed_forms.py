"""Truth of answers that true forces do not give: limits of tyres, ends of hop and of gaps.

The same answer from true forces has the same samples, filters and reversals, so it cannot say
whether the interval allows enough for what lies between them.  The virtual driver knows.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import xarray as xr
from scipy.interpolate import CubicSpline

from recon.conditioning.filters import low_pass
from recon.evaluation.grip.envelope import EXPONENTS, USUAL_EXPONENT
from recon.evaluation.launch.hop import COMPONENTS, HIGH, LEAST, LOW
from recon.virtual.phases import SHUFFLES, Hop
from tests.launch_truth import gap, pull

EACH = {"hop_start": "hop_begin", "hop_end": "hop_finish"}  # ends in any tyre, in each tyre
NEAR = 0.5  # s: hop that begins farther away is another one
FINER = 16  # times the samples of a truth, from which a passage between two of them is read
GAPS = {"gap_start": "start", "gap_end": "end", "time_below_half": "below_half"}
UPWARD = COMPONENTS.index(2)


def in_closed_form(ideal: xr.Dataset, truth: xr.Dataset, found: xr.Dataset) -> xr.Dataset:
    """An answer from true forces with the quantities that have a closed form replaced by it.

    `found` is the answer from the forces as reconstructed, of which assumptions are not judged: an
    exponent that is assumed in either, or that both have at one end of the range of the search.
    """
    ideal = ideal.assign(
        {name: ideal[name].copy(data=of(ideal, truth)) for name, of in FORMS.items()
         if name in ideal}
    )  # fmt: skip
    if "exponent" in ideal:
        pair = found["exponent"], ideal["exponent"]
        measured = (pair[0] != USUAL_EXPONENT) & (pair[1] != USUAL_EXPONENT)
        held = [abs(one - end) < 1e-9 for end in EXPONENTS for one in pair]
        measured &= ~((held[0] & held[1]) | (held[2] & held[3]))
        ideal["exponent"] = ideal["exponent"].where(measured)
    return ideal


def _limits(grip: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """What the tyres could do (corner, direction, load) [N]: more than samples of them show.

    Their limits are a power of the load, the same in all directions; NaN in drives without.
    """
    if "tyre_limit" not in truth:
        return np.full(grip["available_force"].shape, np.nan)
    out = []
    for corner in map(str, grip["corner"].to_numpy()):
        load = truth["tyre_force_intermediate"].sel(corner=corner, component="z").to_numpy()
        limit = truth["tyre_limit"].sel(corner=corner).to_numpy()
        there = load > 1.0
        power, level = np.polyfit(np.log(load[there]), np.log(limit[there]), 1)
        out.append(np.exp(level + power * np.log(grip["load"].to_numpy())))
    return np.broadcast_to(np.array(out)[:, None], grip["available_force"].shape)


def _end_of_hop(name: str, last: int) -> Callable[[xr.Dataset, xr.Dataset], np.ndarray]:
    """Time [s] at which the amplitude of Fz passes the least that is called hop.

    Its longitudinal part depends on the tyre and has no closed form: those of Fx are NaN, and so
    is the end of all where the true Fx of a tyre ends last.
    """

    def of(launch: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
        by_forces = launch[name].to_numpy()
        end = hop_ends(truth)[last]
        out = np.where(np.abs(by_forces - end) < NEAR, end, np.nan)
        if out.ndim > 1:
            out[..., np.arange(out.shape[-1]) != UPWARD] = np.nan
        elif (each := EACH[name]) in launch:
            outermost = launch[each].to_numpy()
            by_component = (np.nanmin, np.nanmax)[last](outermost, axis=1)
            upward = by_component[:, UPWARD, None]
            out[(by_component > upward if last else by_component < upward).any(axis=1)] = np.nan
        return out

    return of


def _frequency(launch: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """Frequency [Hz] of the largest wave in each true force, where its hop is the driver's.

    The force of a hop that grows and dies away has no one frequency: a fit to the same samples,
    which is what the answer makes of true forces, would leave that out.  That of shifts, which has
    no ends, stays.
    """
    if "hop_begin" not in launch:
        return launch["hop_frequency"].to_numpy()
    out = np.full(launch["hop_frequency"].shape, np.nan)
    time = truth["elapsed_time"].to_numpy()
    rate = 1.0 / float(np.median(np.diff(time)))
    bandwidth = float(launch.attrs["bandwidth_Hz"])
    ends = launch["hop_begin"].to_numpy(), launch["hop_finish"].to_numpy()
    for place in np.argwhere(np.abs(ends[0] - hop_ends(truth)[0]) < NEAR):
        h, k, j = map(int, place)
        true = truth["tyre_force_intermediate"].sel(corner=launch["corner"][k])
        force = low_pass(true.to_numpy()[:, [COMPONENTS[j]]], bandwidth, rate)[:, 0]
        inside = (time >= ends[0][h, k, j]) & (time <= ends[1][h, k, j])
        out[h, k, j] = largest_wave(time[inside], force[inside])
    return out


def largest_wave(time: np.ndarray, force: np.ndarray) -> float:
    """Frequency [Hz] at which the periodogram of a force (sample,) [N] is largest."""
    since = time - time.mean()
    flat = force - np.polyval(np.polyfit(since, force, 2), since)
    grid = np.arange(LOW, HIGH, 0.002)
    return float(grid[np.argmax(np.abs(np.exp(-2j * np.pi * grid[:, None] * since) @ flat))])


def _of_event(launch: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """Mean frequency [Hz] of the forces of each event, by the square of their size and by length.

    By the cube of the length: so exactly is a frequency known in noise.
    """
    weight = launch["hop_mean_amplitude"] ** 2 * launch["hop_cycles"] ** 3
    each = xr.zeros_like(weight) + _frequency(launch, truth)
    weight, over = weight.where(each.notnull()), ["corner", "component"]
    return ((weight * each).sum(over) / weight.sum(over)).to_numpy()


def _cycles(launch: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """Cycles of hop of Fz between its ends, at the driver's frequency; NaN of Fx.

    Those after shifts, which have no ends, stay.
    """
    if "hop_begin" not in launch:
        return launch["hop_cycles"].to_numpy()
    start, end = hop_ends(truth)
    near = np.abs(launch["hop_begin"].to_numpy() - start) < NEAR
    near[..., np.arange(near.shape[-1]) != UPWARD] = False
    return np.where(near, (end - start) * _figures(truth, "frequency")[0], np.nan)


def _most_cycles(launch: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """Cycles of the force that has most of them in each event; NaN where that is Fx."""
    longest = launch["hop_cycles"].to_numpy().reshape(launch.sizes["hop"], -1)
    each = _cycles(launch, truth).reshape(longest.shape)
    return each[np.arange(len(each)), np.nanargmax(longest, axis=1)]


def _figures(truth: xr.Dataset, *words: str) -> list[float]:
    """Figures of the hop of a drive by name; NaN without."""
    kinds = truth["event_kind"].to_numpy().tolist() if "event_kind" in truth else []
    if "hop" not in kinds:
        return [float("nan")] * len(words)
    return [float(truth[f"event_{word}"].to_numpy()[kinds.index("hop")]) for word in words]


def hop_ends(truth: xr.Dataset) -> tuple[float, float]:
    """Times [s] at which the hop of a drive begins and ends; NaN without."""
    start, growth, decay, frequency, amplitude = _figures(
        truth, "start", "growth", "decay", "frequency", "amplitude"
    )
    if np.isnan(start):
        return start, start
    hop = Hop(start + 2.0 / growth, frequency, 1.0, growth, decay, 0.0)
    since = np.arange(-3.0, 3.0, 1e-4)
    there = since[abs(amplitude) * hop.envelope(since) >= LEAST]
    return float(hop.peak + there[0]), float(hop.peak + there[-1])


def _of_gap(name: str) -> Callable[[xr.Dataset, xr.Dataset], np.ndarray]:
    """A time [s] of the gap of each shift, by the true force before any filter."""

    def of(shifts: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
        fine, force = _drive_force(shifts, truth)
        out = np.full(shifts[name].shape, np.nan)
        for i, start in enumerate(shifts["gap_start"].to_numpy()):
            for begin, end in _shifts(truth):
                if abs(begin - start) < NEAR:
                    out[i] = getattr(gap(fine, force, begin, end), GAPS[name])
        return out

    return of


def _drive_force(answer: xr.Dataset, truth: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and true force [N] (sample,) of all driven tyres, before any filter."""
    time, driven = truth["elapsed_time"].to_numpy(), answer["corner"].to_numpy()
    total = truth["tyre_force_intermediate"].sel(corner=driven, component="x").sum("corner")
    fine = np.linspace(time[0], time[-1], FINER * (len(time) - 1) + 1)
    return fine, CubicSpline(time, total.to_numpy())(fine)


def _shifts(truth: xr.Dataset) -> list[tuple[float, float]]:
    """Start and end [s] of each shift of the driver."""
    at = np.flatnonzero(truth["event_kind"].to_numpy() == "shift")
    ends = (truth[f"event_{end}"].to_numpy()[at].tolist() for end in ("start", "end"))
    return list(zip(*ends, strict=True))


def _launch_start(launch: xr.Dataset, truth: xr.Dataset) -> np.ndarray:
    """Start [s] of each launch by the true force before any filter; NaN without a shift."""
    fine, force = _drive_force(launch, truth)
    out = np.full(launch["launch_start"].shape, np.nan)
    for i, start in enumerate(launch["launch_start"].to_numpy()):
        ends = [begin for begin, _ in _shifts(truth) if begin > start]
        if ends:
            out[i] = pull(fine, force, np.zeros((len(fine), 1)), start - NEAR, min(ends)).start
    return out


def _shuffle(shifts: xr.Dataset, _truth: xr.Dataset) -> np.ndarray:
    """Frequency [Hz] of the driveline after each shift."""
    return np.where(np.isnan(shifts["shuffle_frequency"]), np.nan, SHUFFLES)


FORMS: dict[str, Callable[[xr.Dataset, xr.Dataset], np.ndarray]] = {
    "available_force": _limits,
    "launch_start": _launch_start,
    "hop_begin": _end_of_hop("hop_begin", 0),
    "hop_start": _end_of_hop("hop_start", 0),
    "hop_finish": _end_of_hop("hop_finish", 1),
    "hop_end": _end_of_hop("hop_end", 1),
    "hop_cycles": _cycles,
    "hop_event_cycles": _most_cycles,
    "hop_frequency": _frequency,
    "hop_event_frequency": _of_event,
    "shuffle_frequency": _shuffle,
    **{name: _of_gap(name) for name in GAPS},
}
