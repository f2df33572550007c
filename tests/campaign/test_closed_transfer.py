"""Closed forms of load transfer: what a fit to true forces of a virtual car finds."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.virtual.drawing import draw_car
from recon.virtual.stance import FRONT_SHARE, stance_of
from recon.virtual.tyre_forces import DOWNFORCE
from tests.campaign.closed_transfer import FITTED, transfer_in_closed_form
from tests.shipped_mechanisms import shipped


def answer() -> xr.Dataset:
    corner, axle = ("corner",), ("axle",)
    shapes = dict.fromkeys(FITTED, ()) | {
        "load_per_lateral_acceleration": corner,
        "load_per_longitudinal_acceleration": corner,
        "transfer_per_lateral_acceleration": axle,
        "downforce_per_speed_squared": axle,
        "transfer": ("bin", "axle"),
    }
    size = {"corner": 4, "axle": 2, "bin": 3}
    out = xr.Dataset({name: (of, np.ones([size[d] for d in of])) for name, of in shapes.items()})
    out["bin_acceleration"] = ("bin", [-6.0, 0.0, 6.0])
    return out.assign_coords(corner=["FL", "FR", "RL", "RR"], axle=["front", "rear"])


def test_load_transfer_is_that_of_mass_height_track_and_wheelbase() -> None:
    truth = draw_car(shipped("club_racer"), 3).truth
    found = transfer_in_closed_form(answer(), truth, "circuit")
    stance = stance_of(truth, "a test")
    turned = found["transfer_per_lateral_acceleration"].to_numpy() @ stance.track
    assert turned == pytest.approx(stance.mass * stance.height, rel=1e-9)
    assert float(found["front_share"]) == pytest.approx(FRONT_SHARE, rel=1e-9)
    along = found["load_per_longitudinal_acceleration"].to_numpy()
    assert along.sum() == pytest.approx(0.0, abs=1e-9)
    moved = stance.mass * stance.height / stance.base
    assert along[2:].sum() == pytest.approx(moved, rel=1e-9)  # forward: from front to rear
    area = found["downforce_per_speed_squared"].to_numpy().sum()
    assert area == pytest.approx(DOWNFORCE, rel=1e-9)
    assert float(found["downforce_area"]) == pytest.approx(area / 0.6, rel=1e-9)
    assert found["transfer"].to_numpy()[2] == pytest.approx(
        6.0 * found["transfer_per_lateral_acceleration"].to_numpy(), rel=1e-9
    )


def test_what_the_answer_lacks_is_not_judged_nor_is_a_slalom_without_inertia() -> None:
    truth = draw_car(shipped("club_racer"), 3).truth
    unknown = answer()
    unknown["front_share"] = np.nan * unknown["front_share"]
    assert np.isnan(transfer_in_closed_form(unknown, truth, "circuit")["front_share"])
    slalom = transfer_in_closed_form(answer(), truth, "slalom")
    assert all(slalom[name].isnull().all() for name in FITTED)
    assert slalom["bin_acceleration"].notnull().all()


def test_a_car_of_which_a_corner_is_not_usable_is_judged_by_the_others() -> None:
    truth = draw_car(shipped("club_racer"), 3).truth
    whole = transfer_in_closed_form(answer(), truth, "circuit")
    some = ["FL", "RL", "RR"]
    found = transfer_in_closed_form(answer().sel(corner=some), truth, "circuit")
    for name in ("load_per_lateral_acceleration", "load_per_longitudinal_acceleration"):
        assert found[name].to_numpy() == pytest.approx(whole[name].sel(corner=some).to_numpy())
