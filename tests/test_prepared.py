"""`prepare` and `solve` as two doors: one preparation serves logs, blocks and other drives."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

import recon
from recon.base.errors import DataError, DataWarning, DoubtWarning, PriorWarning
from recon.base.status import BIT
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.reconstruction import prepare as module
from recon.reconstruction.estimator.assembly_estimator import typical_unknowns
from recon.reconstruction.estimator.sample_features import modes_in_turn
from recon.reconstruction.estimator.session import AssemblySession
from recon.reconstruction.estimator.tare_load import Tare
from recon.reconstruction.prepare import Prepared
from tests.days import day, unwarned

NAMES = ("tyre_force", "u_tyre_force", "tyre_force_upper", "tyre_force_unbounded", "hub_moment")


def some(first: int = 600, count: int = 120) -> xr.Dataset:
    """Samples of the day's conditioned log."""
    return day().conditioned.isel(elapsed_time=slice(first, first + count))


@cache
def prepared() -> Prepared:
    """The day's car, prepared once for the whole log."""
    with unwarned():
        return recon.prepare(day().calibration, day().car, day().conditioned)


def agree(found: xr.Dataset, expected: xr.Dataset) -> None:
    """Equal but for products of other shapes, which round otherwise: singles of 5 kN."""
    for name in NAMES:
        assert_allclose(found[name], expected[name], rtol=3e-6, atol=1e-2, err_msg=name)
    for name in ("status", "hub_mode", "gauge_status", "cause_name", "corner", "elapsed_time"):
        assert np.array_equal(found[name], expected[name]), name


def test_prepared_and_solved_is_reconstructed() -> None:
    with unwarned():
        agree(prepared().solve(day().conditioned), day().forces)


def test_another_calibration_takes_the_conditioned_log_as_it_is() -> None:
    """Nothing of the first solution stays in it: who corrects a calibration only solves again."""
    corners = day().calibration.corners
    other = replace(
        day().calibration,
        corners=corners | {"FL": replace(corners["FL"], K=1.02 * corners["FL"].K)},
    )
    with unwarned():
        again = reconstruct(day().conditioned, other, day().car)
        car = replace(day().car, path="elsewhere")  # without the poses that were kept
        anew = reconstruct(condition(day().log, car, day().tares), other, car)
    xr.testing.assert_identical(again.drop_attrs(), anew.drop_attrs())
    ratio = again["tyre_force"] / day().forces["tyre_force"]
    assert float(ratio.sel(corner="FL", component="z").median()) < 0.99  # twin: it is another one


def test_a_second_drive_needs_no_second_preparation() -> None:
    """Another stretch, prepared for its own session or for that of the whole day."""
    other = some(2000)
    with unwarned():
        first = prepared().solve(some())
        again = prepared().solve(other)
        own = recon.reconstruct(other, day().calibration, day().car)
        agree(prepared().solve(some()), first)  # nothing of the other drive sticks
    assert_allclose(again["tyre_force"], own["tyre_force"], rtol=3e-6, atol=1e-2)
    assert float(np.abs(again["tyre_force"].values - first["tyre_force"].values).max()) > 100  # N


@pytest.mark.parametrize("size", [1, 17, 40])
def test_blocks_one_after_the_other_are_the_whole(size: int) -> None:
    with unwarned():
        whole = prepared().solve(some(count=40))
        blocks = list(prepared().blocks(some(count=40), size))
    assert [b.sizes["elapsed_time"] for b in blocks[:-1]] == [size] * (len(blocks) - 1)
    together = xr.concat(blocks, "elapsed_time", data_vars="minimal", coords="minimal")
    agree(together, whole)


