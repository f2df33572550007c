"""Load transfer: vertical loads against acceleration, and what follows from it about the car.

Gate: means over 0.1 s in which all tyres are on the ground and known.  The loads are fitted to a
constant, both accelerations, their changes (dampers, delays) and speed squared, so that quick
transitions neither enter as load transfer nor have to be left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import NoAnswerError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import AT_BOUND, BIT
from recon.car.vehicle import SIDES, Vehicle
from recon.evaluation.common.alternatives import Alternatives
from recon.evaluation.common.answer_labels import Labelled, answer_attributes, limits, plain
from recon.evaluation.common.estimate import Estimate, combined, independent
from recon.evaluation.common.short_means import short_means
from recon.evaluation.links.loads_in_drive import car_of
from recon.evaluation.load_transfer.body_motion import CHANNELS, Body, X, Y, Z, body_of
from recon.evaluation.load_transfer.centre_of_mass_height import Heights
from recon.evaluation.load_transfer.transfer_parts import PARTS, labelled_parts, obstacle, parts_of
from recon.evaluation.load_transfer.vertical_loads import Fit, Loads, middles_of
from recon.evaluation.sections.find_sections import in_parts
from recon.reconstruction.result.signed_errors import RANDOM, STATED
from recon.records.forces import SIGNED, nothing_known, require_answerable

STEP = 0.1  # s: short against a weave, long against wheel hop
LEAST_LOAD = 200.0  # N: with less a wheel is about to lift and takes part in no transfer
MOST = 1000  # means that enter, evenly spread; more would take time and tell next to nothing
KNOWN = 0.2  # of the means: a corner of which less is known is left out
FEWEST = 30
LEAST_SPREAD = 1.0  # m/s2, standard deviation of an acceleration that slopes can be read from
AIR_DENSITY = 1.2  # kg/m3
WANDER = 0.9  # of the uncertainty of a zero: its change during a drive; common practice, no source
# Standard uncertainty of a track width, m: both wheel centres are measured within some 3 mm.
# Common practice, no source.
U_TRACK = 0.004
# Of an effect, its change during a drive: gauges that are warmer than at their pulls in the mean
# mostly became so in the drive, and loads creep as long as they stand.  Common practice, no source.
DURING = {" zeros": WANDER, "thermal slope of the links": 2.0, "creep of the gauges": 1.0}
DIAGONAL = ("FL", "RR")
DIRECTIONS = ("lateral", "longitudinal")  # load transfers that the height is found from
NEEDED = ("tyre_force_intermediate", RANDOM, *SIGNED, *STATED.values())
ALONG = (*NEEDED, *CHANNELS)


@public
def load_transfer(
    forces: xr.Dataset, *, sections: xr.Dataset | None = None, vehicle: Vehicle | None = None
) -> xr.Dataset:
    """Where the load goes: slopes, front share, height of the centre of mass, downforce.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `sections` returns it; parts given by hand restrict the samples.
    vehicle : Vehicle, optional
        That of the forces: its hardpoints part the transfer in springs and links.

    Returns
    -------
    Dataset
        Each with `u_`, `_lower`, `_upper`: `load_per_lateral_acceleration` and
        `load_per_longitudinal_acceleration` (corner,) [kg], left and forward acceleration
        positive; `transfer_per_lateral_acceleration` (axle,) [kg]; with the vehicle, this in parts
        as `transfer_part` (axle, part) [kg] and `transfer_part_share` [1]; `front_share` of the
        lateral transfer [1]; `height` (direction,) [m] of the centre of mass with `stated_height`;
        `downforce_per_speed_squared` (axle,) [kg/m] and `downforce_area` [m2]; `cross_weight`
        and `cross_weight_drift` [1]; `transfer` (bin, axle) [N] against `bin_acceleration`
        (bin,) [m/s2]; `samples` that entered.  What the drive does not allow is NaN, with the
        reason in the attribute `not_given`.

    Raises
    ------
    DataError
        No result of `reconstruct`.
    NoAnswerError
        Too few samples with known loads.
    """
    require_answerable(forces, *NEEDED, "cause_name")
    drive = _drive_of(forces, sections)
    heights = Heights.of(drive.means, drive.body) if drive.whole else None
    middles = middles_of(drive.body.acceleration[:, Y])
    loads = Loads(drive.time, drive.body, float(forces["vehicle_mass"]), heights, middles)
    alternatives = Alternatives(drive.means, slice(None))
    why = _no_parts(drive, vehicle)
    parts: Labelled = {}
    if vehicle is not None and not why:
        parts = labelled_parts(parts_of(car_of(forces, vehicle), drive.means, loads, alternatives))
    answer = _answer(forces, drive, loads, loads.fitted(alternatives, _during(drive)), why)
    return answer.assign(parts).assign_coords(part=list(PARTS)) if parts else answer


def _no_parts(drive: _Drive, vehicle: Vehicle | None) -> str:
    """Why the transfer is not given in parts, "" if nothing is in the way."""
    if not drive.whole or np.isnan(drive.load).any():
        return "all four vertical forces must be known"
    if drive.spread(Y) < LEAST_SPREAD:
        return "drive corners"
    return obstacle(vehicle, drive.corners)


@dataclass(frozen=True, slots=True)
class _Drive:
    """Short means that passed the gate; `count` of them did, of `every`."""

    means: xr.Dataset
    body: Body
    corners: list[str]
    count: int
    every: int

    @property
    def whole(self) -> bool:
        """Whether all four corners are there."""
        return len(self.corners) == 4

    @property
    def time(self) -> Floats:
        """Elapsed time (sample,) [s]."""
        return np.asarray(self.means["elapsed_time"].to_numpy())

    @property
    def load(self) -> Floats:
        """Vertical forces (sample, corner) [N]."""
        return self.means["tyre_force_intermediate"].to_numpy()[..., Z]

    def by_axle(self, values: Floats, left: float, right: float) -> Floats:
        """Weighted sums (..., axle) of values (..., corner) [any unit] of both tyres of each axle.

        NaN for an axle that lacks a tyre.
        """
        out = np.full((*values.shape[:-1], len(SIDES)), np.nan)
        for a, names in enumerate(SIDES.values()):
            if set(names) <= set(self.corners):
                of_left, of_right = (values[..., self.corners.index(name)] for name in names)
                out[..., a] = left * of_left + right * of_right
        return out

    def transfer(self, load: Floats) -> Floats:
        """Half of right minus left load (..., axle) [N], from loads (..., corner)."""
        return self.by_axle(load, -0.5, 0.5)

    def spread(self, axis: int) -> float:
        """Standard deviation of the acceleration along an axis [m/s2]."""
        return float(np.std(self.body.acceleration[:, axis]))


def _drive_of(forces: xr.Dataset, sections: xr.Dataset | None) -> _Drive:
    means = short_means(forces, STEP, *ALONG)
    means.attrs["rate_Hz"] = float(means.attrs["rate_Hz"])
    body, load = body_of(means), means["tyre_force_intermediate"].to_numpy()[..., Z]
    known = np.isfinite(load).mean(axis=0) > KNOWN
    if not known.any():
        what = "no vertical force of any corner is known"
        raise nothing_known(forces, what, "one corner whose vertical force is known")
    passed = body.known
    lifted = (means["status"].to_numpy() & (AT_BOUND | BIT["zero_or_sign_suspect"])) > 0
    passed &= ~lifted.any(axis=1) & (np.nan_to_num(load, nan=np.inf) > LEAST_LOAD).all(axis=1)
    passed &= np.isfinite(load[:, known]).all(axis=1)
    passed &= in_parts(means["elapsed_time"].to_numpy(), sections)
    if passed.sum() < FEWEST:
        raise NoAnswerError(
            place_of(forces),
            f"{int(passed.sum())} means of {STEP:g} s in which all tyres are known and loaded "
            f"with {LEAST_LOAD:g} N, and the acceleration is known",
            f"at least {FEWEST}",
            "Gauge all four corners or log acceleration, roll and pitch; use a longer part.",
        )
    at = np.flatnonzero(passed)
    at = at[np.linspace(0, len(at) - 1, min(len(at), MOST)).astype(np.int64)]
    corners = corner_names(forces)
    some = means.isel(elapsed_time=at)
    return _Drive(some, body.at(at), corners, int(passed.sum()), len(passed))


def _answer(forces: xr.Dataset, drive: _Drive, loads: Loads, fit: Fit, no_parts: str) -> xr.Dataset:
    sideways, along = _allowed(drive, fit.sideways, Y), _allowed(drive, fit.along, X)
    transfer = combined(drive.transfer, sideways)
    words = "of the vertical load per acceleration"
    variables: Labelled = {
        **limits("load_per_lateral_acceleration", sideways, ("corner",), "kg",
                 f"change {words} to the left"),
        **limits("load_per_longitudinal_acceleration", along, ("corner",), "kg",
                 f"change {words} forward"),
        **limits("transfer_per_lateral_acceleration", transfer, ("axle",), "kg",
                 "lateral load transfer of an axle per acceleration"),
        **limits("front_share", _front_share(drive, transfer), (), "1",
                 "front share of the lateral load transfer, as moments"),
        **limits("height", _allowed(drive, fit.heights, Y, X), ("direction",), "m",
                 "height of the centre of mass above the road, from driving"),
        **_of_air(drive, loads, fit),
        **_of_cross_weight(drive, fit),
        **_of_bins(drive, loads, fit),
        **_stated(forces),
    }  # fmt: skip
    variables |= plain("samples", drive.count, (), "1", f"means of {STEP:g} s that entered")
    attributes = answer_attributes(
        forces,
        "Load transfer",
        gate=f"means over {STEP:g} s in which every tyre is known and carries {LEAST_LOAD:g} N; "
        f"{drive.count} of {drive.every} passed",
        assumed=_assumed(drive),
        not_given=_reasons(drive, loads, no_parts),
    )
    labels = {
        "corner": forces["corner"],
        **plain("axle", list(SIDES), ("axle",), "", "axle"),
        **plain("direction", DIRECTIONS, ("direction",), "", "load transfer used"),
    }
    return xr.Dataset(variables, coords=labels, attrs=attributes)


def _allowed(drive: _Drive, estimate: Estimate, *axes: int) -> Estimate:
    """The estimate, NaN where the acceleration along its axis varies too little.

    One axis stands for all quantities, otherwise there is one for each.
    """
    varies = np.array([drive.spread(axis) >= LEAST_SPREAD for axis in axes])
    return replace(estimate, value=np.where(varies, estimate.value, np.nan))


def _reasons(drive: _Drive, loads: Loads, no_parts: str) -> Iterator[str]:
    """Sentences on everything the drive does not allow, with reason and cure."""
    for axis, words in ((Y, "lateral"), (X, "longitudinal")):
        if drive.spread(axis) < LEAST_SPREAD:
            yield (
                f"{words} load transfer and height: the {words} acceleration varies by "
                f"{drive.spread(axis):.1f} m/s2 (standard deviation); drive a part in which it "
                f"varies by {LEAST_SPREAD:g} m/s2"
            )
    if not drive.whole:
        yield (
            "front share, heights, downforce and cross weight: only "
            f"{', '.join(drive.corners)} gauged; gauge all four corners"
        )
    elif loads.heights is not None and loads.heights.air is None:
        speed = "is not logged" if np.isnan(drive.body.speed).any() else "hardly varies"
        yield f"downforce: speed {speed}; log speed over slow and fast parts"
    for name, load in zip(drive.corners, drive.load.T, strict=True):
        if np.isnan(load).any():
            yield f"{name}: vertical force not known, so no front share, heights or cross weight"
    if no_parts:
        yield f"parts of springs and links: {no_parts}"


def _front_share(drive: _Drive, transfer: Estimate) -> Estimate:
    """Front share of the lateral load transfer as moments, from that of both axles (2,) [kg]."""
    track = drive.by_axle(drive.means["contact_point"].to_numpy()[:, Y], 1.0, -1.0)

    def share(of: Floats, wide: Floats) -> Floats:
        moment = of * wide
        return np.array([moment[0] / moment.sum()])

    measured = independent(track, np.full(len(track), U_TRACK), len(transfer.by_cause))
    return combined(share, transfer, measured)


def _of_air(drive: _Drive, loads: Loads, fit: Fit) -> Labelled:
    """Downforce of both axles per speed squared, and as an area; NaN where speed hardly varies."""
    varies = loads.heights is not None and loads.heights.air is not None
    air = replace(fit.air, value=np.where(varies, fit.air.value, np.nan))
    by_axle = combined(lambda of: drive.by_axle(of, 1.0, 1.0), air)
    area = combined(lambda of: [of.sum() / (0.5 * AIR_DENSITY)], by_axle)
    return limits(
        "downforce_per_speed_squared", by_axle, ("axle",), "kg/m", "downforce over speed squared"
    ) | limits(
        "downforce_area", area, (), "m2",
        f"downforce area (coefficient times area) at {AIR_DENSITY:g} kg/m3",
    )  # fmt: skip


def _of_cross_weight(drive: _Drive, fit: Fit) -> Labelled:
    """Share of front left and rear right in the load without acceleration, and its drift."""
    at = [drive.corners.index(name) for name in DIAGONAL if name in drive.corners]
    whole = drive.whole

    def share(constant: Floats) -> list[float]:
        return [constant[at].sum() / constant.sum() if whole else np.nan]

    def drift(constant: Floats, change: Floats) -> list[float]:
        half = change / 2
        return [share(constant + half)[0] - share(constant - half)[0]]

    words = "share of front left and rear right in the load"
    changed = combined(drift, fit.constant, fit.drift).plus_noise(_wander(drive, fit, share))
    return limits(
        "cross_weight", combined(share, fit.constant), (), "1", f"{words} without acceleration"
    ) | limits(
        "cross_weight_drift", changed, (), "1",
        f"change over the drive of the {words}",
    )  # fmt: skip


def _during(drive: _Drive) -> Floats:
    """Share (cause,) [1] of its effect by which each cause changes during the drive."""
    names = [str(name) for name in drive.means["cause_name"].data]
    ends = [next((s for e, s in DURING.items() if name.endswith(e)), 0.0) for name in names]
    return np.array(ends)


def _wander(drive: _Drive, fit: Fit, share: Callable[[Floats], list[float]]) -> Floats:
    """Standard uncertainty (1,) of a drift of the share: zeros of gauges wander as well."""
    zeros = np.flatnonzero([str(name).endswith("zeros") for name in drive.means["cause_name"].data])
    return WANDER * np.linalg.norm(combined(share, fit.constant).by_cause[zeros], axis=0)


def _of_bins(drive: _Drive, loads: Loads, fit: Fit) -> Labelled:
    count = len(loads.middles)

    def halves(of: Floats) -> Floats:
        return drive.transfer(of.reshape(count, -1)).ravel()

    words = "lateral acceleration, left positive"
    return limits(
        "transfer", combined(halves, _allowed(drive, fit.bins, Y)), ("bin", "axle"), "N",
        "lateral load transfer of an axle (half of right minus left)", (count, len(SIDES)),
    ) | plain("bin_acceleration", loads.middles, ("bin",), "m/s2", words)  # fmt: skip


def _stated(forces: xr.Dataset) -> Labelled:
    """Height of the centre of mass as the vehicle file states it."""
    value, u = (forces[name].to_numpy()[Z:] for name in ("centre_of_mass", "u_centre_of_mass"))
    ground = float(forces["contact_point"].to_numpy()[:, Z].mean())
    words = "height of the centre of mass above the road, as stated"
    return limits("stated_height", independent(value - ground, u), (), "m", words)


def _assumed(drive: _Drive) -> list[str]:
    """Sentences on everything beside the forces that the numbers rest on."""
    return [
        *drive.body.assumed,
        "heights: the body leans about an axis somewhere between the road and the centre of mass, "
        "each tyre's contact shifts by 5 +-4 mm per kN, a wheel has 0 to 1 kg m2 (common practice, "
        "no source)",
    ]
