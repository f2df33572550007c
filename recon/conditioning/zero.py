"""The zero of every gauge along the log, from the tares, and its standard uncertainty.

Each tare states how the wheel stood: hanging (the unsprung weight loads the links) or on a pad
that shows its load.  Between two tares of a gauge the zero is interpolated over the gauges'
temperature if that was logged and changed by more than a kelvin, otherwise over time.  Where the
gauges were warmer or colder than at both tares, the zero moves on, but less than in proportion:
its change between two tares that were hardly apart in temperature is mostly no effect of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.common_scale import common_scale
from recon.base.errors import DataError, DataWarning, warn
from recon.records.scratch import at_rows, room
from recon.records.sheets import Tares

ENOUGH_WARMING = 1.0  # K
ENOUGH_READ = 8  # temperature readings needed to fit a cubic in time
SECTION = 1 << 17  # samples of a cubic that are calculated together
ENOUGH_SAMPLES = 20_000  # spread over a log, enough to fit a slow signal or estimate noise
# Standard uncertainty of the interpolated zero, as a share of the zero's change between the two
# tares: a rectangular distribution as wide as the change if interpolated over time, half as wide
# if interpolated over temperature.  Common practice, no source.
BY_TIME, BY_TEMPERATURE = 1 / np.sqrt(12.0), 0.5 / np.sqrt(12.0)
# Standard uncertainty of a temperature at a gauge, K: after little warming it decides how well
# interpolation over temperature works.  Common practice, no source.
U_TEMPERATURE = 0.3
# Change of temperature, K, that moves a zero as far as everything else does between two tares:
# some 20 N of a link's load, at 5 N per kelvin.  Common practice, no source.
AS_MUCH = 4.0
# Standard uncertainty of the zero with a single tare, as a share of the largest indication: zeros
# move by 15 to 40 N of a link's load during a drive, of which the mean keeps half, and the largest
# loads are 1 to 3 kN.  Common practice, no source.
LONE_TARE = 0.01
# Change of a zero, in ranges of the indications of its corner, from which it is none.
IMPOSSIBLE = 2.0
# States whose load is known, the better one first.  On the ground without a scale, tyres hold side
# forces that nobody knows.
KNOWN_LOADS = ("hanging", "pads")

ALIVE = 10.0  # span of a signal over that of its steps; noise alone has some 5


@dataclass(frozen=True, slots=True)
class Zero:
    """Zeros of the gauges of one assembly, in each gauge's unit.

    `mean` (gauge,) over the log and its standard uncertainty `u` (gauge,); `change` (gauge,) from
    the first tare to the last one, NaN with a single tare; `noise` (gauge,), the standard deviation
    of single samples, NaN if not recorded; `state` of the tare, `hanging` or `pads`; `pad_load`
    [N], NaN if hanging; `temperature` (2, gauge) at the first and the last tare [degC].
    """

    mean: Floats
    u: Floats
    change: Floats
    noise: Floats
    state: str
    pad_load: float
    temperature: Floats


@dataclass(frozen=True, slots=True)
class _Drive:
    """Time (sample,) [s] of a log and the temperature (sample,) [degC] of the gauges or None."""

    elapsed: Floats
    temperature: Floats | None


@dataclass(frozen=True, slots=True)
class _Knots:
    """Tares of one gauge, in order of time: time in the log [s] and row of the table."""

    time: Floats
    row: NDArray[np.int64]


def zero_of(
    tares: Tares,
    gauges: tuple[str, ...],
    elapsed: Floats,
    temperature: Floats | None,
    raw: Floats,
    values: list[Floats],
) -> Zero:
    """Zero of each gauge of one assembly, at every sample of the log in `values`.

    `elapsed` (sample,) [s] is the time of the log, `temperature` (sample,) [degC] that at the
    gauges, `raw` (sample, gauge) the indications in each gauge's unit.  With a single tare their
    range determines the uncertainty of the zero.  `values` (sample,) receive the zeros, gauge by
    gauge.

    Raises DataError: a gauge has no tare, or none whose load is known; or a tare during the drive
    has no time within the log. The message names the gauge.
    """
    state = _state(tares, gauges)
    knots = [_knots(tares, gauge, state, elapsed) for gauge in gauges]
    drive = _Drive(elapsed, _smooth(temperature, elapsed))
    unsure, change = np.zeros(len(gauges)), np.zeros(len(gauges))
    for g, (of, value) in enumerate(zip(knots, values, strict=True)):
        value[:] = tares.indication[of.row[0]]
        for k in range(len(of.row) - 1):
            step, spread = _interpolate(tares, of, k, drive, value)
            change[g] = max(change[g], abs(step))
            unsure[g] = max(unsure[g], spread * abs(step))
    span = np.fmax.reduce(raw, axis=0) - np.fmin.reduce(raw, axis=0)
    _refuse_impossible(tares, gauges, knots, change, span)
    lone = np.array([len(of.row) == 1 for of in knots])
    first, last = (np.array([of.row[end] for of in knots]) for end in (0, -1))
    return Zero(
        mean=np.array([value.mean() for value in values]),
        u=_uncertainty(raw, span, unsure, change, lone),
        change=np.where(lone, np.nan, tares.indication[last] - tares.indication[first]),
        noise=tares.sd[first],
        state=state,
        pad_load=float(tares.pad_load[first[0]]),
        temperature=np.array([tares.temperature[first], tares.temperature[last]]),
    )


def _state(tares: Tares, gauges: tuple[str, ...]) -> str:
    """State of the tares that become the zeros of an assembly: one for all of its gauges.

    Two tares in different states carry different loads, so their difference is no drift.  The
    state with the most gauges wins, then the one with the most tares before and after the drive,
    then hanging.
    """

    def count(state: str) -> tuple[int, int]:
        chosen = tares.state == state
        by_time = [
            {g for g in gauges if np.any(chosen & (tares.when == when) & (tares.gauge == g))}
            for when in ("before", "after")
        ]
        during = set(tares.gauge[chosen & (tares.when == "during")].tolist()) & set(gauges)
        return len(by_time[0] | by_time[1] | during), len(by_time[0] & by_time[1])

    return max(KNOWN_LOADS, key=count)


def _knots(tares: Tares, gauge: str, state: str, elapsed: Floats) -> _Knots:
    """Last tare before the drive, those during it and the first one after it."""
    own = (tares.gauge == gauge) & (tares.state == state)
    if not own.any():
        _refuse(tares, gauge, state)
    found: list[tuple[float, int]] = []
    for when, edge, which in (("before", elapsed[0], -1), ("after", elapsed[-1], 0)):
        rows = np.flatnonzero(own & (tares.when == when))
        if len(rows):
            in_order = rows[np.argsort(tares.time[rows], kind="stable")]
            found.append((float(edge), int(in_order[which])))
    for row in np.flatnonzero(own & (tares.when == "during")).tolist():
        time = float(tares.time[row])
        if not elapsed[0] <= time <= elapsed[-1]:
            raise DataError(
                where=f"{tares.path}, line {tares.line[row]}",
                found=f"a tare of {gauge} during the drive at {time:g} s",
                needed=f"its time in the log, from {elapsed[0]:g} to {elapsed[-1]:g} s",
                do="Write the elapsed time of the log at which the wheel stood like that, or "
                "'before' or 'after' as its time.",
            )
        found.append((time, row))
    found.sort(key=lambda knot: knot[0])
    times, at = zip(*found, strict=True)
    return _Knots(np.array(times), np.array(at))


def _refuse(tares: Tares, gauge: str, state: str) -> None:
    """Refuse the tares of a gauge that has none in the state of its assembly."""
    others = sorted(set(tares.state[tares.gauge == gauge].tolist()))
    if not others:
        raise DataError(
            tares.path,
            f"no tare of gauge {gauge}",
            "a tare of every gauge before or after the drive, preferably both",
            "Add the row to the tare table, or remove the gauge from the vehicle file.",
        )
    if set(others) & set(KNOWN_LOADS):
        raise DataError(
            tares.path,
            f"tares of {gauge} in state '{others[0]}', of other gauges of its corner in '{state}'",
            "the tares of one corner in one state",
            f"Correct the state of {gauge}, or add its tare in state '{state}'.",
        )
    raise DataError(
        tares.path,
        f"tares of {gauge} in state '{others[0]}' only",
        "a tare with the wheel hanging, or on a scale whose load is written down",
        "Lift the wheel clear and tare again; these rows may stay. On the ground a tyre holds "
        "side forces that nobody knows (toe alone makes two opposite ones), and with such a zero "
        "they would be missing in the drive.",
    )


def _interpolate(
    tares: Tares, knots: _Knots, k: int, drive: _Drive, value: Floats
) -> tuple[float, float]:
    """Fill `value` (sample,) between tares k and k + 1; their change and its open share."""
    first, second = knots.row[k : k + 2].tolist()
    step = float(tares.indication[second] - tares.indication[first])
    start, end = knots.time[k : k + 2].tolist()
    within = slice(*np.searchsorted(drive.elapsed, [start, end], side="left"))
    if k == len(knots.row) - 2:
        within = slice(within.start, None)
    share = value[within]
    cold, warm = tares.temperature[[first, second]].tolist()
    if drive.temperature is not None and abs(warm - cold) > ENOUGH_WARMING:
        spread = min(max(BY_TEMPERATURE, U_TEMPERATURE / abs(warm - cold)), BY_TIME)
        beyond = _over_temperature(drive, within, (cold, warm), share)
    else:
        np.subtract(drive.elapsed[within], start, out=share)
        share /= max(end - start, 1e-9)
        spread = BY_TIME
        beyond = _over_temperature(drive, within, (cold, warm), None)
    spread = float(np.hypot(spread, beyond))
    share *= step  # in place, as a long log has no room to spare
    share += tares.indication[first]
    return step, spread


def share_at(there: Floats, cold: Floats | float, warm: Floats | float) -> Floats:
    """Share (sample,) [1] of a zero's change between two tares, at temperatures `there` (sample,).

    The tares were taken at `cold` and `warm`, all in degC.  Beyond both, the zero moves on by the
    regression of a change that is partly heat.
    """
    apart = np.subtract(warm, cold)
    inside = np.clip(there, np.minimum(cold, warm), np.maximum(cold, warm))
    beyond = apart / (apart**2 + AS_MUCH**2) * (there - inside)
    return np.asarray((inside - cold) / apart + beyond)


def _over_temperature(
    drive: _Drive, within: slice, at: tuple[float, float], share: Floats | None
) -> float:
    """Fill `share` (sample,) of the change between tares `at` two temperatures [degC], if given.

    Return what is open of it where the gauges were beyond both temperatures, as a standard
    uncertainty: of a change that is partly heat, `AS_MUCH` kelvins' worth of the rest, this is the
    spread of the regression on temperature about time (normal distributions, from memory); less
    than `ENOUGH_WARMING` beyond them says little.
    0 if a temperature is missing.
    """
    if drive.temperature is None or not np.isfinite(at).all():
        return 0.0
    known, elapsed = drive.temperature[within], drive.elapsed[within]
    cold, apart = at[0], at[1] - at[0]
    rate = apart / max(elapsed[-1] - elapsed[0], 1e-9) if len(known) else 0.0
    square = 0.0
    for start in range(0, len(known), SECTION):
        part = slice(start, start + SECTION)
        there = known[part]
        beyond = (there - np.clip(there, min(at), max(at))) ** 2
        if beyond.any():
            uneven = there - cold - rate * (elapsed[part] - elapsed[0])
            square += float(np.sum(uneven**2 * beyond / (beyond + ENOUGH_WARMING**2)))
        if share is not None:
            share[part] = share_at(there, *at)
    return float(AS_MUCH / (apart**2 + AS_MUCH**2) * np.sqrt(square / max(len(known), 1)))


def _refuse_impossible(
    tares: Tares, gauges: tuple[str, ...], knots: list[_Knots], change: Floats, span: Floats
) -> None:
    """Refuse tares of one gauge that differ by more than the drive itself, `span` (gauge,)."""
    span = np.nan_to_num(span)
    moves = span > 0
    if not moves.any():
        return
    size = np.ones(len(span))
    size[moves] = common_scale(span[moves])
    usual = np.fmax(span, size * np.median(span[moves] / size[moves]))
    for gauge, of, moved, most in zip(gauges, knots, change, IMPOSSIBLE * usual, strict=True):
        if moved > most:
            first, last = of.row[0], of.row[-1]
            values = tares.indication[[first, last]]
            raise DataError(
                where=f"{tares.path}, line {tares.line[last]}",
                found=f"a tare of {gauge} of {values[1]:.5g}, and one of {values[0]:.5g} in line "
                f"{tares.line[first]}: a change of {moved:.3g} where the drive itself has a range "
                f"of {span[list(gauges).index(gauge)]:.3g}",
                needed="two tares of one gauge, in one unit and state",
                do="Compare unit, decimal point, sign and gauge of the two rows, and the unit of "
                "that gauge in the log. If the zero moved so far, bridge or wire is "
                "broken: leave the gauge out of log and tares.",
            )


def warn_of_lone(tares: Tares, gauges: list[str], state: str) -> None:
    """Say that these gauges have a single tare, in that `state`.

    Warns DataWarning: gauges by name.
    """
    warn(
        f"{tares.path}: one tare only for {', '.join(gauges)} (state '{state}'), so the drift of "
        f"the zero is unknown; {100 * LONE_TARE:.1f} % of the largest indication is used as its "
        "standard uncertainty, or the drift of the other gauges of the corner where that is "
        "larger. Tare before and after the drive, both times in the same state.",
        DataWarning,
    )


def _uncertainty(
    raw: Floats, span: Floats, unsure: Floats, change: Floats, lone: NDArray[np.bool_]
) -> Floats:
    """Standard uncertainty (gauge,) of the zeros, in the gauges' units.

    `span` (gauge,) is that of `raw`; `unsure` and `change` (gauge,) are what interpolation leaves
    open of a zero's change, and that change.  Those of all gauges are pooled: one that returned to
    its zero by chance is no better known than the others.  A lone tare knows nothing of its own
    change.
    """
    u, drift = unsure.copy(), np.zeros(len(unsure))
    # A gauge that died, or shows nothing but noise, has no span to compare its change with.
    at = np.arange(1, len(raw), max(len(raw) // ENOUGH_SAMPLES, 1))
    steps = at_rows(raw, at) - at_rows(raw, at - 1)
    steps[:, np.isnan(steps).all(axis=0)] = 0.0
    moves = span > ALIVE * np.nanstd(steps, axis=0)
    paired = moves & ~lone
    if paired.any():
        size = common_scale(span[moves])
        in_spans = np.ones(len(span))
        in_spans[moves] = size
        pooled, drifts = (
            float(np.sqrt(np.mean((of[paired] / in_spans[paired]) ** 2))) for of in (unsure, change)
        )
        u[moves], drift[moves] = pooled * size, drifts * size
    for g in np.flatnonzero(lone):
        largest = np.nanmax(np.abs(raw[:, g] - np.nanmedian(raw[:, g])))
        u[g] = np.fmax(LONE_TARE * largest, drift[g])
    return u


def _smooth(temperature: Floats | None, elapsed: Floats) -> Floats | None:
    """Temperature (sample,) [degC] as a cubic in time, which removes the sensor's noise."""
    if temperature is None:
        return None
    from numpy.polynomial import Polynomial

    finite = np.isfinite(temperature)
    count = int(np.count_nonzero(finite))
    if count < ENOUGH_READ:
        return None
    step = max(count // ENOUGH_SAMPLES, 1)
    good = np.arange(0, count, step) if finite.all() else np.flatnonzero(finite)[::step]
    cubic = Polynomial.fit(elapsed[good], temperature[good], 3)
    out: Floats = room((len(elapsed),))
    for start in range(0, len(out), SECTION):
        out[start : start + SECTION] = cubic(elapsed[start : start + SECTION])
    return out
