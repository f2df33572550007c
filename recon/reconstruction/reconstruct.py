"""`reconstruct`: conditioned log and calibration to tyre forces with intervals.

In: conditioned indications, the car, its calibration.  Out: a Dataset with forces in tyre,
intermediate and vehicle axes, uncertainty in its four parts, limits and flags.  What matters
most: the load path.  What the hub gives the upright about the spin axis decides whether a
longitudinal force reaches the links at hub height or at the ground.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import DataError, DataWarning, ExtrapolationWarning, PriorWarning
from recon.base.status import BIT
from recon.base.threads import one_thread
from recon.calibration.doubts import doubts_of
from recon.car.unknowns import reference_of
from recon.reconstruction import inputs as given
from recon.reconstruction.causes import attitude_causes
from recon.reconstruction.prepare import Prepared, prepare_corner
from recon.reconstruction.result import Collected, result_of
from recon.reconstruction.solve import (
    BLOCK,
    Samples,
    Solved,
    bound_vertical,
    compressed,
    features_of,
    forces_of,
    late_effect,
    spread_of,
    variances_of,
)

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.map import Calibration
    from recon.car.vehicle import Vehicle

Floats = NDArray[np.float64]
EXCESS_SHARE = 0.005  # of what a force exceeds the largest pull; common practice, no source
SUSPECT = 3.0  # standard uncertainties below zero, with the suspension compressed


def reconstruct(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, *, bounded: bool = True
) -> xr.Dataset:
    """Tyre forces from conditioned gauge indications.

    Forces are those of the road on the tyre, ISO 8855 axes, z up.  Per time step and corner,
    the weighted least squares estimate of Fx, Fy, Fz with stated priors on the moments at the
    contact and at the hub; Fz >= 0 is met exactly.

    Parameters
    ----------
    log : Dataset (elapsed_time, gauge)
        As `condition` returns it.
    calibration : Calibration
        K (gauge, member) [unit/N] of every corner to be reconstructed.
    car : Vehicle
    bounded : bool
        Hold Fz >= 0; the unbounded value stands beside it either way.

    Returns
    -------
    Dataset
        `tyre_force` (elapsed_time, corner, component) [N] in tyre axes, the same in
        intermediate and vehicle axes, `u_tyre_force` in total and in four parts,
        `tyre_force_lower`, `tyre_force_upper` (95 %), `status` (elapsed_time, corner).

    Raises
    ------
    DataError
        The calibration belongs to another car or none of its corners is in the log.
    RankError
        No force component of a corner is seen by its gauges.

    Warns
    -----
    DataWarning
        What speaks against the calibration, corner by corner; see `doubts_of`.
    PriorWarning
        A channel is not logged and a stated widening stands for it, or a force component
        is not seen by the gauges: it is NaN, with the reason in the attribute `not_known`.
    ExtrapolationWarning
        Forces beyond the largest pull, or poses beyond the stated range.

    Notes
    -----
    Assumes rigid links with spherical ends, gauges linear within the pulls' range, hubs that
    pass no moment about the spin axis but bearing drag and the caliper's torque.
    """
    given.require_same_car(calibration, car, str(log.attrs.get("path", "log")))
    names = [
        c for c in calibration.corners if c in car.corners and given.has_gauges(log, calibration, c)
    ]
    if not names:
        raise DataError(
            str(log.attrs.get("path", "log")),
            f"no corner with all its gauges ({', '.join(calibration.corners)} are calibrated)",
            "the gauges of at least one calibrated corner",
            "Check the column map: gauges are looked up by the names of the vehicle file.",
        )
    for name in calibration.corners:
        missing = given.missing_gauges(log, calibration, name)
        if name not in names and 0 < len(missing) < len(calibration.corners[name].gauges):
            warnings.warn(
                f"{log.attrs.get('path', 'log')}: corner {name} is left out, gauge "
                f"{', '.join(missing)} is calibrated and not in the log. Map the channel, or "
                "calibrate the corner without it.",
                DataWarning,
                stacklevel=2,
            )
    for name in names:
        for sentence in doubts_of(calibration.corners[name], car.corners[name]):
            text = f"calibration of corner {name}: {sentence}"
            warnings.warn(text, DataWarning, stacklevel=2)
    with one_thread():
        shared = given.shared_inputs(log, car)
        for note in shared.notes:
            warnings.warn(note, PriorWarning, stacklevel=2)
        common = attitude_causes(shared.u_roll, shared.u_pitch, shared.attitude_part)
        collected = Collected.empty(names, shared, bounded=bounded)
        for name in names:
            _one_corner(log, calibration, car, (name, shared, common), collected)
    _warn_of_extrapolation(log, collected)
    return result_of(log, car, calibration, shared, collected)


def _one_corner(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, job: tuple, out: Collected
) -> None:
    name, shared, common = job
    corner, fitted = car.corners[name], calibration.corners[name]
    session = given.session_of(log, car, corner, fitted, shared)
    prepared = prepare_corner(car, corner, fitted, session)
    samples, status = given.samples_of(log, car, corner, fitted, shared)
    causes = (*prepared.causes, *common)
    typical = _typical(car, name)
    parts = compressed(causes, typical)
    k = out.corners.index(name)
    out.keep(k, prepared, causes)
    for start in range(0, len(status), BLOCK):
        part = slice(start, min(start + BLOCK, len(status)))
        _block(prepared, samples.block(part), (parts, shared, part), status[part], (out, k))


def _typical(car: Vehicle, name: str) -> Floats:
    size = reference_of(car, car.corners[name])
    forces = np.array([size.vertical, size.vertical, size.vertical, size.torque])
    return np.concatenate([[1.0], forces, 0.4 * forces, 0.4 * forces, [0.4]])


def _block(
    prepared: Prepared, samples: Samples, job: tuple, status: NDArray[np.uint16], target: tuple
) -> None:
    parts, shared, part = job
    out, k = target
    force, basis = forces_of(prepared, samples)
    free = force[:, :3].copy()
    turn = shared.turn[part]
    normal = turn[:, 2, :]  # road normal in vehicle axes
    vertical = np.einsum("nk,nk->n", free, normal)
    # The bound says something of a vertical force that is known, and nothing of another.
    low = (vertical < 0.0) & (2 not in prepared.lost)
    if prepared.lost:
        status |= BIT["not_observable"]
    if out.bounded and np.any(low):
        cov = spread_of(prepared, basis[low], samples.mode[low])
        force[low, :3] = bound_vertical(free[low], cov, normal[low])[0]
        status[low] |= BIT["bound_active"]
    features = features_of(force, samples.travel, samples.rack, prepared.scale)
    variance, xy = variances_of(features, samples.mode, parts)
    beyond = np.abs(force[:, :3]) - prepared.force_reached * 1.02
    beyond[:, list(prepared.lost)] = 0.0
    excess = np.where(beyond > 0, EXCESS_SHARE * beyond, 0.0)
    status[(beyond > 0).any(axis=1)] |= BIT["beyond_pulls"]
    variance[2] += (excess**2).astype(np.float32)
    random = prepared.u_random[samples.mode] ** 2
    late = late_effect(out.late(k)[0], features, samples.mode)
    total = random[:, 2] + variance[:, :, 2].sum(axis=0) + late[:, 2] ** 2
    compressed_now = samples.travel > 0.1 * prepared.travel_range[1]
    suspect = low & (vertical < -SUSPECT * np.sqrt(total)) & compressed_now
    status[suspect] |= BIT["zero_or_sign_suspect"]
    solved = Solved(
        force=force,
        free=free,
        turn=turn,
        heading=basis @ prepared.heading,
        random=random,
        variance=variance,
        xy=xy,
        late=late,
        status=status,
        mode=samples.mode,
        travel=samples.travel,
    )
    out.put(k, part, solved)


def _warn_of_extrapolation(log: xr.Dataset, out: Collected) -> None:
    for k, name in enumerate(out.corners):
        for flag, words, cure in (
            (
                "beyond_pulls",
                "forces beyond the largest pull and wider intervals",
                "Pull further, within the limits of strap and links,",
            ),
            ("beyond_pose", "travel or steer beyond the stated range; forces are NaN there",
             "State the real range in the vehicle file"),
        ):  # fmt: skip
            share = float(np.mean((out.status[:, k] & BIT[flag]) > 0))
            if share > 0:
                warnings.warn(
                    f"{log.attrs.get('path', 'log')}, corner {name}: {100 * share:.1f} % of the "
                    f"samples have {words}. {cure} to have it covered.",
                    ExtrapolationWarning,
                    stacklevel=3,
                )
