"""Pictures: what is drawn, what is left out, and that everything can be read."""

import re
import subprocess
import sys

import numpy as np
import pytest
import xarray as xr

from recon.base.errors import DataError
from recon.base.status import BIT
from recon.calibration.calibrated import (
    Calibration,
    Conditions,
    CornerCalibration,
    Quality,
    Verification,
)
from recon.report.answers.friction import plot_friction_plane
from recon.report.answers.slalom import plot_lateral_force
from recon.report.calibration.crosstalk import plot_crosstalk
from recon.report.calibration.verification import plot_verification
from recon.report.drive.horizontal_forces import plot_horizontal_forces
from tests.made_forces import ALL, forces_of, lose
from tests.pictures import labels_of, legend_of, lightness, panel_named, require_legible

WITHIN_95 = 1.9599640  # standard deviations of a normal distribution, from tables


def slalom_of(*times):
    return xr.Dataset({"cone_time": ("cone", list(times))})


def corner_of(name, verification=True):
    K = np.array([[-80e-6, 4e-6, -2e-6], [1e-6, 60e-6, 6e-6]])
    geometry = np.array([[-78e-6, 0.0, 0.0], [np.nan] * 3])
    error = np.array([[5.0, -5.0, 0.0], [30.0, 10.0, -10.0]])
    checks = Verification(
        pull=("side", "side"),
        applied=np.array([1000.0, 2000.0]),
        reference=np.zeros((2, 3)),
        error=error,
        u_error=np.full((2, 3), 10.0),
    )
    return CornerCalibration(
        corner=name,
        gauges=(f"{name}1", f"{name}2"),
        units=("mV/V", "mV/V"),
        members=("upper_front", "lower_rear", "push_rod"),
        arms=np.ones(3),
        K=K,
        sources=("all",),
        covariance_by_source=np.eye(6)[None] * (0.4e-6) ** 2,
        devices=("strap",),
        gain_effect=np.zeros((1, 6)),
        K_geometry=geometry,
        noise=np.full(2, 1e-4),
        friction=np.zeros(2),
        conditions=Conditions(0.0, 0.0, 20.0, np.full(3, 3000.0), np.zeros(2), np.full(2, 1e-3)),
        quality=Quality(0.002, 1.0, 10.0, np.ones(3), "none", (), (), ()),
        verification=checks if verification else None,
    )


def calibration_of(*corners, verification=True):
    return Calibration(
        "Invented racer", "0" * 64, "2031-05-04T10:00:00", (),
        {c: corner_of(c, verification) for c in corners},
    )  # fmt: skip


PICTURES = {
    "lateral": lambda c: plot_lateral_force(forces_of(c), slalom_of(0.25, 0.75, 1.25)),
    "lateral of a run": lambda c: plot_lateral_force(with_trouble(c)),
    "plane": lambda c: plot_horizontal_forces(forces_of(c)),
    "friction": lambda c: plot_friction_plane(forces_of(c)),
    "cross-talk": lambda c: plot_crosstalk(calibration_of(*c), c[0]),
    "verification": lambda c: plot_verification(calibration_of(*c)),
}


def with_trouble(corners):
    forces = forces_of(corners)
    forces["status"][100:150, 0] = BIT["bound_active"]
    lose(forces, slice(300, 400), corners[0], "missing_input")
    lose(forces, slice(600, 640), corners[0], "channel_flat", "channel_clipped")
    return forces


@pytest.mark.parametrize("corners", [ALL, ("RL",)], ids=["four corners", "one corner"])
@pytest.mark.parametrize("picture", PICTURES)
def test_words_are_inside_the_picture_apart_and_large_enough(picture, corners):
    require_legible(PICTURES[picture](corners))


@pytest.mark.parametrize("picture", PICTURES)
def test_every_labelled_axis_has_a_unit_and_the_footer_says_axes_and_bandwidth(picture):
    figure = PICTURES[picture](ALL)
    quantities = [label for label in labels_of(figure) if label != "gauge"]
    assert quantities
    for label in quantities:
        assert re.search(r"\[(N|s|1|% of main slope)\]$", label), label
    footer = figure.texts[-1].get_text()
    assert "bandwidth" in footer
    if picture.startswith(("lateral", "plane")):
        assert footer.startswith("tyre axes, 125 Hz bandwidth")


def test_a_bandwidth_that_nobody_stated_is_not_made_up():
    forces = forces_of()
    forces.attrs = {}
    assert "bandwidth not stated" in plot_friction_plane(forces).texts[-1].get_text()


def test_cones_that_stand_close_are_not_all_numbered() -> None:
    """Ten within 60 ms, long after the first one: their numbers would lie on each other."""
    figure = plot_lateral_force(forces_of(), slalom_of(0.1, *np.linspace(1.6, 1.66, 10)))
    texts = [note.get_text() for note in figure.axes[0].texts]
    assert texts[:2] == ["1", "2"]
    assert len(texts) < 6
    assert len(figure.axes[0].lines) == 12  # the force and every cone


