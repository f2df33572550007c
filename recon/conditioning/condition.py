"""`condition` prepares a log for reconstruction: it flags bad samples, subtracts tares and filters.

The result has the indications minus their zeros, low-passed, the standard uncertainties of zeros
and noise, and status flags.  It also keeps the state of each tare (hanging or on pads), from which
the reconstruction works out the load during the tare.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, side_by_side
from recon.base.errors import DataError, DataWarning, warn
from recon.base.labelled import require_order
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import BIT
from recon.car.linkage import assembly_names, linkage_of
from recon.car.vehicle import Vehicle
from recon.conditioning.carrying import timing_of
from recon.conditioning.constants_for_lost_samples import u_of_rounding, without_lost
from recon.conditioning.dropped_samples_and_gaps import on_time_base
from recon.conditioning.filters import (
    SHORTEST,
    Band,
    is_filtered,
    low_pass,
    require_bandwidth,
    zero_phase_gain,
)
from recon.conditioning.folding import quick_indication
from recon.conditioning.hub_motion import with_hub_motion
from recon.conditioning.logger_filter import filter_of_logger, taken_away
from recon.conditioning.made_samples import own_samples
from recon.conditioning.noise import noise_of_drive, scatter, share_passed, tell_of_noise
from recon.conditioning.stuck_and_clipped_gauges import (
    clipped_samples,
    flat_samples,
    require_in_range,
)
from recon.conditioning.zero import Zero, warn_of_lone, zero_of
from recon.records.logs import require_raw
from recon.records.scratch import copied, room
from recon.records.sheets import Tares
from recon.records.time_checks import usual_step

# Default bandwidth as a share of the sampling rate: a driveline jolt keeps its peak, and most of
# the noise is removed.
BANDWIDTH_SHARE = 0.35
UNUSABLE = BIT["channel_flat"] | BIT["channel_clipped"]


@public
def condition(
    log: xr.Dataset, car: Vehicle, tares: Tares, *, bandwidth: float | None = None
) -> xr.Dataset:
    """Flag bad samples, subtract the tares and low-pass every channel with the same filter.

    Parameters
    ----------
    log : Dataset (elapsed_time, gauge)
        A log as returned by `read_log`: SI units, indications in each gauge's own unit.
    car : Vehicle
    tares : Tares
        Tares before and after the drive, each with its state.
    bandwidth : float, optional
        Frequency at which the filter has -3 dB, and so the bandwidth of the forces; 0.35 of the
        sampling rate if omitted.  From half the sampling rate upwards nothing is filtered.  [Hz]

    Returns
    -------
    Dataset
        `indication` (elapsed_time, gauge) minus its zero, in each gauge's unit; `zero` (gauge,),
        its mean over the log, `zero_change`, the last tare less the first, `u_zero` and `noise`
        (gauge,), standard uncertainties, in the same unit; `quick_indication` (elapsed_time,
        gauge) of a slow or filtered log, see `folding` and `logger_filter`; `gauge_status`
        (elapsed_time, gauge) with flags of `recon.base.status`;
        `tare_temperature` (tare, gauge) of the first and the last one [degC];
        `tare_state` and `tare_pad_load` (tared_corner,) [N]; the other channels, low-passed;
        attributes `bandwidth` and `rate` [Hz].

    Raises
    ------
    DataError
        The dataset is no log of this car or was conditioned before, a gauge of it has no tare, both
        wheels of a tied axle were tared on pads only, most gauges read beyond their stated range,
        the log is too short to filter or out of order, or the bandwidth is not positive.
    """
    require_raw(log)
    log = _of_car(log, car)
    rate, bandwidth = _band(log, log["elapsed_time"].to_numpy(), bandwidth)
    base = on_time_base(own_samples(without_lost(log, rate)), rate, bandwidth)
    log, parts = base.log, base.parts
    out = log.copy(deep=False)
    names = tuple(str(g) for g in log["gauge"].to_numpy())
    raw = log["indication"].to_numpy()
    by_gauge = _gauge_status(log, car, names, rate, base.bridged)
    tared = room(raw.shape[::-1]).T
    zeros = _zeros(log, car, tares, names, raw, tared)
    if not zeros:
        raise DataError(
            where=tares.path,
            found=f"no tare of any of the log's gauges ({names[0]} and others)",
            needed="a tare of every gauge of at least one corner",
            do="Compare the gauge names in the tare table with those in the vehicle file.",
        )
    u_zero, noise, alike, of_tares, mean_zero, change = np.full((6, len(names)), np.nan)
    temperature = np.full((2, len(names)), np.nan)
    gain = zero_phase_gain(bandwidth, rate)
    for corner, zero in zeros.items():
        at = _columns(car, corner, names)
        u_zero[at], temperature[:, at], of_tares[at] = zero.u, zero.temperature, zero.noise
        mean_zero[at], change[at] = zero.mean, zero.change
        noise[at], alike[at] = noise_of_drive(zero.noise, side_by_side(raw, at))
    tell_of_noise(noise, of_tares, names, tares.path)
    for g in range(len(names)):
        np.subtract(raw[:, g], tared[:, g], out=tared[:, g])
        # The filter must not spread a flat or clipped sample to its neighbours.
        tared[(by_gauge[:, g] & UNUSABLE) > 0, g] = np.nan
    if is_filtered(bandwidth, rate):
        _require_long_enough(log, parts)
        for part in parts:
            if part.stop - part.start < SHORTEST:
                by_gauge[part] |= BIT["missing_input"]
    out.attrs |= {"bandwidth": min(bandwidth, 0.5 * rate), "rate": rate, "noise_gain": gain}
    by_sample, band = ("elapsed_time", "gauge"), Band(bandwidth, rate, parts, int(np.nanmax(alike)))
    rounding, path = u_of_rounding(raw), str(log.attrs.get("path", "log"))
    quick = taken_away(tared, band, filter_of_logger(raw, of_tares, rate), path)
    quick = quick or quick_indication(tared, band, np.hypot(noise, rounding), names, path)
    noise = np.hypot(noise * share_passed(gain, alike), rounding)
    by_name = {"zero": mean_zero, "zero_change": change, "u_zero": u_zero, "noise": noise}
    made: dict[str, tuple[Any, ...]] = {n: (("gauge",), values) for n, values in by_name.items()}
    made |= quick | {
        "indication": (by_sample, low_pass(tared, bandwidth, rate, parts, out=tared)),
        "gauge_status": (by_sample, by_gauge, timing_of(log["indication"])),
        "tare_temperature": (("tare", "gauge"), temperature),
        "tare_state": (("tared_corner",), [zero.state for zero in zeros.values()]),
        "tare_pad_load": (("tared_corner",), [zero.pad_load for zero in zeros.values()]),
    }
    for name in ("hub_acceleration", "travel", "rack", "steer", "steering_wheel_angle", "roll",
                 "pitch", "brake_pressure", "acceleration", "yaw_rate", "speed"):  # fmt: skip
        if name in log:
            made |= _filtered(log[name], _beyond(log, car, name), band)
    out = out.assign_coords(tared_corner=list(zeros)).assign(made)
    return with_hub_motion(out, log, car, band)


def _of_car(log: xr.Dataset, car: Vehicle) -> xr.Dataset:
    """The log with the corners of the vehicle, and without gauges and corners of others."""
    if "corner" not in log.dims:  # no channel of a single corner is logged, but some are inferred
        log = log.assign_coords(corner=list(car.corners))
    own = {"corner": set(car.corners), "gauge": {gauge.name for _, gauge in car.gauges}}
    for dim, names in own.items():
        if dim in log.coords:
            kept = [name for name in log[dim].to_numpy() if str(name) in names]
            if len(kept) < log.sizes[dim]:
                log = log.sel({dim: kept})
    if not log.sizes["gauge"]:
        raise DataError(
            where=str(log.attrs.get("path", "log")),
            found=f"no gauge of {car.name}",
            needed=f"at least one of {', '.join(gauge.name for _, gauge in car.gauges)}",
            do="Compare the names of the log's gauges with those in the vehicle file.",
        )
    return log


def _band(log: xr.Dataset, elapsed: Floats, bandwidth: float | None) -> tuple[float, float]:
    """Sampling rate of the log and bandwidth of the forces, both in Hz."""
    where = str(log.attrs.get("path", "log"))
    if len(elapsed) < 3:
        raise DataError(
            where, f"{len(elapsed)} samples", "at least 3 samples", "Export the complete drive."
        )
    require_order(log, "Keep the samples as they were read; log.sortby('elapsed_time') sorts.")
    rate = 1.0 / usual_step(elapsed)
    if bandwidth is not None and not bandwidth > 0:
        raise DataError(
            where=where,
            found=f"bandwidth {bandwidth:g} Hz",
            needed=f"a bandwidth above 0 Hz (from {0.5 * rate:g} Hz upwards nothing is filtered)",
            do=f"Omit it for the default of {BANDWIDTH_SHARE * rate:g} Hz.",
        )
    if bandwidth is None:
        return rate, BANDWIDTH_SHARE * rate
    return rate, require_bandwidth(bandwidth, rate, where)


def tell_of_bandwidth(conditioned: xr.Dataset, asked: float | None) -> None:
    """Warn where a bandwidth [Hz] was asked for that the sampling rate does not reach."""
    rate, has = float(conditioned.attrs["rate"]), float(conditioned.attrs["bandwidth"])
    if asked is not None and is_filtered(has, 2.0 * asked):
        warn(
            f"{conditioned.attrs.get('path', 'log')}: a bandwidth of {asked:g} Hz is asked for, "
            f"but {rate:g} samples per second hold nothing above {has:g} Hz: that is the "
            "bandwidth of these forces, and nothing is filtered",
            DataWarning,
        )


def _require_long_enough(log: xr.Dataset, parts: list[slice]) -> None:
    longest = max(part.stop - part.start for part in parts)
    if longest < SHORTEST:
        raise DataError(
            str(log.attrs.get("path", "log")),
            f"{longest} samples in the longest stretch without a gap in time",
            f"at least {SHORTEST} samples at even steps in time",
            "Export the complete drive at one sampling rate, or switch the filter off by giving "
            "half the sampling rate as bandwidth.",
        )


def _beyond(log: xr.Dataset, car: Vehicle, name: str) -> NDArray[np.bool_] | None:
    """Mask of travel readings outside the stated range, which must not pass through the filter.

    None for other channels, and if there are no such readings.
    """
    if name != "travel":
        return None
    values = log[name].to_numpy()
    ranges = [car.corners[str(corner)].travel_range for corner in log["corner"].to_numpy()]
    out = np.zeros(values.shape[::-1], dtype=bool).T
    for k, (low, high) in enumerate(ranges):
        out[:, k] = (values[:, k] < low) | (values[:, k] > high)
    return out if out.any() else None


def _columns(car: Vehicle, assembly: str, names: tuple[str, ...]) -> list[int]:
    return [names.index(g.name) for g in linkage_of(car, assembly).gauges if g.name in names]


def _gauge_status(
    log: xr.Dataset,
    car: Vehicle,
    names: tuple[str, ...],
    rate: float,
    bridged: NDArray[np.bool_] | None,
) -> NDArray[np.uint16]:
    """Status flags (sample, gauge) from the health of each gauge."""
    raw = log["indication"].to_numpy()
    scale = {g.name: g.full_scale for _, g in car.gauges}
    full = np.array([scale.get(n, np.nan) for n in names])
    by_gauge = room(raw.shape[::-1], np.uint16).T
    require_in_range(raw, full, names, str(log.attrs.get("path", "log")))
    flat, clipped = flat_samples(raw, rate), clipped_samples(raw, full)
    for g in range(len(names)):
        by_gauge[:, g] = flat[:, g] * np.uint16(BIT["channel_flat"])
        by_gauge[clipped[:, g], g] |= BIT["channel_clipped"]
        by_gauge[~np.isfinite(raw[:, g]), g] |= BIT["missing_input"]
    if bridged is not None:
        # A line that begins or ends at a bad sample is no better than that.
        by_gauge |= _beside(by_gauge, bridged)
        by_gauge[bridged] |= BIT["bridged"]
    return by_gauge


def _beside(by_gauge: NDArray[np.uint16], bridged: NDArray[np.bool_]) -> NDArray[np.uint16]:
    """Flags of the samples before and after each `bridged` run, at its samples (sample, gauge)."""
    bad = by_gauge & np.uint16(BIT["channel_flat"] | BIT["channel_clipped"])
    out = np.zeros_like(by_gauge)
    for k in np.flatnonzero(bad.any(axis=0) & bridged.any(axis=0)):
        real, run = np.flatnonzero(~bridged[:, k]), np.flatnonzero(bridged[:, k])
        after = np.searchsorted(real, run)
        out[run, k] = bad[real[after - 1], k] | bad[real[after], k]
    return out


def _zeros(
    log: xr.Dataset, car: Vehicle, tares: Tares, names: tuple[str, ...], raw: Floats, value: Floats
) -> dict[str, Zero]:
    """Zeros of the assemblies that have tares, at each sample in `value`, NaN of other gauges."""
    elapsed = log["elapsed_time"].to_numpy()
    out: dict[str, Zero] = {}
    lone: dict[str, list[str]] = {}  # by the state of their only tare
    for assembly in assembly_names(car):
        linkage = linkage_of(car, assembly)
        gauges = tuple(g.name for g in linkage.gauges if g.name in names)
        if not gauges:
            continue
        at = _columns(car, assembly, names)
        if not np.isin(tares.gauge, gauges).any():
            warn(
                f"{tares.path}: no tare of {linkage.title} ({gauges[0]} and others), so it "
                "is not reconstructed. Add its tares.",
                DataWarning,
            )
            value[:, at] = np.nan
            continue
        temperature = None
        sides = [c.name for c in linkage.corners]
        if "gauge_temperature" in log and all(side in log["corner"] for side in sides):
            by_side = [log["gauge_temperature"].sel(corner=side).to_numpy() for side in sides]
            temperature = by_side[0] if len(by_side) == 1 else np.nanmean(by_side, axis=0)
        own, columns = side_by_side(raw, at), [value[:, k] for k in at]
        zero = out[assembly] = zero_of(tares, gauges, elapsed, temperature, own, columns)
        lone.setdefault(zero.state, []).extend(
            gauge for gauge, moved in zip(gauges, zero.change, strict=True) if np.isnan(moved)
        )
        if zero.state == "pads" and linkage.tied:
            raise DataError(
                where=f"{tares.path}, {linkage.title}",
                found="tares on pads only",
                needed="tares with both wheels of a tied axle hanging",
                do="Lift both wheels clear of the ground and tare again, before and after the "
                "drive.",
            )
    for state, only in lone.items():
        if only:
            warn_of_lone(tares, only, state)
    return out


def _filtered(
    channel: xr.DataArray, beyond: NDArray[np.bool_] | None, band: Band
) -> dict[str, tuple[Any, ...]]:
    """One channel, low-passed, and the noise of hub accelerations.

    Readings marked in `beyond` (sample, ...) stay unfiltered and affect no others.
    """
    values = channel.to_numpy()
    flat = values.reshape(len(values), -1)
    if beyond is None:
        passed = low_pass(flat, band.bandwidth, band.rate, band.parts).reshape(values.shape)
    else:
        kept = copied(flat)
        kept[beyond.reshape(flat.shape)] = np.nan
        filtered = low_pass(kept, band.bandwidth, band.rate, band.parts, out=kept)
        passed = filtered.reshape(values.shape)
        passed[beyond] = values[beyond]
    out: dict[str, tuple[Any, ...]] = {str(channel.name): (channel.dims, passed, channel.attrs)}
    if channel.name == "hub_acceleration":
        gain = zero_phase_gain(band.bandwidth, band.rate)
        noise = scatter(flat[:: band.alike]) * share_passed(gain, band.alike)
        out[f"noise_{channel.name}"] = (channel.dims[1:], noise.reshape(values.shape[1:]))
    return out