@pytest.mark.parametrize("block", [1, 37, 100])
def test_results_do_not_depend_on_blocks(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    some = day().conditioned.isel(elapsed_time=slice(600, 700))
    alone = replace(day().calibration, corners={"RL": day().calibration.corners["RL"]})
    with unwarned():
        whole = reconstruct(some, alone, day().car)
        monkeypatch.setattr(module, "BLOCK", block)
        parts = reconstruct(some, alone, day().car)
    for name in ("tyre_force", "u_tyre_force", "tyre_force_lower", "hub_moment"):
        # Products of other shapes round otherwise: single precision of 5 kN.
        assert_allclose(parts[name], whole[name], rtol=3e-6, atol=1e-2, err_msg=name)
    assert np.array_equal(parts["status"], whole["status"])


@pytest.mark.parametrize(("share", "slices"), [(0.001, True), (0.4, False)])
def test_modes_in_turn_reach_every_sample_and_long_stretches_are_slices(
    share: float, slices: bool
) -> None:
    changes = np.random.default_rng(5).uniform(size=20_000) < share
    mode = np.cumsum(changes) % 3
    found, turns = np.full(len(mode), -1), modes_in_turn(mode)
    for m, chosen in turns:
        found[chosen] = m
    assert np.array_equal(found, mode)
    assert all(isinstance(chosen, slice) for _, chosen in turns) == slices


def test_a_log_longer_than_a_block_equals_its_pieces() -> None:
    n = module.BLOCK + 1000
    some = day().conditioned.isel(elapsed_time=np.arange(n) % 3000)
    times = ("elapsed_time", np.arange(n) / 200.0, {"units": "s"})
    some = some.assign_coords(elapsed_time=times)
    alone = replace(day().calibration, corners={"FL": day().calibration.corners["FL"]})
    with unwarned():
        # Not examined: no car begins its drive anew within a sample.
        found = recon.prepare(alone, day().car, some).solve(some)
    again = np.arange(n) % 3000
    for name in ("tyre_force", "u_tyre_force"):
        values = found[name].to_numpy()
        # Single precision of 5 kN, as above.
        assert_allclose(values, values[again], rtol=3e-6, atol=1e-2, err_msg=name)


def test_a_session_can_be_changed_by_hand() -> None:
    """Ten times the noise gives ten times the random part, and nothing else."""
    session = prepared().session
    louder = {
        name: replace(
            own,
            noise=10 * own.noise,
            wheels=tuple(
                replace(w, hub_noise=tuple(10 * np.array(w.hub_noise))) for w in own.wheels
            ),
        )
        for name, own in session.assemblies.items()
    }
    with unwarned():
        loud = recon.prepare(
            day().calibration, day().car, replace(session, assemblies=louder)
        ).solve(some())
        quiet = prepared().solve(some())
    ratio = loud["u_tyre_force_random"] / quiet["u_tyre_force_random"]
    # The estimator weighs gauges otherwise once noise outweighs their other doubts.
    assert 5.0 < float(ratio.mean()) < 10.5
    assert_allclose(loud["tyre_force"], quiet["tyre_force"], rtol=0.02, atol=60.0)


def test_a_block_without_a_number_in_a_channel_has_gaps_and_no_other_source() -> None:
    log = some().copy(deep=True)
    log["travel"].values[:, 1] = np.nan
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("error", PriorWarning)
        found = prepared().solve(log)
    missing = (found["status"].to_numpy() & BIT["missing_input"]) > 0
    assert missing.all(axis=0).tolist() == [False, True, False, False]
    assert np.isnan(found["tyre_force"].to_numpy()[:, 1]).all()


Change = Callable[[xr.Dataset], xr.Dataset]


def on_pads(log: xr.Dataset) -> xr.Dataset:
    state = log["tare_state"].to_numpy().astype("<U8")
    state[0] = "pads"
    return log.assign(tare_state=("tared_corner", state))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda log: log.drop_vars("travel"), r"virtual log, corner FL: no channel travel"),
        (lambda log: log.drop_vars("roll"), r"virtual log: no channel roll"),
        (lambda log: log.drop_vars("hub_acceleration"), r"corner FL: no channel hub_acceleration"),
        (lambda log: log.isel(tared_corner=[0, 1, 2]), r"virtual log: no tare of corner RR"),
        (on_pads, r"corner FL: a tare on pads of nan N; need a tare with wheels hanging"),
        (
            lambda log: log.drop_sel(gauge="RR_toe_link"),
            r"virtual log, corner RR: no gauge RR_toe_link",
        ),
    ],
)
def test_a_log_that_lacks_what_was_prepared_is_refused(change: Change, message: str) -> None:
    with pytest.raises(DataError, match=message):
        prepared().solve(change(some()))


# --- status by gauge -------------------------------------------------------------------------


