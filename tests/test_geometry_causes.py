"""Uncertain wheel centre and loaded radius: causes against cars that really are otherwise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.calibration.calibrated import Calibration
from recon.calibration.same_car import facts_of
from recon.car.vehicle import Vehicle
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.moved_points import absolute_map
from recon.mechanics.statics import member_matrix
from recon.reconstruction.prepare import prepare
from recon.reconstruction.result.signed_errors import signed_errors
from recon.reconstruction.solving.solver import Solver
from tests.days import day, unwarned

CORNER = "FL"


def with_centre_moved(axis: int, by: float) -> tuple[Vehicle, Calibration]:
    """Car with the wheel centre [m] elsewhere, and a map that says the same of the pulls."""
    car, fitted = day().car, day().calibration.corners[CORNER]
    corner, mechanism = car.corners[CORNER], assembly_of(car, CORNER).mechanism
    centre = list(corner.wheel.centre)
    centre[axis] += by
    wheel = replace(corner.wheel, centre=(centre[0], centre[1], centre[2]))
    moved = replace(car, corners={CORNER: replace(corner, wheel=wheel)})
    before, after = (
        absolute_map(at, member_matrix(at))
        for at in (
            pose(mechanism, fitted.conditions.travel, fitted.conditions.rack, centres=c)
            for c in (mechanism.centres, mechanism.centres + by * np.eye(3)[axis])
        )
    )
    K = fitted.K @ before @ np.linalg.pinv(after)
    return moved, replace(day().calibration, corners={CORNER: replace(fitted, K=K)})


def with_radius(by: float) -> tuple[Vehicle, Calibration]:
    """Car whose wheel has another loaded radius [m]; the pulls' map stays as it is."""
    corner = day().car.corners[CORNER]
    wheel = replace(corner.wheel, loaded_radius=corner.wheel.loaded_radius + by)
    return replace(day().car, corners={CORNER: replace(corner, wheel=wheel)}), day().calibration


def forces_of(car: Vehicle, calibration: Calibration) -> xr.Dataset:
    # With facts of the real car, which may differ from the vehicle file of the calibration.
    corner = replace(calibration.corners[CORNER], facts=facts_of(car, CORNER))
    alone = replace(calibration, corners={CORNER: corner})
    with unwarned():
        return reconstruct(day().conditioned.isel(elapsed_time=slice(600, 1600)), alone, car)


def solver_of(car: Vehicle, calibration: Calibration, log: xr.Dataset) -> Solver:
    """The corner alone, prepared."""
    corner = replace(calibration.corners[CORNER], facts=facts_of(car, CORNER))
    return prepare(replace(calibration, corners={CORNER: corner}), car, log).solvers[0]


def change(ends: list[tuple[Vehicle, Calibration]]) -> np.ndarray:
    """Half the difference of the forces (sample, 3) [N] with both cars."""
    plus, minus = (
        forces_of(*end)["tyre_force_vehicle"].to_numpy()[:, 0].astype(float) for end in ends
    )
    return 0.5 * (plus - minus)


def stated(name: str, place: int) -> np.ndarray:
    """Errors (sample, 3) [N] of one cause among those whose names begin so."""
    found = forces_of(*with_radius(0.0))
    names = found["cause_name"].to_numpy().tolist()
    own = [k for k, cause in enumerate(names) if cause.startswith(f"{CORNER} {name}")]
    return signed_errors(found, np.arange(found.sizes["elapsed_time"]), "vehicle")[own[place], :, 0]


def size(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


@pytest.mark.parametrize("axis", range(3), ids=list("xyz"))
def test_causes_are_what_a_centre_elsewhere_does_to_the_forces(axis: int) -> None:
    u = day().car.corners[CORNER].wheel.u_centre
    real = change([with_centre_moved(axis, sign * u) for sign in (1, -1)])
    found = stated("hardpoints", axis - 3)  # the centre's are the last three
    assert size(real) > 0.1  # N: it does something
    # Features that are linear in travel and rack leave up to a fifth; the sign counts.
    assert size(found - real) < 0.3 * size(real)


def test_the_cause_is_what_another_loaded_radius_does_to_the_forces() -> None:
    u = day().car.corners[CORNER].wheel.u_loaded_radius
    real = change([with_radius(sign * u) for sign in (1, -1)])
    found = stated("loaded radius", 0)
    assert size(real) > 0.1  # N
    assert size(found - real) < 0.3 * size(real)


def test_a_held_hub_feels_the_moment_of_a_lower_contact_about_its_axis() -> None:
    """Mode by mode the cause is what indications per force change, seen by the estimator."""
    u, log = day().car.corners[CORNER].wheel.u_loaded_radius, day().conditioned
    here, lower = (solver_of(*with_radius(by), log) for by in (0.0, u))
    (cause,) = [c for c in here.causes if c.source.name == f"{CORNER} loaded radius"]
    at, other = (s.estimator.at(s.estimator.design) for s in (here, lower))
    assert [mode for (mode,) in here.estimator.modes] == ["rolling", "braked", "locked"]
    for m, loading in enumerate(cause.loading):
        exact = -(at[m].forces @ (other[m].H - at[m].H))[:, :3]
        found = loading[:, 1:4]  # per Fx, Fy, Fz
        # A contact 1.5 mm lower: to first order.
        np.testing.assert_allclose(found, exact, rtol=0, atol=0.02 * np.abs(exact).max())
