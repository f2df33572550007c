"""Verification: pulls that were not in the fit, measured by the gauges, against their loads.

The load cell that pulled the fit pulled these too: its gain is common to both and cannot show
here.  Weighing the car on pads is the check that can (`weigh_check`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.public import public
from recon.calibration.applied import Pull
from recon.calibration.calibrated import Calibration, CornerCalibration, Verification
from recon.car.vehicle import Vehicle
from recon.records.sheets import PullSheet

# Moments of the reference wrench are held to this where fewer gauges than unknowns are there,
# and left to the gauges otherwise.
HELD_MOMENT = 5.0  # N m
FREE_MOMENT = 1e5  # N m


@public
def verify(pulls: PullSheet, calibration: Calibration, car: Vehicle) -> dict[str, Verification]:
    """Errors of verification pulls in newtons per component, by corner.

    Raises
    ------
    DataError
        The sheet has no row with purpose verify for a calibrated corner.
    """
    from recon.calibration.applied import pulls_of
    from recon.mechanics.assembly import assemblies_of

    out = {}
    units = assemblies_of(car)
    for name, corner in calibration.corners.items():
        at = corner.conditions
        held_out = pulls_of(pulls, car, units[name], "verify", (at.travel, at.rack))
        if held_out:
            verification = verify_corner(corner, held_out).verification
            if verification is not None:
                out[name] = verification
    if not out:
        raise DataError(
            pulls.path,
            "no row with purpose verify for a calibrated corner",
            "verification pulls that were declared before the fit",
            "Set purpose to verify in those rows, or name the sheet that holds them.",
        )
    return out


def verify_corner(corner: CornerCalibration, pulls: list[Pull]) -> CornerCalibration:
    """The same calibration with its verification filled in."""
    parts = [_errors(corner, pull) for pull in pulls]
    return replace(
        corner,
        verification=Verification(
            pull=tuple(p.name for p in pulls for _ in range(p.load.shape[1])),
            applied=np.concatenate([np.linalg.norm(p.wrench()[:, :3], axis=1) for p in pulls]),
            reference=np.concatenate([p.wrench()[:, :3] for p in pulls]),
            error=np.concatenate([e for e, _ in parts]),
            u_error=np.concatenate([u for _, u in parts]),
        ),
    )


def _errors(corner: CornerCalibration, pull: Pull) -> tuple[Floats, Floats]:
    """Measured less reference force (step, 3) and its standard uncertainty."""
    reference = pull.wrench()
    estimator, prior = _estimator(corner, pull)
    seen = pull.indication - pull.moved @ corner.K.T
    wrench = seen @ estimator.T + reference @ prior.T
    error = wrench[:, :3] - reference[:, :3]
    # Cause by cause: K's own covariance, noise, geometry, the pull's line, readings, hysteresis.
    loads = reference @ pull.members.T
    in_gauges = corner.covariance_at(loads) + np.diag(corner.noise**2)
    variance = np.einsum("kg,sgh,kh->sk", estimator[:3], in_gauges, estimator[:3])
    variance += np.sum((pull.geometry.loads @ corner.K.T @ estimator[:3].T) ** 2, axis=0)
    for d, line in enumerate(pull.lines):
        columns = pull.columns(line)
        change = columns[:, 1:]
        effect = np.einsum("s,wk->swk", pull.load[d], change[:3] - prior[:3] @ change)
        variance += np.einsum("swk,kl,swl->sw", effect, line.covariance, effect)
        reading = pull.u_reading(pull.load[d])
        variance += (reading[:, None] * columns[:3, 0]) ** 2
    variance += _gain_variance(corner, pull, estimator, reference)
    # Friction may hold every gauge anywhere within its loop, whatever the direction.
    variance += np.sum((estimator[:3] * corner.friction) ** 2, axis=1)
    return error, np.sqrt(variance)


def _estimator(corner: CornerCalibration, pull: Pull) -> tuple[Floats, Floats]:
    """(6, gauge) and (6, 6): wrench = estimator y + prior part of the reference wrench."""
    H = corner.K @ pull.members / corner.noise[:, None]
    moment = FREE_MOMENT if len(corner.gauges) >= 6 else HELD_MOMENT
    weight = np.array([0.0, 0.0, 0.0, *[moment**-2.0] * 3])
    normal = H.T @ H + np.diag(weight)
    inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return inverse @ H.T / corner.noise, inverse @ np.diag(weight)


def _gain_variance(
    corner: CornerCalibration, pull: Pull, estimator: Floats, reference: Floats
) -> Floats:
    """Variance (step, 3) [N2] from gains: none for one device, the difference for two."""
    gauges, members = corner.K.shape
    loads = reference @ pull.members.T
    effects = dict(zip(corner.devices, corner.gain_effect, strict=True))
    out = np.zeros((len(reference), 3))
    for device in dict.fromkeys((*corner.devices, *pull.devices)):
        error = np.zeros((len(reference), 3))
        if device in effects:  # in the map, where the device pulled for the fit
            error += loads @ effects[device].reshape(gauges, members).T @ estimator[:3].T
        if device in pull.devices:  # in the reference value, where it pulled here
            d = pull.devices.index(device)
            column = pull.columns(pull.lines[d])[:3, 0]
            error += pull.u_gain[d] * pull.load[d][:, None] * column
        out += error**2
    return out
