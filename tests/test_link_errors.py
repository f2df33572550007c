"""Signed errors of link loads against the whole chain run again with a fact of the car changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

from recon.analysis.link_loads import NEEDED
from recon.calibration.calibrate import calibrate
from recon.car.vehicle import Vehicle
from recon.conditioning.condition import condition
from recon.evaluation.links.load_errors import ForceErrors, link_errors
from recon.evaluation.links.loads_in_drive import DrivenLinks, links_of
from recon.examination.reconstruct import reconstruct
from recon.mechanics.motion import pose
from recon.mechanics.moved_points import moved_points
from recon.mechanics.statics import damper_loads
from recon.reconstruction.inputs.damper_force import usual_damper_force
from tests.days import day, solved, unwarned
from tests.suspension_days import unit_day

BAND = 35.0  # Hz
AT = np.arange(100, 700, 60)


def with_moved_point(link: str, step: float) -> Vehicle:
    """The car of the day with the outer end of a front left link `step` [m] further ahead."""
    car = day().car
    corner = car.corners["FL"]
    supports = tuple(
        replace(
            s,
            outer=replace(
                s.outer, point=(s.outer.point[0] + step, s.outer.point[1], s.outer.point[2])
            ),
        )
        if s.name == link
        else s
        for s in corner.supports
    )
    return replace(car, corners=car.corners | {"FL": replace(corner, supports=supports)})


def links(forces: xr.Dataset, car: Vehicle) -> DrivenLinks:
    """Links of the front left corner, or of its axle."""
    return links_of(
        forces, car, (car.axle_of("FL") or car.corners["FL"]).name, BAND,
        np.ones(forces.sizes["elapsed_time"], dtype=bool),
    )  # fmt: skip


def driven(car: Vehicle) -> DrivenLinks:
    """Links of the front left corner by a car, its pulls and its log solved anew."""
    if car is day().car:
        forces = day().forces
    else:
        with unwarned():
            calibration = calibrate(day().pulls, car, verification=day().checks)
            conditioned = condition(day().log, car, day().tares)
            forces = reconstruct(conditioned, calibration, car)
    return links(forces, car)


def test_a_hardpoint_that_is_off_moves_the_loads_as_its_cause_says() -> None:
    """Pulls, forces and geometry follow the point together; 2 mm move these loads by 18 N rms."""
    known = driven(day().car)
    piece = day().forces[list(NEEDED)].isel(elapsed_time=known.positions[AT])
    errors = ForceErrors.of(piece)
    causes = link_errors(known.link_map, known.inputs(AT), errors, day().car.tyre, known.by_dampers)
    points, u, _ = moved_points(known.link_map.assembly)
    rod = [s.name for s in known.link_map.assembly.supports].index("push_rod")
    move = int(np.flatnonzero(points[1:, rod, 0, 0] != points[0, rod, 0, 0])[0])
    step = float(u[1 + move]) * 1e-4  # moves are a tenth of a millimetre
    places = errors.places("FL hardpoints")
    predicted = causes[places[move]]
    found = (driven(with_moved_point("push_rod", step)).load - known.load)[:, AT].T
    size = np.sqrt(np.mean(predicted**2))
    # To first order; K is fitted anew, with priors that do not follow the point: 2 % of it.
    assert np.sqrt(np.mean((found - predicted) ** 2)) < 0.05 * size
    # Twin: the effect through the forces alone is another one.
    forces_alone = causes[places[move]] - geometry_alone(known, move)
    assert np.sqrt(np.mean((found - forces_alone) ** 2)) > 0.3 * size


def geometry_alone(known: DrivenLinks, move: int) -> np.ndarray:
    """Change of the loads (sample, link) [N] by the same forces when the point moves."""
    points, u, centres = moved_points(known.link_map.assembly)
    both = [0, 1 + move]
    tables = known.link_map.tables(2, points[both, None], centres[both, None])
    change = [(table[1] - table[0]) * u[1 + move] for table in tables]
    return known.link_map.applied(change, 2, known.inputs(AT)).T


def test_a_damper_beside_a_bar_moves_the_loads_as_its_cause_says() -> None:
    """What it adds to every gauge moves the forces, and the links carry it beside those."""
    front = unit_day("anti_roll_bar", "FL", 0)
    own = links(front.forces, front.described)
    piece = front.forces[list(NEEDED)].isel(elapsed_time=own.positions[AT])
    errors = ForceErrors.of(piece)
    causes = link_errors(own.link_map, own.inputs(AT), errors, front.described.tyre, own.by_dampers)
    mechanism = own.link_map.assembly.mechanism
    usual = usual_damper_force(front.conditioned, front.described, own.link_map.assembly)
    damper = usual * damper_loads(pose(mechanism, 0.0))[:, 0]
    damped = front.conditioned.copy(deep=True)
    damped["indication"].values[:] += front.fitted.K @ damper
    with unwarned():
        forces = solved(damped, front.calibration, front.described)
    moved = links(forces, front.described)
    # The links carry more than the forces tell by what the damper gives them.
    error = moved.load[:, AT] - own.load[:, AT] - own.by_dampers[:, :1]
    said = causes[errors.places("front dampers")[0]].T
    assert np.abs(own.by_dampers).max() > 50.0
    np.testing.assert_allclose(said, error, atol=0.1)  # N, of forces in single precision
