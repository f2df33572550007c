"""Travel that is not logged, from the load of a spring whose rate the vehicle file states."""

from __future__ import annotations

import warnings
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import DataWarning, PriorWarning
from recon.calibration.calibrate import calibrate
from recon.car.vehicle import Corner, Vehicle
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.mechanics.motion import pose
from recon.mechanics.rows import rows_of
from recon.reconstruction.inputs.samples import body_of, samples_of
from recon.reconstruction.inputs.spring_travel import StatedSpring, stated_spring
from recon.reconstruction.prepare import Prepared, prepare
from recon.reconstruction.solving.solve import forces_of
from tests.days import club_car, day, exact, exact_log, states, unwarned

RATE = 40e3  # N/m of the spring


def with_rates(car: Vehicle, rate: float = RATE) -> Vehicle:
    """The car with the rate of every spring stated within 3 %."""

    def stated(corner: Corner) -> Corner:
        supports = tuple(
            replace(s, compliance=1 / rate, u_compliance=0.03 / rate) if s.kind == "spring" else s
            for s in corner.supports
        )
        return replace(corner, supports=supports)

    return replace(car, corners={name: stated(c) for name, c in car.corners.items()})


def prepared_for(log: xr.Dataset, car: Vehicle) -> Prepared:
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        return prepare(calibrate(exact("RL").pulls, car), car, log)


def test_travel_shortens_the_spring_by_its_load_over_its_rate() -> None:
    car = with_rates(exact("RL").car)
    rest = 742 * 9.80665 / 4  # N, a quarter: the car at rest, one corner described
    force = np.array(
        [[0, 0, rest], [0, 0, 2600], [0, 0, 1000], [0, 1500, 2600], [0, -1200, 1300]], dtype=float
    )
    log, tares, truth = exact_log(exact("RL"), states("RL", force))
    log = condition(log.drop_vars(["travel", "roll", "pitch"]), car, tares, bandwidth=1e9)
    prepared = prepared_for(log, car)
    (solver,) = prepared.solvers
    row, spring = stated_spring(solver), StatedSpring.of(solver)
    assert row is not None
    assert spring is not None
    body = body_of(log, car, prepared.session, prepared.to_rack)
    samples = samples_of(log, car, solver, body)
    travel = spring.travel(forces_of(solver, samples)[0][0], samples.hub)
    # The mechanism moved there has the spring shorter by what the true load asks for.
    mechanism = solver.assembly.mechanism
    longer = rows_of(mechanism, pose(mechanism, travel[:, None])).gap[:, row]
    load = truth["link_load"].sel(link="coil_over").to_numpy()[:, 0]
    assert_allclose(longer, (load - load[0]) / RATE, rtol=0.05, atol=0.7e-3)  # mm; curved motion
    assert travel[1] > 0.01  # 800 N on 40 N/mm and a lever: bump is positive
    assert travel[2] < -0.005
    assert 0.002 < spring.u(np.sqrt(np.mean(travel**2))) < 0.010


def test_no_rate_no_travel() -> None:
    car = exact("RL").car
    log, tares, _ = exact_log(exact("RL"), states("RL", np.tile([0.0, 0.0, 2000.0], (4, 1))))
    prepared = prepared_for(condition(log, car, tares, bandwidth=1e9), car)
    assert stated_spring(prepared.solvers[0]) is None


@cache
def gauges_alone(rate: float | None) -> tuple[xr.Dataset, list[str]]:
    """Forces of the day from gauges alone, the springs' rate stated or not."""
    car = club_car() if rate is None else with_rates(club_car(), rate)
    log = day().log.drop_vars([n for n in day().log.data_vars if n != "indication"])
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        forces = reconstruct(
            condition(log, car, day().tares, bandwidth=8.0), calibrate(day().pulls, car), car
        )
    return forces, [str(w.message) for w in said if w.category is PriorWarning]


def test_stated_rates_give_travels_and_roll_and_narrow_the_forces() -> None:
    # The virtual car rolls by 0.24 degrees per m/s2, bars included: 75 N/mm on its springs.
    stated, said = gauges_alone(75e3)
    blind, _ = gauges_alone(None)
    for sentence in (
        "corner RL: travel is not logged; it is calculated from the load and the stated rate",
        "roll and pitch are not logged; they are taken from the four travels",
    ):
        assert any(sentence in text for text in said), said
    # In the axes of the body; against the road an unknown lean nearly cancels.
    of_body, of_blind, of_blind_on_road = (
        np.sqrt(np.mean(f[f"u_tyre_force_{axes}"].to_numpy()[:, :, 1] ** 2))
        for f, axes in ((stated, "vehicle"), (blind, "vehicle"), (blind, "intermediate"))
    )
    assert of_body < 0.9 * of_blind
    assert of_blind_on_road < 0.9 * of_blind
    true = day().truth["travel"].to_numpy()
    off = stated["travel"].to_numpy() - true
    assert np.std(off) < 0.5 * np.std(true)
    assert np.std(true) == pytest.approx(0.012, abs=0.008)


def test_a_gap_of_the_log_is_no_travel_beyond_reach() -> None:
    """Exchanged plugs, which are tried one after another, change the travel by the spring."""
    car = with_rates(club_car(), 75e3)
    fitted = calibrate(day().pulls, car)
    rear = replace(fitted, corners={name: fitted.corners[name] for name in ("RL", "RR")})
    names = [gauge for one in rear.corners.values() for gauge in one.gauges]
    log = day().log.drop_vars([n for n in day().log.data_vars if n != "indication"])
    log = log.sel(gauge=names).isel(elapsed_time=np.r_[0:1500, 1540:3100])
    with unwarned(), warnings.catch_warnings():
        for kind in (PriorWarning, DataWarning):
            warnings.simplefilter("ignore", kind)
        forces = reconstruct(condition(log, car, day().tares, bandwidth=8.0), rear, car)
    lost = np.isnan(forces["tyre_force"].to_numpy()).any(axis=(1, 2))
    assert 0 < lost.sum() < 5
