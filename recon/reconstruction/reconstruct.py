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

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, ExtrapolationWarning, PriorWarning
from recon.base.status import BIT
from recon.base.threads import one_thread
from recon.calibration.doubts import doubts_of
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.planning.unknowns import reference_of
from recon.reconstruction import inputs as given
from recon.reconstruction.causes import attitude_causes
from recon.reconstruction.features import features_of, joint_mode
from recon.reconstruction.prepare import Prepared, prepare_unit
from recon.reconstruction.result import Collected, result_of, turning
from recon.reconstruction.solve import (
    BLOCK,
    Samples,
    Solved,
    bound_wheels,
    compressed,
    forces_of,
    hidden_in_forces,
    hidden_in_sums,
    late_effect,
    spread_of,
    variances_of,
)

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.map import Calibration
    from recon.car.vehicle import Vehicle

EXCESS_SHARE = 0.005  # of what a force exceeds the largest pull; common practice, no source
TOUCHING = 1e-6  # N; the bound is met to rounding
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
    units = assemblies_of(car)
    names = [c for c in calibration.corners if given.has_gauges(log, calibration, c)]
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
        for sentence in doubts_of(calibration.corners[name], units[name]):
            text = f"calibration of corner {name}: {sentence}"
            warnings.warn(text, DataWarning, stacklevel=2)
    with one_thread():
        shared = given.shared_inputs(log, car)
        for note in shared.notes:
            warnings.warn(note, PriorWarning, stacklevel=2)
        corners = [corner.name for name in names for corner in units[name].corners]
        collected = Collected.empty(corners, shared, bounded=bounded)
        for name in names:
            _one_unit(log, calibration, car, (units[name], shared), collected)
    _warn_of_extrapolation(log, collected)
    return result_of(log, car, calibration, shared, collected)


def _one_unit(
    log: xr.Dataset, calibration: Calibration, car: Vehicle, job: tuple, out: Collected
) -> None:
    assembly, shared = job
    fitted = calibration.corners[assembly.name]
    session = given.session_of(log, car, assembly, fitted, shared)
    prepared = prepare_unit(car, assembly, fitted, session)
    samples, status = given.samples_of(log, car, assembly, fitted, shared)
    attitude = (shared.u_roll, shared.u_pitch, shared.attitude_part)
    causes = (*prepared.causes, *attitude_causes(len(assembly.corners), *attitude))
    by_mode = compressed(prepared, causes, _typical(car, assembly))
    out.keep(prepared, causes)
    size = BLOCK if len(assembly.corners) == 1 else BLOCK // 4  # tables of two wheels are larger
    for start in range(0, len(shared.elapsed), size):
        part = slice(start, min(start + size, len(shared.elapsed)))
        job = (by_mode, causes, shared.turn[..., part].astype(np.float32), out.bounded)
        out.put(part, _block(prepared, samples.block(part), job, status[:, part]))


def _typical(car: Vehicle, assembly: Assembly) -> Floats:
    sizes = [reference_of(car, corner) for corner in assembly.corners]
    forces = np.concatenate([[s.vertical, s.vertical, s.vertical, s.torque] for s in sizes])
    by_pose = np.tile(0.4 * forces, len(sizes) + 1)
    return np.concatenate([[1.0], forces, by_pose, np.full(len(sizes), 0.4)])


def _block(prepared: Prepared, samples: Samples, job: tuple, status: NDArray[np.uint16]) -> Solved:
    by_mode, causes, turn, bounded = job
    wheels = len(samples.travel)
    mode = joint_mode(samples.mode)
    force, basis = forces_of(prepared, samples)
    free = force[:, :3].copy()
    normal = turn[2]  # road normal in vehicle axes
    vertical = np.einsum("wkn,kn->wn", free, normal)
    lost = np.zeros((wheels, 3), dtype=bool)
    lost.flat[list(prepared.seen.lost)] = True
    status[lost.any(axis=1)] |= BIT["not_observable"]
    # The bound says something of a vertical force that is known, and nothing of another.
    low = (vertical < 0.0) & ~lost[:, 2:]
    any_low = np.flatnonzero(low.any(axis=0))
    if bounded and len(any_low):
        cov = spread_of(prepared, basis[:, any_low], mode[any_low])
        upward = normal[:, any_low].T.astype(np.float64)
        held = bound_wheels(_by_sample(free[..., any_low]), cov, upward, ~lost[:, 2])
        force[:, :3, any_low] = held.transpose(1, 2, 0)
        # Where the partner's bound moves a force to its own, that one is in contact too.
        touching = np.abs(np.einsum("nwk,nk->wn", held, upward)) < TOUCHING
        low[:, any_low] |= touching & ~lost[:, 2:]
        status[low] |= BIT["bound_active"]
    weights = prepared.sum_weights
    features = features_of(force, samples.travel, samples.rack, prepared.scale)
    variance, xy, of_sums = variances_of(features, mode, by_mode, len(weights))
    beyond = np.abs(force[:, :3]) - 1.02 * prepared.force_reached[..., None]
    beyond[lost] = 0.0
    status[(beyond > 0).any(axis=1)] |= BIT["beyond_pulls"]
    variance[2] += np.square(np.maximum(EXCESS_SHARE * beyond, 0.0))
    noise = prepared.u_random
    random = np.einsum("mii->im", noise)[:, mode].reshape(wheels, 3, -1).astype(np.float32)
    late = late_effect(turning(causes), features, mode)
    total = random[:, 2] + variance[:, :, 2].sum(axis=0) + late[:, 2] ** 2
    total += hidden_in_forces(prepared.hidden_by_wheel, turn)[:, 2]
    suspect = low & (vertical < -SUSPECT * np.sqrt(total))
    suspect &= samples.travel > 0.1 * np.array([[high] for _, high in prepared.table.ranges[:-1]])
    status[suspect] |= BIT["zero_or_sign_suspect"]
    level = np.einsum("ijn,wjn->win", turn, free).reshape(3 * wheels, -1)
    of_sums = of_sums + np.einsum("si,mij,sj->sm", weights, noise, weights)[:, mode]
    of_sums += hidden_in_sums(prepared, turn)
    return Solved(
        force=force,
        free=free,
        turn=turn,
        heading=prepared.table.heading.astype(np.float32) @ basis,
        random=random,
        variance=variance,
        xy=xy,
        late=late,
        status=status,
        mode=samples.mode,
        travel=samples.travel,
        sums=weights @ level,
        u_sums=np.sqrt(of_sums + (weights @ late.reshape(3 * wheels, -1)) ** 2),
    )


def _by_sample(free: NDArray[np.float32]) -> Floats:
    """(w, 3, sample) to (sample, w, 3) in double precision."""
    return free.transpose(2, 0, 1).astype(np.float64)


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
            share = float(np.mean((out.status[k] & BIT[flag]) > 0))
            if share > 0:
                warnings.warn(
                    f"{log.attrs.get('path', 'log')}, corner {name}: {100 * share:.1f} % of the "
                    f"samples have {words}. {cure} to have it covered.",
                    ExtrapolationWarning,
                    stacklevel=3,
                )