def test_lateral_force_has_a_panel_for_each_corner_with_cones_between_its_limits():
    figure = plot_lateral_force(forces_of(), slalom_of(0.5, np.nan, 1.0, 1.25))
    for k, corner in enumerate(ALL):
        panel = panel_named(figure, corner)
        assert "half-width 100 N" in panel.get_title(loc="left")
        # Cone 2 was not found: the others keep their numbers.
        assert [t.get_text() for t in panel.texts] == ["1", "3", "4"]
        marks = [np.mean(line.get_xdata()) for line in panel.lines[1:]]
        np.testing.assert_allclose(marks, [0.5, 1.0, 1.25])
        # One mean spacing of cones, 0.375 s, on either side; samples lie 2 ms apart.
        np.testing.assert_allclose(panel.get_xlim(), [0.125, 1.625], atol=0.002)
        np.testing.assert_allclose(panel.lines[0].get_ydata().max(), 2000 + 100 * k, rtol=1e-4)
    assert "cone" in legend_of(figure)
    assert "95 % interval" in legend_of(figure)
    assert figure.texts[0].get_text().endswith("largest sample 2.30 ± 0.10 kN (RR, 95 %)")


def test_interval_is_drawn_at_its_limits():
    figure = plot_lateral_force(forces_of(("FR",)))
    band = panel_named(figure, "FR").collections[0].get_paths()[0].vertices
    np.testing.assert_allclose([band[:, 1].min(), band[:, 1].max()], [-2100, 2100])


def test_thinning_keeps_lonely_peaks_and_gaps():
    forces = forces_of(("FL",), samples=50_001)
    forces["tyre_force"][31_313, 0, 1] = 9876.5
    forces["tyre_force"][12_345, 0, 1] = -8765.4
    forces["tyre_force_upper"][40_404, 0, 1] = 9999.0
    lose(forces, slice(20_000, 20_003), "FL", "missing_input")
    panel = panel_named(plot_lateral_force(forces), "FL")
    time, force = panel.lines[0].get_data()
    assert len(time) <= 4010  # 4000 and the sides of one gap
    assert np.nanmax(force) == 9876.5
    assert np.nanmin(force) == -8765.4
    assert time[np.nanargmax(force)] == 31_313 / 500
    band = np.concatenate([p.vertices for p in panel.collections[0].get_paths()])
    assert band[:, 1].max() == 9999.0
    # The line is broken inside the gap of three samples.
    assert np.isnan(force[(time >= 40.0) & (time < 40.006)]).all()
    assert ((time >= 40.0) & (time < 40.006)).any()


def test_missing_numbers_are_shaded_and_named_by_cause():
    figure = plot_lateral_force(with_trouble(ALL))
    legend = legend_of(figure)
    assert "not known: missing input" in legend
    assert "not known: channel flat and channel clipped" in legend
    spans = [
        (p.get_x(), p.get_x() + p.get_width(), p.get_hatch())
        for p in panel_named(figure, "FL").patches
    ]
    assert len(spans) == 2
    np.testing.assert_allclose(sorted(spans)[0][:2], [0.599, 0.799])
    np.testing.assert_allclose(sorted(spans)[1][:2], [1.199, 1.279])
    assert len({hatch for _, _, hatch in spans}) == 2
    assert not panel_named(figure, "FR").patches
    sound = legend_of(plot_lateral_force(forces_of()))
    assert "not known" not in sound
    assert "held" not in sound


def test_held_stretches_stand_in_a_lane_below_the_force():
    figure = plot_lateral_force(with_trouble(("FL",)))
    assert "at a bound" in legend_of(figure)
    panel = panel_named(figure, "FL")
    assert "at a\nbound" in [t.get_text() for t in panel.texts]
    bars = panel.collections[1].get_paths()
    assert len(bars) == 1
    np.testing.assert_allclose(
        [bars[0].vertices[:, 0].min(), bars[0].vertices[:, 0].max()], [0.199, 0.299]
    )
    low, high = panel.get_ylim()
    lane = low + bars[0].vertices[:, 1].max() * (high - low)
    assert lane < -2100  # lowest limit of the interval


def test_a_tyre_that_is_nowhere_known_is_said_to_be_so():
    forces = forces_of(("FL", "FR"))
    lose(forces, slice(None), "FL", "channel_flat")
    figure = plot_lateral_force(forces)
    assert panel_named(figure, "FL front left, nowhere known")
    lose(forces, slice(None), "FR", "channel_flat")
    assert "nowhere known" in plot_lateral_force(forces).texts[0].get_text()
    for plot in (plot_friction_plane, plot_horizontal_forces):
        assert "none known" in plot(forces).texts[0].get_text()


