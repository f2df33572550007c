"""The estimator's tables over travel and rack: close between their nodes, or refused."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.base.errors import PriorWarning
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration, CornerCalibration
from recon.car.vehicle import Vehicle
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import assemblies_of
from recon.mechanics.axes import attitude_matrix
from recon.mechanics.motion import pose
from recon.reconstruction.estimator import estimator_table as table
from recon.reconstruction.estimator.assembly_estimator import estimator_of
from recon.reconstruction.inputs.session_of_log import session_of
from recon.reconstruction.solving.outputs import leak_of
from recon.reconstruction.solving.solver import Solver, solver_of
from recon.records.vehicles import read_vehicle
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from tests.days import VEHICLES, day, unwarned
from tests.shipped_mechanisms import shipped
from tests.suspension_days import without_gauge


@pytest.mark.parametrize("name", ["club_racer", "case_car"])
@pytest.mark.parametrize("corner", ["FL", "RL"])
def test_tables_over_travel_and_steer_are_close(name: str, corner: str) -> None:
    car = read_vehicle(VEHICLES / f"{name}.toml")
    one = replace(car, corners={corner: car.corners[corner]})
    rng = np.random.default_rng(9)
    drawn = draw_car(one, rng)
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        fitted = calibrate(virtual_pulls(drawn, None, rng), one).corners[corner]
        solver = solver_like(one, corner, fitted)
    # Per newton of any force: 1 N in 2 kN, below the last digit of the channels.
    assert solver.table.error.max() < 5e-4
    places = rng.uniform(*np.array(solver.table.ranges).T, (40, 2))
    basis = solver.table.basis(places[:, :1].T, places[:, 1])
    exact = solver.estimator.at(pose(solver.assembly.mechanism, places[:, :1], places[:, 1]))
    newton = solver.estimator.calibration.main_slope[:, None]  # of the gauge's own load
    for m, at in enumerate(exact):
        per_unknown, per_hub = solver.table.indications_per(m, basis)
        for found, true in ((per_unknown[..., :3], at.H[..., :3]), (per_hub, at.hub)):
            # 10 N in 5 kN at full lock and travel, half of what is left to geometry elsewhere.
            assert np.abs((found - true) / newton).max() < 2e-3
            assert np.abs((found[::-1] - true) / newton).max() > 5e-2  # twin: poses matter


def test_what_a_coarse_table_misses_is_a_stated_widening(monkeypatch: pytest.MonkeyPatch) -> None:
    some = day().conditioned.isel(elapsed_time=slice(600, 640))
    alone = replace(day().calibration, corners={"FL": day().calibration.corners["FL"]})
    with unwarned():
        fine = reconstruct(some, alone, day().car)
        monkeypatch.setattr(table, "DEGREES", (1,))
        coarse = reconstruct(some, alone, day().car)
    assert "FL table over travel and steer" in coarse["cause_name"].to_numpy().tolist()
    assert "FL table over travel and steer" not in fine["cause_name"].to_numpy().tolist()
    off = np.abs(coarse["tyre_force"] - fine["tyre_force"])
    assert float(off.max()) > 5.0  # N; twin: it misses something
    widened = np.sqrt(np.maximum(coarse["u_tyre_force"] ** 2 - fine["u_tyre_force"] ** 2, 0.0))
    # The stated share of each force covers what is missed, three times at most.
    assert float((off / (3 * widened + 1.0)).max()) < 1.0


def test_what_a_table_misses_is_told_for_each_thing_a_hub_passes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A strut whose spring has no gauge: estimates turn with the pose as the hub lets them."""
    monkeypatch.setattr(table, "DEGREES", (2,))
    car = without_gauge(shipped("strut"), "FL_spring")
    drawn = draw_car(car, np.random.default_rng(10), corners=("FL",))
    one = replace(drawn.car, corners={"FL": drawn.car.corners["FL"]}, axles={})
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        pulls = virtual_pulls(drawn, None, np.random.default_rng(10))
        fitted = calibrate(pulls, one).corners["FL"]
        solver = solver_like(one, "FL", fitted)
    estimator = estimator_of(one, solver.assembly, fitted, solver.session)
    ranges = np.array(solver.table.ranges)
    places = np.random.default_rng(11).uniform(*ranges.T, (60, 2))
    basis = solver.table.basis(places[:, :1].T, places[:, 1])
    known = [k for k in range(3) if k not in solver.outputs.lost]
    told = np.zeros(3)
    for cause in solver.causes:
        if cause.source.name == "FL table over travel and steer":
            told = np.maximum(told, np.max(np.abs(cause.loading), axis=(1, 2)))
    posed = pose(solver.assembly.mechanism, places[:, :1], places[:, 1])
    missed = np.empty(3)
    for mode, at in enumerate(estimator.at(posed)):
        W = np.einsum("bn,iob->noi", basis, solver.table.inputs[mode, : len(fitted.gauges)])
        off = (W - at.W[:, at.known_rows])[:, known] @ at.H[..., at.force_rows]
        missed[mode] = np.max(np.abs(off))
    # Largest of other sixty poses than those it was told from: within a factor of two.
    assert_allclose(np.log2(missed / told), 0.0, atol=1.0)
    assert np.max(told) > 4 * np.min(told)  # twin: one figure would not do


