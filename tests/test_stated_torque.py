"""Stated brake torques in the braking answer: what gauges contradict, and what fades."""

from __future__ import annotations

import re

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from recon.analysis.braking import braking
from recon.evaluation.common.answer_labels import not_given
from recon.report.answers.braking import braking_summary, plot_braking
from tests.made_car import HUB
from tests.test_braking import faded


def stated(forces: xr.Dataset, front: float, rear: float) -> xr.Dataset:
    """The forces of a car whose file states these shares of the true brake torques, to 10 %."""
    shown = braking(forces)["force_per_pressure"].isel(stop=0).to_numpy() / 2
    radius = forces["loaded_radius"].to_numpy()
    torque = np.repeat([front, rear] * shown, 2) * radius
    out = forces.copy()
    for name, values in (("", torque), ("u_", 0.1 * torque)):
        out[f"{name}brake_torque_per_pressure"] = ("corner", values, {"units": "m3"})
    return out


@pytest.mark.parametrize("share", [0.8, 1.0, 1.25])
def test_a_torque_that_pads_may_have_is_not_contradicted(share: float) -> None:
    assert braking(stated(faded(0.0).forces(), share, share)).attrs["remarks"] == ""


@pytest.mark.parametrize("share", [0.5, 2.0])
def test_half_or_twice_the_torque_of_an_axle_is_named_with_both_forces(share: float) -> None:
    forces = faded(0.0).forces()
    found = braking(stated(forces, share, 1.0))
    per_bar = 1e5 * float(found["force_per_pressure"].sel(axle="front")[0])
    remark = found.attrs["remarks"]
    assert remark.startswith("The gauges contradict the stated brake torque of the front axle:")
    assert f"they show {per_bar:.1f} +-" in remark
    assert f"the loaded radius give {share * per_bar:.1f} +-" in remark
    assert "brake_torque_Nm_per_bar" in " ".join(braking_summary(found))


def test_exchanged_lines_are_named_on_both_axles() -> None:
    """Twice the pressure at the front: exchanged, each axle has the other's."""
    forces = stated(faded(0.0).forces(), 1.0, 1.0)
    pressure = forces["brake_pressure"].to_numpy() * np.array([2.0, 2.0, 1.0, 1.0])
    forces["brake_torque_per_pressure"] = forces["brake_torque_per_pressure"] / [2.0, 2.0, 1.0, 1.0]
    for order, named in (([0, 1, 2, 3], 0), ([2, 3, 0, 1], 2)):
        logged = forces.assign(
            brake_pressure=forces["brake_pressure"].copy(data=pressure[:, order])
        )
        assert braking(logged).attrs["remarks"].count("lines of front and rear") == named


@pytest.mark.parametrize("part", [0.3, -0.3])
def test_fade_is_that_of_the_brakes_where_forces_follow_a_torque_that_does_not_fade(
    part: float,
) -> None:
    """Of 4000 N a part is the torque as stated, which stays: only the rest shows the fade."""
    shown = -0.2 * (1.0 - part)
    car = faded(shown)
    for corner in ("FL", "FR"):  # of the hub's moment, 1000 N m here; known to 10 %
        car.cause(f"{corner} brake torque per pressure", corner, 0, HUB, -0.1 * part * 2.0)
    found = braking(car.forces())
    change = found["force_per_pressure_change"].sel(axle="front")
    assert_allclose(change, -0.2, atol=0.004)  # the made torque stays where the force rises
    assert "front brakes give -20 % by the last stop" in found.attrs["remarks"]
    (wrong,) = re.findall(r"wrong by some (\d+) N, more than its", found.attrs["remarks"])
    assert float(wrong) == pytest.approx(0.2 * 0.3 * 4000.0, rel=0.02)


def test_fade_is_not_told_where_the_force_is_the_stated_torque() -> None:
    car = faded(-0.02)
    for corner in ("FL", "FR"):
        car.cause(f"{corner} brake torque per pressure", corner, 0, HUB, -0.1 * 0.9 * 2.0)
    found = braking(car.forces())
    assert np.isnan(found["force_per_pressure_change"].sel(axle="front"))
    assert any("Fade of the front brakes" in text for text in not_given(found))


def test_a_picture_of_many_stops_reaches_from_the_first_to_the_last() -> None:
    forces = faded(-0.1).forces()
    two = braking(forces)
    names = [f"stop {k + 1}" for k in range(40)]
    many = two.isel(stop=np.tile([0, 1], 20)).assign_coords(stop=names)
    figure = plot_braking(forces, many.assign_attrs(two.attrs))
    shown = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert (len(shown), shown[0], shown[-1]) == (25, "stop 1", "stop 40")
    assert any("25 of 40 stops" in text.get_text() for text in figure.texts)