@pytest.mark.parametrize("picture", ["plane", "verification"])
def test_marks_stay_apart_in_grey(picture):
    entries = PICTURES[picture](ALL).legends[0].legend_handles
    marked = [h for h in entries if h.get_marker() not in {"None", None}]
    filled = [h for h in marked if h.get_markerfacecolor() != "none"]
    assert len({h.get_marker() for h in filled}) == len(filled) >= 3
    shades = sorted(lightness(h.get_color()) for h in filled)
    assert min(np.diff(shades)) > 0.1  # of the way from black to white


def test_crosstalk_shows_measured_predicted_and_own_slope():
    figure = plot_crosstalk(calibration_of("FL", "RR"), "RR")
    (panel,) = figure.axes
    assert [t.get_text() for t in panel.get_yticklabels()] == [
        "RR1", "RR2\nprediction\nnot stated",
    ]  # fmt: skip
    heads, cells = panel.texts[:3], panel.texts[3:]
    assert [t.get_text() for t in heads] == ["upper front", "lower rear", "push rod"]
    # Each member has a column about a zero of its own, below its name.
    zeros = [t.get_position()[0] for t in heads]
    own = [t.get_position()[0] for t in cells]
    assert own == [zeros[0], zeros[1]]
    push_rod = [bar for bar in panel.patches if bar.get_x() in (zeros[2], zeros[2] - 2.5)]
    widths = [bar.get_width() for bar in panel.patches[2::3]]
    np.testing.assert_allclose(widths, [-2.5, 10.0])  # -2/80 and 6/60 in percent
    assert len(push_rod) == 2
    whiskers = next(c for c in panel.collections if len(c.get_segments()) == 6).get_segments()
    # of 0.4e-6 over 80e-6, in percent, on either side of the bar's end
    half = WITHIN_95 * 0.5
    np.testing.assert_allclose(whiskers[2][:, 0] - zeros[2], [-2.5 - half, -2.5 + half])
    predicted = next(line for line in panel.lines if line.get_markersize() > 15)
    np.testing.assert_array_equal(predicted.get_xdata()[2::3] - zeros[2], [0.0, np.nan])
    ticks = [t.get_text() for t in panel.get_xticklabels()]
    assert ticks == ["\N{MINUS SIGN}6", "0", "6"] * 3
    assert [t.get_text() for t in cells] == [
        "−0.08000 ± 0.00078\nmV/V per kN\npredicted −0.07800",
        "0.06000 ± 0.00078\nmV/V per kN\nnone predicted",
    ]
    assert figure.texts[0].get_text() == "Cross-talk of RR rear right: up to 10.0 % of main slope"
    for word in ("measured", "95 % interval", "predicted", "main slope"):
        assert word in legend_of(figure)


def test_crosstalk_of_a_corner_without_calibration_is_refused():
    with pytest.raises(DataError, match=r"Invented racer: no calibration of corner 'FX'.*'F[LR]'"):
        plot_crosstalk(calibration_of("FL", "FR"), "FX")


def test_verification_counts_and_rings_what_lies_outside():
    calibration = calibration_of("FL", "FR")
    figure = plot_verification(calibration)
    # Of 6 components a corner, 30 N lies outside 1.96 times 10 N.
    assert figure.texts[0].get_text().startswith("Verification: 10 of 12 errors (83 %) inside")
    titles = [a.get_title(loc="left") for a in figure.axes]
    assert "2 of 4 errors (50 %)" in titles[0]
    assert "4 of 4 errors (100 %)" in titles[1]
    rings = [line for line in figure.axes[0].lines if line.get_markerfacecolor() == "none"]
    for ring in rings:
        np.testing.assert_array_equal(ring.get_data(), [[2000.0], [30.0]])
    assert len(rings) == 2
    claimed = figure.axes[0].collections[0].get_segments()
    np.testing.assert_allclose(claimed[0], [[1000, -10 * WITHIN_95], [1000, 10 * WITHIN_95]])
    assert "FL front left" in legend_of(figure)
    assert "RL" not in legend_of(figure)


def test_a_calibration_without_verification_is_refused():
    with pytest.raises(DataError, match=r"Invented racer: no verification at any of .*RL, RR"):
        plot_verification(calibration_of("RL", "RR", verification=False))


def test_corners_without_verification_are_left_out():
    calibration = calibration_of("FL", "FR")
    calibration.corners["FR"] = corner_of("FR", verification=False)
    assert "FR" not in legend_of(plot_verification(calibration))


def test_the_door_loads_no_plot_library_until_a_picture_is_wanted():
    code = (
        "import sys, recon; [getattr(recon, n) for n in recon.__all__ if n.startswith('plot')]; "
        "print(sorted({'matplotlib', 'xarray', 'pandas', 'scipy'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_settings_of_the_plot_library_stay_untouched():
    import matplotlib

    before = dict(matplotlib.rcParams)
    for draw in PICTURES.values():
        draw(("FL",))
    assert dict(matplotlib.rcParams) == before
