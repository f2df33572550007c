"""Slalom: peak lateral force per cone, tyre and axle, and the front axle's share.

Gate: half-waves of the lateral force of all reconstructed tyres together, in intermediate
axes, that rise above a share of the drive's own high quantile.  Peak: noise-corrected high
quantile over the half-wave, at the stated bandwidth.  Invalid where a half-wave has gaps.
An axle whose tyres are known only as a sum has a peak without those of its tyres.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.base.errors import NoAnswerError
from recon.base.labelled import SEPARATOR, place_of
from recon.base.late import xr
from recon.base.noise_corrected_quantile import fewest_samples
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.words import enumerated
from recon.car.vehicle import SIDES
from recon.conditioning.filters import require_bandwidth
from recon.evaluation.balance.axle_sums import unknown_tyres
from recon.evaluation.common.answer_labels import Labelled, limits, limits_of, origin, plain
from recon.evaluation.common.estimate import Estimate, independent
from recon.evaluation.common.short_means import bandwidth_for
from recon.evaluation.sections.find_sections import sections_of
from recon.evaluation.slalom.cones import Cones, cones_of
from recon.evaluation.slalom.half_waves import HalfWave
from recon.evaluation.slalom.lateral_forces import LateralForces
from recon.evaluation.slalom.noise_corrected_peaks import SHARE
from recon.evaluation.slalom.rear_lag import CREST, PHASES
from recon.evaluation.slalom.rear_lag_errors import SATURATION, Weaving, slalom_waves, weaving_of
from recon.records.forces import SIGNED, nothing_known, require_answerable

BANDWIDTH = 8.0  # Hz; about twenty times a slalom's frequency
FEWEST_CONES = 3
NEEDED = ("tyre_force_intermediate", "u_tyre_force_random", "cause_name", *SIGNED)


@public
def slalom(
    forces: xr.Dataset, *, sections: xr.Dataset | None = None, bandwidth: float = BANDWIDTH
) -> xr.Dataset:
    """Peak lateral force per cone with intervals, and front share.

    Forces are those of the road on the tyre, intermediate axes; a peak keeps the sign of its
    side (left positive).

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `find_sections` returns it; found if omitted.  Cones are those of its slaloms, or of
        parts given by hand; all alternations count where it has no corner either.
    bandwidth : float
        At which peaks are read, -3 dB; never more than that of the forces. [Hz]

    Returns
    -------
    Dataset
        `cone_time` (cone,) [s]; `peak_lateral_force` (cone, corner) [N] with `u_`, `_lower`,
        `_upper`; `axle_peak_lateral_force` (cone, axle) the same; `front_share` (cone,) with
        `u_front_share`, NaN where one axle is not known (an axle may be known as a sum where its
        tyres are not); `share_at_bound` (cone, corner) [1].  Of the longest weave: `rear_lag` and
        `rear_lag_by_slopes` [s], `mean_cycle` (phase, axle) [N] over `phase_time` [s] with its
        `cycle_spread`, `rate_of_rise` [N/s] and `crest_share` [1] (cone, axle), all with `u_`,
        and `saturates_first` (cone,), a flag.
        The attribute `not_known` says in words what is missing and why.

    Raises
    ------
    DataError
        No forces, or a bandwidth that is not above zero.
    NoAnswerError
        Fewer than three alternations of the lateral force, or sections with corners and no slalom.

    Warns
    -----
    DataWarning
        The forces have less than that bandwidth.
    """
    require_answerable(forces, *NEEDED)
    elapsed = forces["elapsed_time"].to_numpy()
    rate = 1.0 / sampling_interval(elapsed)
    do = f"Leave it out for the usual {BANDWIDTH:g} Hz, some twenty times a slalom's frequency."
    bandwidth = require_bandwidth(
        bandwidth_for(forces, bandwidth, "peaks", do), rate, place_of(forces)
    )
    lateral = LateralForces.of(forces, bandwidth, rate)
    if not lateral.known:
        what = f"no known lateral force at {', '.join(lateral.corners)}"
        raise nothing_known(forces, what, "at least one tyre whose lateral force is known")
    waves = slalom_waves(forces, lateral.total, sections)
    if len(waves) < FEWEST_CONES:
        seconds = _searched(elapsed, sections)
        raise NoAnswerError(
            place_of(forces),
            f"{len(waves)} alternation{'s' * (len(waves) != 1)} of the lateral force in "
            f"{seconds:.1f} s",
            f"at least {FEWEST_CONES} (a slalom)",
            "Name the whole slalom by hand, or use friction use, which needs no cones.",
        )
    cones, weaving = cones_of(lateral, waves, bandwidth), weaving_of(forces, waves)
    answer = _answer(forces, lateral, waves, cones, bandwidth)
    unknown = [tyre for axle in SIDES for tyre in unknown_tyres(forces, axle, "y")]
    words = _words(weaving, len(waves), unknown)
    return answer.assign(_of_weave(weaving, len(waves))).assign_attrs(words)


def _searched(elapsed: Floats, sections: xr.Dataset | None) -> float:
    """Time [s] of the slaloms, or else of the parts, among the sections; of the drive without."""
    whole = float(elapsed[-1] - elapsed[0])
    if sections is None:
        return whole
    named = sections_of(sections, "slalom") or sections_of(sections, "part")
    return sum(one.end - one.start for one in named) if named else whole


def _answer(
    forces: xr.Dataset,
    lateral: LateralForces,
    waves: list[HalfWave],
    cones: Cones,
    bandwidth: float,
) -> xr.Dataset:
    elapsed = forces["elapsed_time"].to_numpy()
    variables: Labelled = {}
    for name, value, u, dims, unit in (
        ("peak_lateral_force", cones.tyre, cones.u_tyre, ("cone", "corner"), "N"),
        ("axle_peak_lateral_force", cones.axle, cones.u_axle, ("cone", "axle"), "N"),
        ("front_share", cones.share, cones.u_share, ("cone",), "1"),
    ):
        variables |= limits_of(name, value, u, dims, unit, name.replace("_", " "))
    words = "share of the half-wave at a bound, left out of the tyre's peak"
    variables |= plain("share_at_bound", cones.at_bound, ("cone", "corner"), "1", words)
    when = np.interp(cones.when, np.arange(len(elapsed)), elapsed)
    variables |= plain("cone_time", when, ("cone",), "s", "time of the total peak")
    sides = np.array([wave.side for wave in waves], dtype=np.int8)
    flags = {"flag_values": np.array([-1, 1], dtype=np.int8), "flag_meanings": "right left"}
    variables |= plain("side", sides, ("cone",), "", "direction of the force", **flags)
    number = np.arange(1, len(waves) + 1)
    return xr.Dataset(
        variables,
        coords={
            **plain("cone", number, ("cone",), "", "cone, counted along the drive"),
            "corner": forces["corner"],
            **plain("axle", list(lateral.axles), ("axle",), "", "axle"),
        },
        attrs=origin(
            forces,
            "Slalom",
            references="ISO 8855:2011 for axes",
            comment=f"peaks are noise-corrected {100 * SHARE:.0f} % quantiles per "
            f"half-wave, {bandwidth:g} Hz bandwidth, intermediate axes",
        )
        | {
            "bandwidth_Hz": bandwidth,
            "not_known": "; ".join(_reasons(lateral, waves, np.isnan(cones.tyre))),
        },
    )


def _of_weave(weaving: Weaving | None, count: int) -> Labelled:
    """Lag, mean cycle, rise and crest of both axles; lags alone, not known, without a weave."""
    lags = {
        "rear_lag": "lag of the rear axle behind the front, by cross-spectrum of each cycle",
        "rear_lag_by_slopes": "lag of the rear axle at which the slopes of both correlate best",
    }
    if weaving is None:
        unknown = independent(np.nan, 0.0)
        parts = [limits(name, unknown, (), "s", words) for name, words in lags.items()]
        return parts[0] | parts[1]
    out: Labelled = {}
    for place, (name, words) in enumerate(lags.items()):
        out |= limits(name, weaving.lag.at(place), (), "s", words)
    phase = np.linspace(0, weaving.weave.period, PHASES, endpoint=False)
    step = 0.5 * weaving.weave.period / PHASES
    words = "time within the mean cycle, from its change of side"
    out |= plain("phase_time", phase + step, ("phase",), "s", words)
    words = "mean over all cycles of the lateral force of an axle"
    shape = (PHASES, len(SIDES))
    out |= limits("mean_cycle", weaving.cycle, ("phase", "axle"), "N", words, shape)
    words = "standard deviation between cycles of the lateral force"
    out |= plain("cycle_spread", weaving.spread, ("phase", "axle"), "N", words)
    words = "steepest slope of the lateral force of an axle into the half-wave"
    out |= _by_cone("rate_of_rise", weaving, weaving.rise, count, "N s-1", words)
    words = f"share of the half-wave in which the force is above {CREST:g} of its peak"
    out |= _by_cone("crest_share", weaving, weaving.crest, count, "1", words)
    first = np.full(count, -1, dtype=np.int8)
    first[weaving.numbers] = weaving.first
    words = "axle whose lateral force stays flat at the cone, as far as it is shown"
    values = np.arange(-1, len(SATURATION), dtype=np.int8)
    flags = {"flag_values": values, "flag_meanings": " ".join(("not_known", *SATURATION))}
    return out | plain("saturates_first", first, ("cone",), "", words, **flags)


def _by_cone(
    name: str, weaving: Weaving, of: Estimate, count: int, unit: str, words: str
) -> Labelled:
    """Quantities of the half-waves in a weave, NaN at the other cones."""

    def placed(values: Floats) -> Floats:
        every = np.full((count, len(SIDES)), np.nan)
        every[weaving.numbers] = values.reshape(-1, len(SIDES))
        return every

    return limits_of(name, placed(of.value), placed(of.u), ("cone", "axle"), unit, words)


def _words(weaving: Weaving | None, count: int, unknown: list[str]) -> dict[str, str]:
    """Attributes on the weave: gate, assumptions, and remarks that the user should read."""
    gate = "half-waves of the lateral force of all known tyres above a quarter of its high quantile"
    if weaving is None:
        cure = f"gauge {', '.join(unknown)}" if unknown else "drive six cones in a row"
        reason = f"lag of the rear: no two whole cycles in a row with all four tyres known; {cure}"
        return {"gate": gate, "assumed": "", "not_given": reason, "remarks": ""}
    lag, slopes = weaving.lag.value
    half, half_slopes = 1e3 * COVERAGE_FACTOR * weaving.lag.u
    remarks = []
    if weaving.lag.upper[0] < 0:
        remarks.append(
            f"The rear comes {-1e3 * lag:.0f} +-{half:.0f} ms before the front: are the channels "
            "of front and rear exchanged? Look at the gauge names in the column map."
        )
    if weaving.late:
        remarks.append(f"The lag may be that of the loggers: {weaving.late}")
    if abs(slopes - lag) > 0.1 * abs(lag):
        remarks.append(
            f"Where the forces change most quickly, the rear lags by {1e3 * slopes:.0f} "
            f"+-{half_slopes:.0f} ms."
        )
    return {
        "gate": f"{gate}; lag, cycle and rise from {len(weaving.numbers)} of {count} in a row",
        "assumed": "gauges of front and rear are sampled within 1 ms of each other (common "
        "practice, no source); a force is flat where it is flatter than the steer, which alone "
        "is no limit",
        "not_given": "",
        "remarks": SEPARATOR.join(remarks),
    }


def _reasons(
    lateral: LateralForces, waves: list[HalfWave], missing: NDArray[np.bool_]
) -> list[str]:
    """Reasons for every peak that is missing, one sentence each; `missing` (cone, corner)."""
    out = []
    for axle, names in SIDES.items():
        absent = enumerated([name for name in names if name not in lateral.corners])
        if absent:
            out.append(
                f"{absent} not in the forces, so no peak of the {axle} axle and no front share"
            )
    for k, name in enumerate(lateral.corners):
        if not np.isfinite(lateral.tyres[k].value).any():
            axle = next(axle for axle, names in SIDES.items() if name in names)
            out.append(
                f"{name}: lateral force never known, so it has no peak; the peak of the {axle} "
                "axle is known from a sum"
                if axle in lateral.sums
                else f"{name}: lateral force never known, so it has no peak, its axle no sum, "
                "and no cone a front share (cones are found from the other tyres)"
            )
            continue
        causes: dict[str, list[str]] = {}
        for i in np.flatnonzero(missing[:, k]):
            causes.setdefault(_cause(lateral, waves[i].part, k), []).append(str(i + 1))
        out += [
            f"{name}: no peak at cone{'s' if cones[1:] else ''} {', '.join(cones)}, {cause}"
            for cause, cones in causes.items()
        ]
    return out


def _cause(lateral: LateralForces, part: slice, k: int) -> str:
    if part.stop - part.start < fewest_samples(SHARE):
        return f"its half-wave has fewer than the {fewest_samples(SHARE)} samples needed"
    if lateral.bound[part, k].mean() > np.isnan(lateral.tyres[k].value[part]).mean():
        return "at a bound over too much of the half-wave"
    return "forces not known over too much of the half-wave"