def test_status_by_gauge_names_the_channel_that_was_dead() -> None:
    raw = day().log.copy(deep=True)
    names = [str(g) for g in raw["gauge"].to_numpy()]
    stuck, clipped = names.index("FL_tie_rod"), names.index("RR_toe_link")
    raw["indication"].values[500:800, stuck] = raw["indication"].values[500, stuck]
    raw["indication"].values[1500:1510, clipped] = 1e4
    log = recon.condition(raw, day().car, day().tares)
    with unwarned(), pytest.warns(DoubtWarning, match="one constant from 2.50 to 4.00 s"):
        found = recon.reconstruct(log, day().calibration, day().car)
    flags = found["gauge_status"]
    assert flags.dims == ("elapsed_time", "gauge")
    assert flags.dtype == np.uint16
    assert "channel_flat" in str(flags.attrs["flag_meanings"])
    flat = (flags & BIT["channel_flat"]) > 0
    at_end = (flags & BIT["channel_clipped"]) > 0
    assert [str(g) for g in flags["gauge"].to_numpy()[flat.any("elapsed_time")]] == ["FL_tie_rod"]
    assert np.flatnonzero(flat.sel(gauge="FL_tie_rod")).tolist() == list(range(500, 800))
    assert [str(g) for g in flags["gauge"].to_numpy()[at_end.any("elapsed_time")]] == [
        "RR_toe_link"
    ]
    # The corner does without it there; ten samples of the other are not worth a second solver.
    left_out = (found["status"] & BIT["gauge_left_out"]) > 0
    assert np.array_equal(left_out.sel(corner="FL"), flat.sel(gauge="FL_tie_rod"))
    assert not left_out.sel(corner="RR").any()
    unknown = np.isnan(found["tyre_force"].sel(corner="RR")).all("component")
    assert np.array_equal(unknown, at_end.sel(gauge="RR_toe_link"))


def test_a_gauge_that_died_after_its_tares_widens_its_corner_alone() -> None:
    """It stands still from end to end; what it showed at the tares is no measure of its drift."""
    raw = day().log.copy(deep=True)
    names = [str(g) for g in raw["gauge"].to_numpy()]
    raw["indication"].values[:, names.index("FL_tie_rod")] = 0.25
    log = recon.condition(raw, day().car, day().tares)
    assert np.isfinite(log["u_zero"]).all()
    with unwarned(), pytest.warns(DoubtWarning, match=r"FL: dead \(FL_tie_rod\)"):
        found = recon.reconstruct(log, day().calibration, day().car)
    wider = (found["u_tyre_force"] / day().forces["u_tyre_force"]).mean("elapsed_time")
    assert float(wider.sel(corner="FL", component="y")) > 1.5
    error = (found["tyre_force_intermediate"] - day().truth["tyre_force_intermediate"]).sel(
        corner="FL"
    )
    z = error / found["u_tyre_force_intermediate"].sel(corner="FL")
    assert np.all(np.sqrt((z**2).mean("elapsed_time")) < 2.5)
    dead = ((found["gauge_status"] & BIT["channel_flat"]) > 0).all("elapsed_time")
    assert [str(g) for g in dead["gauge"].to_numpy()[dead]] == ["FL_tie_rod"]
    others = found["tyre_force"].sel(corner=["FR", "RL", "RR"])
    assert np.array_equal(others, day().forces["tyre_force"].sel(corner=others["corner"]))


# --- dead gauges -----------------------------------------------------------------------------


def silent(own: AssemblySession) -> AssemblySession:
    first = np.arange(len(own.noise)) == 0
    return replace(own, noise=np.where(first, 0, own.noise), u_zero=np.where(first, 0, own.u_zero))


def test_a_gauge_that_shows_nothing_anywhere_is_refused_by_name() -> None:
    """No noise in the drive, nothing in the pulls: its row of V would be zero."""
    fitted = day().calibration.corners["FL"]
    session = prepared().session
    alone = replace(session, assemblies={"FL": silent(session.assemblies["FL"])})
    K, friction = fitted.K.copy(), fitted.friction.copy()
    covariance = fitted.covariance_by_source.copy()
    own = slice(0, K.shape[1])
    K[0], friction[0], covariance[:, own], covariance[:, :, own] = 0.0, 0.0, 0.0, 0.0
    spoiled = {"K": K, "covariance_by_source": covariance, "friction": friction}
    dead = replace(fitted, **spoiled, verdict=None)
    calibration = replace(day().calibration, corners={"FL": dead})
    message = rf"gauge {fitted.gauges[0]}: a standard uncertainty of 0 from noise, zero and"
    doubt = pytest.warns(DataWarning, match=rf"gauge {fitted.gauges[0]} answers 0\.00 times")
    with unwarned(), doubt, pytest.raises(DataError, match=message):
        recon.prepare(calibration, day().car, alone)


