"""Slalom: half-waves, peaks with intervals, front share, and what is no slalom."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.analysis.slalom import BANDWIDTH, slalom
from recon.base.errors import DataError, DataWarning
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.conditioning.filters import low_pass
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.slalom.half_waves import TURN_SHARE, half_waves
from recon.records.results import read_result, write_result
from recon.records.sheets import GivenSection
from recon.report.answers.slalom import plot_lateral_force, slalom_summary
from tests.days import day
from tests.made_drives import Made
from tests.made_forces import RATE, stamped


def wave(cones: int, height: float = 1500.0, period: float = 2.4) -> np.ndarray:
    time = np.arange(int(cones * 0.5 * period * RATE)) / RATE
    return height * np.sin(2 * np.pi * time / period)


def alternating(cones: int = 6, shares: tuple[float, ...] = (0.8, 1.2, 0.9, 1.1)) -> Made:
    return Made(wave(cones)[:, None] * np.array(shares))


def by_hand(forces: xr.Dataset, **options: float) -> xr.Dataset:
    """Cones of forces that are a slalom by hand, all of it."""
    every = GivenSection("cones", "slalom", 0.0, float(forces["elapsed_time"][-1]))
    return slalom(forces, sections=find_sections(forces, [every]), **options)


def test_every_cone_has_its_time_side_and_peak() -> None:
    found = slalom(alternating().forces)
    assert found.sizes["cone"] == 6
    assert found["side"].to_numpy().tolist() == [1, -1, 1, -1, 1, -1]
    assert_allclose(found["cone_time"], 0.6 + 1.2 * np.arange(6), rtol=0, atol=0.01)  # 2 samples
    expected = 1500 * np.outer([1, -1, 1, -1, 1, -1], [0.8, 1.2, 0.9, 1.1])
    # 98 % quantile of a half sine: 0.05 % low; ends of the log ring a little in the filter.
    assert_allclose(found["peak_lateral_force"], expected, rtol=0.003)
    front = found["axle_peak_lateral_force"].sel(axle="front")
    assert_allclose(front, expected[:, :2].sum(axis=1), rtol=0.003)
    assert_allclose(found["front_share"], 0.5, atol=1e-6)  # 2.0 of 4.0


def test_shared_gain_widens_peaks_and_leaves_the_share_alone() -> None:
    """1 % common to all tyres: 1 % of every peak, 1 % of an axle, nothing of a share."""
    found = slalom(alternating().forces)
    for name in ("peak_lateral_force", "axle_peak_lateral_force"):
        # The mean over the top 2 % instead of the quantile itself: 0.1 %.
        ratio = found[f"u_{name}"] / np.abs(found[name])
        assert_allclose(ratio, 0.01, rtol=0.005)
        half = COVERAGE_FACTOR * found[f"u_{name}"]
        assert_allclose(found[f"{name}_upper"] - found[name], half, rtol=1e-6, atol=1e-9)
        assert_allclose(found[name] - found[f"{name}_lower"], half, rtol=1e-6, atol=1e-9)
    assert np.all(found["u_front_share"] < 1e-6)


def test_noise_is_that_at_the_bandwidth_and_does_not_lift_the_peaks() -> None:
    rng = np.random.default_rng(16)
    clean = alternating(20)
    noisy = Made(
        clean.lateral + 60 * rng.standard_normal(clean.lateral.shape), noise=60.0, gain=0.0
    )
    found, true = slalom(noisy.forces), slalom(clean.forces)
    e = (found["peak_lateral_force"] - true["peak_lateral_force"]) * found["side"]
    u = found["u_peak_lateral_force"]
    # 8 of 100 Hz pass: sqrt(0.08) of 60 N, a tenth either way for the slope of the filter, and
    # on top how far the crest's largest sample lies from its quantile: half of u at the most.
    noise = 60 * np.sqrt(0.08)
    assert np.all((0.9 * noise < u) & (u < 1.1 * noise * np.hypot(1, 0.5)))
    # 80 peaks: standard error of the mean u / 9; a third of u is what the correction may leave.
    assert abs(float(e.mean())) < 0.45 * float(u.mean())
    assert float(np.std(e)) < 1.3 * float(u.mean())  # averaging makes it smaller, never larger
    z = np.abs(e / u)
    assert float((z < COVERAGE_FACTOR).mean()) > 0.9  # 80 peaks: 2.4 %, twice


def test_ripple_on_the_crest_leaves_the_peak_open() -> None:
    """Without any other error the peak lies between the quantile and the largest sample."""
    lateral = alternating().lateral.copy()
    for cone in range(6):
        crest = int((0.6 + 1.2 * cone) * RATE)
        lateral[crest : crest + 4] *= 1.5  # 20 ms, of which the filter leaves a part
    found = slalom(Made(lateral, gain=0.0).forces)
    filtered = np.abs(low_pass(lateral, BANDWIDTH, RATE))
    largest = np.array([half.max(axis=0) for half in np.array_split(filtered, 6)])
    beyond = largest - np.abs(found["peak_lateral_force"].to_numpy())
    assert np.all(beyond > 15.0)  # N; a smooth half sine leaves less than 1 N
    # Evenly distributed between the two: the width over the root of three.
    assert_allclose(found["u_peak_lateral_force"], beyond / np.sqrt(3), rtol=1e-3)


def test_one_axle_alone_has_no_share() -> None:
    found = slalom(alternating(6, (0.8, 1.2)).forces)
    assert found["axle"].to_numpy().tolist() == ["front"]
    assert np.all(np.isnan(found["front_share"]))
    assert np.all(np.isfinite(found["peak_lateral_force"]))
    told = "RL and RR not in the forces, so no peak of the rear axle and no front share"
    assert told == found.attrs["not_known"]
    assert f"  {told}" in slalom_summary(found)


def test_one_corner_alone_goes_through_to_its_file(tmp_path: Path) -> None:
    found = by_hand(alternating(6, (0.8,)).forces)
    expected = 1200 * np.array([1, -1, 1, -1, 1, -1])
    assert_allclose(found["peak_lateral_force"][:, 0], expected, rtol=0.003)  # half sine's crest
    assert found.sizes["axle"] == 0
    xr.testing.assert_equal(read_result(write_result(found, tmp_path / "slalom.nc")), found)
    lines = slalom_summary(found)
    assert lines[3].split()[:3] == ["1", "0.60", "1199"]  # 98 % quantile: 0.05 % low
    assert "nan" not in "\n".join(lines)
    assert "  FR not in the forces, so no peak of the front axle and no front share" in lines


def test_one_lost_corner_spoils_nothing_but_its_own_sums() -> None:
    made, whole = alternating(), slalom(alternating().forces)
    made.lateral[:, 1] = np.nan
    found = slalom(made.forces)
    assert_allclose(found["cone_time"], whole["cone_time"], rtol=0, atol=0.01)
    others = [0, 2, 3]
    assert_allclose(
        found["peak_lateral_force"][:, others], whole["peak_lateral_force"][:, others], rtol=1e-9
    )
    assert np.isnan(found["peak_lateral_force"][:, 1]).all()
    for name in ("axle_peak_lateral_force", "u_axle_peak_lateral_force"):
        assert np.isnan(found[name].sel(axle="front")).all()
        assert_allclose(found[name].sel(axle="rear"), whole[name].sel(axle="rear"), rtol=1e-9)
    assert np.isnan(found["front_share"]).all()
    lines = slalom_summary(found)
    never = "  FR: lateral force never known, so it has no peak, its axle no sum"
    assert any(line.startswith(never) for line in lines)
    assert "nan" not in "\n".join(lines)


def test_a_corner_lost_half_way_leaves_the_later_cones_their_time() -> None:
    made = alternating()
    made.lateral[720:, 3] = np.nan  # from the fourth half-wave on
    found = by_hand(made.forces)
    assert_allclose(found["cone_time"], 0.6 + 1.2 * np.arange(6), rtol=0, atol=0.01)
    assert np.isfinite(found["front_share"]).to_numpy().tolist() == 3 * [True] + 3 * [False]
    assert (
        "RR: no peak at cones 4, 5, 6, forces not known over too much" in found.attrs["not_known"]
    )


def test_half_waves_of_few_samples_have_no_peak() -> None:
    """At 200 Hz a half-wave of 0.2 s has 40 samples; the 98 % quantile wants 50."""
    found = by_hand(Made(wave(8, period=0.4)[:, None] * np.ones(4)).forces, bandwidth=50.0)
    assert np.isnan(found["peak_lateral_force"]).all()
    reason = "its half-wave has fewer than the 50 samples needed"
    assert f"FL: no peak at cones 1, 2, 3, 4, 5, 6, 7, 8, {reason}" in found.attrs["not_known"]
    assert "nan" not in "\n".join(slalom_summary(found))


def test_a_half_wave_with_gaps_has_no_peak() -> None:
    made = alternating()
    made.lateral[300:420, 1] = np.nan  # half of the second half-wave (240 to 480)
    found = by_hand(made.forces)
    missing = np.isnan(found["peak_lateral_force"].to_numpy())
    assert np.argwhere(missing).tolist() == [[1, 1]]
    front = found["axle_peak_lateral_force"].sel(axle="front").to_numpy()
    assert np.isnan(front).tolist() == [False, True, False, False, False, False]


def test_a_wheel_off_the_ground_has_no_peak_there() -> None:
    forces = alternating().forces
    forces["status"].values[250:400, 2] = BIT["bound_active"]
    forces["status"].values[600:612, 0] = BIT["bound_active"]  # 5 % of the third
    found = slalom(forces)
    missing = np.isnan(found["peak_lateral_force"].to_numpy())
    assert np.argwhere(missing).tolist() == [[1, 2]]
    assert found["share_at_bound"][2, 0].item() == pytest.approx(0.05, abs=0.005)  # one sample
    lines = "\n".join(slalom_summary(found))
    assert "RL: no peak at cone 2, at a bound over too much of the half-wave" in lines
    assert "FL: at a bound in up to 5 % of the half-wave at cone 3; left out" in lines


def test_straight_running_and_small_wiggles_are_no_cones() -> None:
    quiet = 0.1 * wave(4)
    total = np.concatenate([np.zeros(400), wave(5), -quiet, np.zeros(400)])
    waves = half_waves(total, RATE)
    assert [wave.side for wave in waves] == [1, -1, 1, -1, 1]
    assert 0.1 < TURN_SHARE < 0.5
    first, last = waves[0].part, waves[-1].part
    assert first.start >= 380  # samples; the run-in stays outside, but for the filter's foot
    assert last.stop <= 400 + 5 * 240 + 20


def test_two_humps_on_one_side_are_one_cone() -> None:
    """Between them the force only touches zero: no wheel passed to the other side."""
    hump = np.abs(wave(2))
    total = np.concatenate([hump, -hump[:240], hump[:240]])
    assert [wave.side for wave in half_waves(total, RATE)] == [1, -1, 1]


@pytest.mark.parametrize(("pause", "waves"), [(0.3, 1), (4.0, 2)])
def test_a_corner_after_the_last_cone_is_a_turn_of_its_own(pause: float, waves: int) -> None:
    """Both to the right; a short dip between them makes no second turn."""
    turn = -3000.0 * np.sin(np.pi * np.arange(0, 1.2, 1 / RATE) / 1.2)
    dip = np.full(int(pause * RATE), 60.0)
    total = np.concatenate([-turn, turn, dip, 2 * turn, np.zeros(100)])
    found = half_waves(total, RATE)
    assert [wave.side for wave in found] == [1] + waves * [-1]


@pytest.mark.parametrize(("cones", "seconds"), [(1, "1.2"), (2, "2.4")])
def test_fewer_than_three_alternations_are_refused(cones: int, seconds: str) -> None:
    plural = "" if cones == 1 else "s"
    message = f"a made-up drive: {cones} alternation{plural} of the lateral force in {seconds} s"
    with pytest.raises(DataError, match=message):
        by_hand(alternating(cones).forces)


def test_the_time_that_was_searched_is_that_of_the_sections_given() -> None:
    forces = alternating(6).forces
    sections = find_sections(forces, [GivenSection("cones", "slalom", 0.0, 0.9)])
    with pytest.raises(DataError, match=r"alternations? of the lateral force in 0\.9 s; need"):
        slalom(forces, sections=sections)


def test_forces_that_are_nowhere_known_are_refused() -> None:
    made = alternating(6, (0.8, 1.2))
    made.lateral[:] = np.nan
    with pytest.raises(DataError, match="a made-up drive: no known lateral force at FL, FR"):
        slalom(made.forces)


def test_the_forces_bandwidth_is_not_exceeded() -> None:
    forces = alternating().forces.assign_attrs(bandwidth_Hz=5.0)
    note = r"a made-up drive: peaks are read at 5 Hz, the bandwidth .* 8 Hz asked for"
    with pytest.warns(DataWarning, match=note):
        assert slalom(forces).attrs["bandwidth_Hz"] == 5.0
    assert slalom(forces, bandwidth=3.0).attrs["bandwidth_Hz"] == 3.0


def test_half_of_the_rate_is_all_there_is() -> None:
    with pytest.warns(DataWarning, match="peaks are read at 100 Hz, .* 300 Hz asked for"):
        found = slalom(alternating().forces, bandwidth=300.0)
    assert found.attrs["bandwidth_Hz"] == pytest.approx(0.5 * RATE)


@pytest.mark.parametrize("bandwidth", [0.0, -8.0, np.nan])
def test_a_bandwidth_that_is_none_is_refused(bandwidth: float) -> None:
    with pytest.raises(DataError, match=f"made-up drive: bandwidth = {bandwidth:g} Hz asked for"):
        slalom(alternating().forces, bandwidth=bandwidth)


def test_ten_cones_of_the_virtual_day() -> None:
    found = slalom(day().forces)
    assert found.sizes["cone"] == 10
    # 18 m at 15 m/s; the first and the last turn are faded in and out, which moves their tops.
    assert_allclose(np.diff(found["cone_time"])[1:-1], 1.2, rtol=0, atol=0.05)
    assert_allclose(np.diff(found["cone_time"]), 1.2, rtol=0, atol=0.2)
    assert np.all(np.diff(found["side"]) != 0)
    assert np.all(np.sign(found["peak_lateral_force"]) == found["side"])
    total = np.abs(found["axle_peak_lateral_force"].sum("axle"))
    # 8.5 m/s2 wished (less where a wheel would lift) of 742 kg; axles peak at nearly one time.
    assert_allclose(total, total.mean(), rtol=0.08)
    assert 5500 < float(total.mean()) < 7000


# --- an axle whose tyres are known as a sum only -------------------------------------------


def summed(axle: str, u: float = 20.0, weights: tuple[float, float] = (1.0, 1.0)) -> xr.Dataset:
    """The alternating slalom with both tyres of one axle known together only."""
    forces = alternating().forces
    at = {"front": [0, 1], "rear": [2, 3]}[axle]
    lateral = forces["tyre_force_intermediate"].to_numpy()[:, at, 1].copy()
    for name in ("tyre_force_intermediate", "tyre_force_vehicle", "u_tyre_force_random"):
        forces[name].values[:, at, 1] = np.nan
    weight = np.zeros((1, 4, 3))
    weight[0, at, 1] = weights
    over = ("elapsed_time", "known_sum")
    with_sum = forces.assign(
        known_sum=("known_sum", ["lateral force of both only as a sum"]),
        sum_of_forces=(over, lateral @ np.array(weights)[:, None]),
        u_sum_of_forces=(over, np.full((len(lateral), 1), u)),
        sum_weight=(("known_sum", "corner", "component"), weight),
    )
    return stamped(with_sum)


@pytest.mark.parametrize("axle", ["front", "rear"])
def test_an_axle_known_as_a_sum_has_its_peaks_and_the_front_share(axle: str) -> None:
    whole, found = slalom(alternating().forces), slalom(summed(axle))
    gone = [0, 1] if axle == "front" else [2, 3]
    assert np.isnan(found["peak_lateral_force"].to_numpy()[:, gone]).all()
    assert np.isfinite(np.delete(found["peak_lateral_force"].to_numpy(), gone, axis=1)).all()
    for name in ("axle_peak_lateral_force", "front_share", "cone_time"):
        assert_allclose(found[name], whole[name], rtol=1e-6)  # single precision
    u = found["u_axle_peak_lateral_force"].sel(axle=axle).to_numpy()
    assert_allclose(u, 20.0, rtol=0.02)  # beside it the crest's own width
    # The other axle's 1 % and these 20 N may or may not be of one cause: both at full size.
    peak = np.abs(found["axle_peak_lateral_force"]).to_numpy()
    share = 0.5 * 20.0 / peak.sum(axis=1) + 0.5 * 0.01 * 0.5
    assert_allclose(found["u_front_share"], share, rtol=0.02)
    name = "FL" if axle == "front" else "RL"
    assert (
        f"{name}: lateral force never known, so it has no peak; the peak of the {axle} axle"
        in (found.attrs["not_known"])
    )


def test_a_sum_of_unequal_weights_is_wider_and_an_odd_one_is_no_axle() -> None:
    u = {
        weights: slalom(summed("rear", weights=weights))["u_axle_peak_lateral_force"]
        .sel(axle="rear")
        .to_numpy()
        for weights in ((1.0, 1.0), (1.04, 0.96))
    }
    # 4 % of a difference that is at most the sum, 2 * 1500 N, evenly spread.
    expected = np.hypot(u[1.0, 1.0], 0.04 * 3000 / np.sqrt(3))
    assert_allclose(u[1.04, 0.96], expected, rtol=0.02)
    odd = summed("rear", weights=(1.0, -1.0))
    found = slalom(odd)
    assert np.isnan(found["axle_peak_lateral_force"].sel(axle="rear")).all()
    assert (
        "RL: lateral force never known, so it has no peak, its axle no sum, and no cone"
        in (found.attrs["not_known"])
    )


def test_the_picture_has_axle_sums_with_peaks_and_the_front_share() -> None:
    forces = day().forces
    answer = slalom(forces)
    figure = plot_lateral_force(forces, answer)
    named = {panel.get_title(loc="left"): panel for panel in figure.axes}
    sums, share = named["both tyres of an axle, intermediate axes"], named["front share, 95 %"]
    drawn = [line for line in sums.lines if len(line.get_xdata()) == answer.sizes["cone"]]
    peaks = [line.get_ydata() for line in drawn if line.get_marker() in ("o", "s")]
    assert_allclose(np.stack(peaks, axis=1), answer["axle_peak_lateral_force"])
    (shares,) = (line.get_ydata() for line in share.lines if line.get_marker() == "o")
    assert_allclose(shares, 100 * answer["front_share"])
    front = forces["tyre_force_intermediate"].sel(component="y", corner=["FL", "FR"]).sum("corner")
    assert max(np.max(line.get_ydata()) for line in sums.lines) >= 0.9 * float(front.max())


def test_the_picture_of_one_axle_has_the_finding_of_the_words() -> None:
    forces = day().forces.sel(corner=["RL", "RR"])
    answer = slalom(forces)
    title = plot_lateral_force(forces, answer).texts[0].get_text()
    assert "+-" in slalom_summary(answer)[0]
    assert title == slalom_summary(answer)[0].rstrip(".").replace("+-", "± ")
