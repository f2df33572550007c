"""Picture of a corner's forces: the parts of its interval and the lanes below."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from matplotlib.backends.backend_agg import FigureCanvasAgg
from numpy.testing import assert_allclose

from recon.base.errors import DataError
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.report.common import long_series as series
from recon.report.common.long_series import stretches, thinned
from recon.report.common.looks import PART_LOOKS
from recon.report.common.sheet import tyre_footer
from recon.report.drive.force_bands import band_pictures, lanes_of, plot_forces
from tests.days import day
from tests.pictures import require_legible


def troubled() -> xr.Dataset:
    forces = day().forces.copy(deep=True)
    status = forces["status"].values
    for part, flag in (
        (slice(300, 500), "bound_active"),
        (slice(900, 1200), "beyond_pulls"),
        (slice(1100, 1500), "doubted"),
        (slice(2500, 2600), "missing_input"),
    ):
        status[part, 0] |= BIT[flag]
    for name in forces.data_vars:
        if str(name).startswith(("tyre_force", "u_tyre_force")):
            forces[name].values[2500:2600, 0] = np.nan
    return forces


def test_every_sample_is_in_a_lane_and_those_without_a_number_in_one_only() -> None:
    lanes = lanes_of(troubled(), "FL")
    assert list(lanes) == ["measured", "at a bound", "beyond the pulls", "doubted", "not known"]
    count = np.sum(list(lanes.values()), axis=0)
    assert count.min() == 1
    assert [int(np.sum(mask)) for mask in lanes.values()][1:] == [200, 300, 400, 100]
    assert np.all(count[2500:2600] == 1)
    assert np.all(count[1100:1200] == 2)  # beyond the pulls and doubted at once


def test_a_sound_corner_is_measured_throughout() -> None:
    lanes = lanes_of(troubled(), "RR")
    assert lanes.pop("measured").all()
    assert not np.any(list(lanes.values()))


def test_the_band_is_the_half_width_divided_by_parts() -> None:
    forces = day().forces
    figure = plot_forces(forces, "FL")
    bands = [a for a in figure.axes if a.get_ylabel().startswith("half-width")]
    assert len(bands) == 3
    for i, panel in enumerate(bands):
        assert len(panel.collections) == len(PART_LOOKS)
        u = forces["u_tyre_force"].to_numpy()[:, 0, i]
        drawn = max(path.vertices[:, 1].max() for c in panel.collections for path in c.get_paths())
        assert_allclose(drawn, COVERAGE_FACTOR * u.max(), rtol=1e-5)  # single precision
        # The lowest fill is the random part: its share of the variance.
        lowest = panel.collections[0].get_paths()[0].vertices[:, 1].max()
        share = COVERAGE_FACTOR * forces["u_tyre_force_random"].to_numpy()[:, 0, i] ** 2 / u
        assert_allclose(lowest, share.max(), rtol=0.05)  # drawn at the extremes of the total
    legend = [t.get_text() for t in figure.legends[0].get_texts()]
    assert [words for _, _, words in PART_LOOKS.values()] == legend[2:]


def test_lanes_are_drawn_where_their_state_holds() -> None:
    figure = plot_forces(troubled(), "FL")
    lanes = figure.axes[-1]
    time = troubled()["elapsed_time"].to_numpy()
    spans = [c.get_paths() for c in lanes.collections]
    doubted = spans[3][0].vertices[:, 0]
    assert_allclose([doubted.min(), doubted.max()], [time[1100], time[1500]], atol=0.01)
    labels = [t.get_text() for t in lanes.get_yticklabels()]
    assert labels[3] == "doubted 13 %"
    assert "13 % doubted" in figure.texts[0].get_text()


def test_a_single_sample_beyond_the_pulls_has_its_whole_label() -> None:
    forces = day().forces.copy(deep=True)
    forces["status"].values[40, 0] |= BIT["beyond_pulls"]
    require_legible(plot_forces(forces, "FL"))


def test_a_corner_of_which_nothing_is_known_is_still_drawn() -> None:
    forces = day().forces.copy(deep=True)
    for name in forces.data_vars:
        if str(name).startswith(("tyre_force", "u_tyre_force")):
            forces[name].values[:, 2] = np.nan
    figure = plot_forces(forces, "RL")
    FigureCanvasAgg(figure).draw()
    assert "nowhere known" in figure.texts[0].get_text()
    assert "100 %" in figure.axes[-1].get_yticklabels()[4].get_text()


def test_there_is_one_picture_for_each_corner() -> None:
    assert list(band_pictures(day().forces)) == [
        "forces_FL.png", "forces_FR.png", "forces_RL.png", "forces_RR.png"
    ]  # fmt: skip


def test_files_that_are_no_forces_are_refused() -> None:
    with pytest.raises(DataError, match="without u_tyre_force_session"):
        plot_forces(day().forces.drop_vars("u_tyre_force_session"), "FL")


def test_thinning_keeps_extremes_and_both_sides_of_a_gap() -> None:
    rng = np.random.default_rng(1)
    series = rng.normal(size=(2, 50_000))
    series[0, 20_000] = 99.0
    series[1, 31_234] = -99.0
    series[:, 40_000:40_100] = np.nan
    kept = thinned(series, 300)
    assert {20_000, 31_234, 39_999, 40_000, 40_099, 40_100} <= set(kept.tolist())
    assert len(kept) < 1.1 * 300 * 4
    assert len(thinned(series[:, :600], 300)) == 600


def test_a_long_weave_is_drawn_as_round_as_it_is() -> None:
    """Its extremes alone, joined by straight lines, had made corners of all its curves."""
    forces = day().forces
    tyre = forces.isel(elapsed_time=np.arange(60_000) % forces.sizes["elapsed_time"])
    weave = np.sin(2.0 * np.pi * np.arange(60_000) / 300.0)
    for name in ("tyre_force", "tyre_force_lower", "tyre_force_upper"):
        tyre[name].values[:] = weave[:, None, None]
    tyre["elapsed_time"] = tyre["elapsed_time"].copy(data=0.02 * np.arange(60_000))
    line = plot_forces(tyre, "FL").axes[0].lines[0]
    drawn = np.interp(tyre["elapsed_time"], *line.get_data())
    assert np.abs(drawn - weave).max() < 0.1


def test_stretches_begin_half_a_sample_before_the_first() -> None:
    mask = np.array([False, True, True, False, True])
    found = stretches(mask, 0.1 * np.arange(5))
    assert_allclose(found, [(0.05, 0.2), (0.35, 0.1)])


def test_pictures_of_a_long_drive_keep_extremes_and_say_how_many_samples_they_show(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    forces = day().forces
    assert series.fewer_samples(forces) is forces
    count = forces.sizes["elapsed_time"]
    monkeypatch.setattr(series, "MOST", 200)
    monkeypatch.setattr(series, "EXTREMES", 10)
    monkeypatch.setattr(series, "SECTION", 300)
    few = series.fewer_samples(forces)
    kept = few.sizes["elapsed_time"]
    assert 150 < kept < 0.5 * count
    assert f"{kept} of {count} samples drawn" in tyre_footer(few)
    for ends in ("min", "max"):
        found, expected = (getattr(f["tyre_force"], ends)("elapsed_time") for f in (few, forces))
        np.testing.assert_array_equal(found, expected)


def test_lanes_of_a_long_drive_are_those_of_every_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    """Samples beyond the pulls are extremes, of which a thinned drive has too large a share."""
    forces = troubled()
    whole = plot_forces(forces, "FL")
    monkeypatch.setattr(series, "MOST", 200)
    monkeypatch.setattr(series, "EXTREMES", 10)
    long = plot_forces(forces, "FL")
    assert "samples drawn" in long.texts[1].get_text()
    assert "samples drawn" not in whole.texts[1].get_text()
    labels = [[t.get_text() for t in f.axes[-1].get_yticklabels()] for f in (whole, long)]
    assert labels[0] == labels[1]


def test_the_title_says_how_well_the_least_known_force_is_known() -> None:
    u = np.median(day().forces["u_tyre_force"].sel(corner="RL").to_numpy(), axis=0)
    axis, half = "xyz"[int(np.argmax(u))], COVERAGE_FACTOR * u.max()
    title = plot_forces(day().forces, "RL").texts[0].get_text()
    expected = f"F{axis}, known least, is within ± {half:.0f} N (95 %) half of the time"
    assert title == f"Forces of RL (rear left): {expected}"