def test_a_gauge_without_noise_alone_is_no_trouble() -> None:
    """Its calibration and friction still say how far it can be trusted."""
    session = prepared().session
    alone = replace(session, assemblies={"FL": silent(session.assemblies["FL"])})
    with unwarned():
        found = recon.prepare(day().calibration, day().car, alone).solve(some())
        usual = prepared().solve(some()).sel(corner=["FL"])
    assert np.isfinite(found["u_tyre_force"]).all()
    assert_allclose(found["tyre_force"], usual["tyre_force"], rtol=0.01, atol=30.0)


def test_a_zero_that_is_no_number_is_refused_by_name() -> None:
    session = prepared().session
    own = session.assemblies["RL"]
    broken = replace(own, u_zero=own.u_zero * np.where(np.arange(len(own.u_zero)) == 2, np.nan, 1))
    alone = replace(session, assemblies={"RL": broken})
    name = day().calibration.corners["RL"].gauges[2]
    with pytest.raises(DataError, match=rf"gauge {name}: a standard uncertainty of nan"):
        recon.prepare(day().calibration, day().car, alone)


def test_tares_in_words() -> None:
    assert str(Tare("pads", 1700.0)) == "a tare on pads of 1700 N"
    assert str(Tare()) == "a tare with wheels hanging"


# --- causes ----------------------------------------------------------------------------------


def test_causes_are_told_apart_by_source_and_shared_by_it() -> None:
    solvers = prepared().solvers
    for solver in solvers:
        sources = [cause.source for cause in solver.causes]
        assert len(set(sources)) == len(sources)
    shared = set.intersection(*({c.source for c in s.causes} for s in solvers))
    names = {source.name for source in shared}
    assert {"roll of the body", "pitch of the body", "thermal slope of the links"} <= names
    assert {"creep of the gauges", "friction while loads build up"} <= names
    # Devices of the pulls are one error of all corners, hardpoints are each corner's own.
    assert any(name.endswith("gain") for name in names)
    assert not any("hardpoints" in name for name in names)
    scopes = dict(zip(day().forces["cause_name"].values, day().forces["cause_scope"].values,
                      strict=True))  # fmt: skip
    assert scopes["FL zeros"] == "session"
    assert scopes["FL pulls"] == "calibration"
    assert scopes["FL hardpoints"] == "car"


def test_friction_of_one_share_of_every_load_takes_that_share_of_every_force() -> None:
    """Half-widths of 0.2 % of usual indications: all forces read 0.2 % low while they build up."""
    corner = day().calibration.corners["FL"]
    estimator = prepared().solvers[0].estimator
    design = estimator.at(estimator.design)[0]
    usual = np.sqrt(np.mean((design.H @ typical_unknowns(estimator.usual_load).T) ** 2, axis=1))
    same = replace(corner, friction=0.002 * usual)
    rubbing = replace(day().calibration, corners=day().calibration.corners | {"FL": same})
    solver = recon.prepare(rubbing, day().car, prepared().session).solvers[0]
    by_name = {cause.source.name: cause.loading[0] for cause in solver.causes}
    forces = by_name["friction while loads build up"][:, 1:4]
    # Gauges know forces within their priors, to a thousandth of them.
    assert_allclose(forces, -0.002 * np.eye(3), atol=0.002 * 0.02)
    assert_allclose(by_name["creep of the gauges"][:, 1:4], 1e-3 * np.eye(3), atol=1e-12)
    # Twin: one gauge alone that rubs spoils the shares.
    alone = replace(corner, friction=0.002 * usual * (np.arange(len(usual)) == 2))
    rubbing = replace(rubbing, corners=rubbing.corners | {"FL": alone})
    solver = recon.prepare(rubbing, day().car, prepared().session).solvers[0]
    by_name = {cause.source.name: cause.loading[0] for cause in solver.causes}
    forces = by_name["friction while loads build up"][:, 1:4]
    assert np.max(np.abs(forces + 0.002 * np.eye(3))) > 0.001
