"""Sums of forces and the motion of the car, as they are drawn."""

from __future__ import annotations

import numpy as np
import pytest

from recon.base.quantities import STANDARD_GRAVITY
from recon.report.drive.sums_of_forces import plot_sums, sums_pictures
from tests.days import day


def test_the_picture_shows_sums_motion_and_band_and_says_how_far_they_are_apart() -> None:
    forces = day().forces
    assert list(sums_pictures(forces)) == ["sums.png"]
    figure = plot_sums(forces)
    tyres, motion = (forces[n].to_numpy() for n in ("balance_by_tyres", "balance_by_motion"))
    for k, panel in enumerate(figure.axes):
        lines = [line.get_ydata() for line in panel.lines]
        np.testing.assert_array_equal(lines, [tyres[:, k], motion[:, k]])
        rms = np.sqrt(np.mean((tyres - motion)[:, k] ** 2))
        assert f"{rms:.0f} N rms apart" in panel.get_title(loc="left")
    assert len(figure.axes) == 3
    words = " ".join(text.get_text() for text in figure.texts)
    assert "100 % of the drive inside the band" in words


def test_no_line_joins_short_means_that_are_seconds_apart() -> None:
    """A car turns several times in between, which a line would hide."""
    forces = day().forces
    styles = {line.get_linestyle() for line in plot_sums(forces).axes[0].lines}
    assert "None" not in styles
    forces = forces.assign(window_time=10.0 * forces["window_time"])
    apart = np.median(np.diff(forces["window_time"]))
    figure = plot_sums(forces)
    assert any(f"one every {apart:.1f} s" in text.get_text() for text in figure.texts)
    for panel in figure.axes:
        assert {line.get_linestyle() for line in panel.lines} == {"None"}


def test_the_sums_are_those_of_the_forces_and_of_mass_times_acceleration() -> None:
    forces, mass = day().forces, day().car.mass
    truth = day().truth["tyre_force_intermediate"].to_numpy().sum(axis=1)
    at = np.searchsorted(forces["elapsed_time"].to_numpy(), forces["window_time"].to_numpy())
    aside = forces["balance_by_tyres"].to_numpy()[:, 1]
    # Short means against samples of the truth, in a slalom of a second and more per swing.
    assert np.corrcoef(aside, truth[at, 1])[0, 1] > 0.999
    limit = 1.5 * mass * STANDARD_GRAVITY
    assert np.abs(forces["balance_by_motion"].to_numpy()).max() < limit
    assert np.ptp(forces["balance_by_motion"].to_numpy()[:, 1]) == pytest.approx(
        np.ptp(truth[:, 1]), rel=0.1
    )


def test_one_corner_has_no_sums_to_draw() -> None:
    names = ["balance", "balance_by_tyres", "balance_by_motion", "u_balance"]
    assert sums_pictures(day().forces.drop_vars(names)) == {}