def test_the_degree_rises_where_the_first_is_not_fine_enough(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    some = day().conditioned.isel(elapsed_time=slice(0, 40))
    alone = replace(day().calibration, corners={"FL": day().calibration.corners["FL"]})
    with unwarned():
        usual = reconstruct(some, alone, day().car)
        monkeypatch.setattr(table, "DEGREES", (1, 7))
        risen = reconstruct(some, alone, day().car)
    # Within the error that every table is allowed, a twentieth of a percent of 5 kN.
    assert_allclose(risen["tyre_force"], usual["tyre_force"], rtol=0, atol=2.5)


def solver_like(car: Vehicle, corner: str, fitted: CornerCalibration) -> Solver:
    """The corner prepared for a quiet log with hanging tares."""
    gauges = list(fitted.gauges)
    log = xr.Dataset(
        {
            "indication": (("elapsed_time", "gauge"), np.zeros((3, len(gauges)))),
            "gauge_status": (
                ("elapsed_time", "gauge"), np.zeros((3, len(gauges)), dtype=np.uint16)
            ),
            "noise": ("gauge", fitted.noise), "u_zero": ("gauge", fitted.noise),
            "roll": ("elapsed_time", np.zeros(3)), "pitch": ("elapsed_time", np.zeros(3)),
            "steer": ("elapsed_time", np.zeros(3)),
            "travel": (("elapsed_time", "corner"), np.zeros((3, 1))),
            "hub_acceleration": (("elapsed_time", "corner", "component"), np.zeros((3, 1, 3))),
            "tare_state": ("tared_corner", ["hanging"]),
            "tare_pad_load": ("tared_corner", [np.nan]),
        },
        coords={"elapsed_time": np.arange(3.0), "gauge": gauges, "corner": [corner],
                "tared_corner": [corner], "component": ["x", "y", "z"]},
    )  # fmt: skip
    assemblies = assemblies_of(car)
    calibration = Calibration(car.name, car.checksum, "", (), {corner: fitted})
    session = session_of(log, calibration, car, assemblies)
    own = session.assemblies[corner]
    return solver_of(car, assemblies[corner], fitted, own, session.attitude)


@pytest.mark.parametrize("pitch", [0.05, -0.05])
def test_a_lost_vertical_force_leaks_into_turned_axes_as_drawn_errors_do(pitch: float) -> None:
    """Errors of Fx (60 N) and of Fz, which is lost (1500 N), that go together: correlation 0.8."""
    covariance = np.array([[3600.0, 0, 72e3], [0, 2500.0, 0], [72e3, 0, 2.25e6]])
    drawn = np.random.default_rng(61).multivariate_normal(np.zeros(3), covariance, 100_000)
    turn = attitude_matrix(0.0, pitch)
    found = np.var(drawn @ turn.T, axis=0)
    hidden = covariance - np.diag([3600.0, 2500.0, 0.0])
    more = leak_of(hidden, turn[..., None], np.eye(3))[:, 0]
    told = np.array([3600.0, 2500.0]) + more[:2]
    if pitch > 0:  # 1 % of the draw's own scatter, twice
        assert_allclose(told, found[:2], rtol=0.02)
    else:  # errors cancel, which a covariance of design height does not promise
        assert found[0] < 0.8 * told[0]
        assert_allclose(told, [3600.0, 2500.0], rtol=1e-6)
