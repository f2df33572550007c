"""Pictures of the road plane: forces in newtons, friction in ratios, the same circles and steps."""

from __future__ import annotations

import re

import numpy as np

from recon.analysis.braking import braking
from recon.base.status import BIT
from recon.report.answers.braking import plot_braking
from recon.report.answers.friction import plot_friction_plane
from recon.report.drive.horizontal_forces import plot_horizontal_forces
from tests.made_car import G, MadeCar
from tests.made_forces import forces_of, lose
from tests.pictures import legend_of, panel_named


def drawn_points(panel):
    dots = [line for line in panel.lines if line.get_linestyle() == "None"]
    return np.concatenate([np.column_stack(line.get_data()) for line in dots])


def test_the_road_plane_leaves_bounded_and_missing_samples_out_and_counts_them():
    forces = forces_of()
    forces["tyre_force"][10, 1] = [5555.0, 0.0, 0.0]
    forces["status"][10, 1] = BIT["bound_active"] | BIT["beyond_pulls"]
    forces["status"][11, 1] = BIT["beyond_pulls"]
    lose(forces, slice(20, 25), "FR", "missing_input")
    figure = plot_horizontal_forces(forces)
    points = drawn_points(panel_named(figure, "FR"))
    assert len(points) == 995
    assert points[:, 0].max() < 1000
    title = panel_named(figure, "FR").get_title(loc="left")
    assert "995 samples drawn" in title
    assert "1 at a bound, 5 not known" in title
    assert len(drawn_points(panel_named(figure, "FL"))) == 1001


def test_the_road_plane_has_one_scale_and_round_circles():
    figure = plot_horizontal_forces(forces_of())
    assert len(figure.axes) == 4
    assert len({(a.get_xlim(), a.get_ylim()) for a in figure.axes}) == 1
    for panel in figure.axes:
        assert panel.get_aspect() == 1
        assert panel.get_xlim() == panel.get_ylim()
        circles = [line for line in panel.lines if line.get_linestyle() != "None"]
        radii = [np.unique(np.round(np.hypot(*c.get_data()), 6)) for c in circles]
        assert [f"{r[0] / 1000:g} kN" for r in radii] == [t.get_text() for t in panel.texts]
        assert all(len(r) == 1 for r in radii)


def test_the_friction_plane_is_in_ratios_and_leaves_light_wheels_out():
    forces = forces_of(("FL",))
    light = forces["tyre_force"][:, 0, 2].to_numpy() < 800.0
    figure = plot_friction_plane(forces)
    points = drawn_points(figure.axes[0])
    assert len(points) == np.sum(~light)
    force = forces["tyre_force"].to_numpy()[~light, 0]
    wanted = force[:, :2] / force[:, 2:]
    np.testing.assert_allclose(np.sort(points, axis=0), np.sort(wanted, axis=0))
    assert f"{np.sum(light)} below 800 N" in figure.axes[0].get_title(loc="left")
    assert "Fx/Fz" in figure.axes[0].get_xlabel()


def test_vertical_force_shows_in_three_named_steps():
    forces = forces_of(("FL",))
    panel = plot_horizontal_forces(forces).axes[0]
    legend = legend_of(plot_horizontal_forces(forces))
    low, high = map(float, re.search(r"middle: Fz (\d+) N to (\d+) N", legend).groups())
    assert f"light: Fz below {low:.0f} N" in legend
    assert f"heavy: Fz above {high:.0f} N" in legend
    vertical = forces["tyre_force"][:, 0, 2].to_numpy()
    counts = [
        np.sum(vertical < low),
        np.sum((vertical >= low) & (vertical < high)),
        np.sum(vertical >= high),
    ]
    dots = {
        line.get_marker(): len(line.get_xdata())
        for line in panel.lines
        if line.get_linestyle() == "None"
    }
    assert sorted(dots.values()) == sorted(counts)
    assert len(dots) == 3


def test_the_largest_force_of_the_road_plane_has_its_interval():
    forces = forces_of(("FL", "FR"))
    forces["u_tyre_force"][7, 1] = [30.0, 40.0, 10.0]
    forces["tyre_force"][7, 1] = [3000.0, -4000.0, 2000.0]
    title = plot_horizontal_forces(forces).texts[0].get_text()
    # At most 0.6 x 30 N + 0.8 x 40 N = 50 N, however the errors belong together.
    assert title.endswith("up to 5.00 ± 0.10 kN (FR, 95 %)")
    forces["status"][7, 1] = BIT["bound_active"]
    assert "5.00" not in plot_horizontal_forces(forces).texts[0].get_text()


def test_the_picture_of_one_braked_axle_is_called_that():
    car = MadeCar(6.0)
    car.brake(2.0, 4.0, 0.9 * G, 0.7)
    for corners, of in (([0, 1], "the front axle"), ([0, 1, 2, 3], "both axles")):
        forces = car.forces().isel(corner=corners)
        figure = plot_braking(forces, braking(forces))
        assert panel_named(figure, "mean braking").get_title(loc="left").endswith(f"of {of}")
