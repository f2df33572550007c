"""Parts of springs, links and wheels in the load transfer, against motion and against the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from recon.analysis.load_transfer import ALONG, load_transfer
from recon.base.errors import DataError
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.common.short_means import short_means
from recon.evaluation.links.loads_per_force import LinkMap
from recon.evaluation.load_transfer.transfer_parts import obstacle, ratios_of
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.records.vehicles import read_vehicle
from recon.report.answers.load_transfer import load_transfer_summary, plot_load_transfer
from tests.days import VEHICLES, club_car, day

CORNERS = ("FL", "FR", "RL", "RR")
STEP = 1e-3  # m of travel
SIZE = 20  # samples of a mean


@pytest.fixture(scope="module")
def answer() -> xr.Dataset:
    return load_transfer(day().forces, vehicle=day().car)


@pytest.mark.parametrize("name", CORNERS)
def test_links_pass_a_lateral_force_upward_as_the_contact_moves_sideways(name: str) -> None:
    """Virtual work: what does not move the spring is Fy dy + Fz dz = 0 at the contact."""
    car = club_car()
    assembly = assembly_of(car, name)
    wheel = car.corners[name].wheel
    at = pose(assembly.mechanism, np.array([[-STEP], [STEP]])).wheels[0]
    hub, lean = np.diff(at.hub, axis=0)[0], float(np.diff(at.inclination)[0])
    turned = float(np.diff(at.heading)[0])
    sideways = hub[1] + wheel.loaded_radius * lean - car.tyre.trail * turned
    means = short_means(day().forces, 0.1, *ALONG)
    still = means.assign(travel=0 * means["travel"], rack=0 * means["rack"])
    found = ratios_of(car, name, still).force[0, 1]
    assert found == pytest.approx(sideways / hub[2], abs=0.01)
    assert abs(found) > 0.001


def mean(values: np.ndarray) -> np.ndarray:
    whole = len(values) // SIZE * SIZE
    return values[:whole].reshape(-1, SIZE, *values.shape[1:]).mean(axis=1)


def test_the_part_of_the_springs_is_that_of_their_true_loads(answer: xr.Dataset) -> None:
    """True loads of springs (the virtual car has no bars beside them) over their motion ratio."""
    truth, car = day().truth, day().car
    aside = mean(truth["tyre_force_intermediate"].to_numpy()[..., 1].sum(axis=1)) / car.mass
    columns = np.column_stack([np.ones(len(aside)), aside, np.gradient(aside)])
    slope = {}
    for k, name in enumerate(CORNERS):
        assembly = assembly_of(car, name)
        (spring,) = (s.name for s in car.corners[name].supports if s.kind == "spring")
        links = replace(LinkMap.of(car, assembly), rows=(_row(assembly, spring),))
        travel = mean(truth["travel"].to_numpy())[:, k]
        rack = mean(truth["rack"].to_numpy()) if assembly.steered else 0 * travel
        per_force, _ = links.per_unknown(pose(assembly.mechanism, travel[:, None], rack), (False,))
        load = mean(truth["link_load"].sel(link=spring).to_numpy()[:, k]) / per_force[:, 0, 2]
        slope[name] = np.linalg.lstsq(columns, load, rcond=None)[0][1]
    for axle, (left, right) in {"front": ("FL", "FR"), "rear": ("RL", "RR")}.items():
        found = answer.sel(axle=axle, part="elastic")
        away = float(found["transfer_part"]) - (slope[right] - slope[left]) / 2
        assert abs(away) < 2.0 * float(found["u_transfer_part"])
        assert float(found["u_transfer_part"]) < 0.03 * float(found["transfer_part"])


def _row(assembly: object, name: str) -> int:
    names = [assembly.supports[place].name for place in assembly.mechanism.owner]  # type: ignore[attr-defined]
    return names.index(name)


def test_parts_are_the_whole_and_stand_in_words_and_picture(answer: xr.Dataset) -> None:
    total = answer["transfer_part"].sum("part")
    # Vehicle axes lean with the body: some 3 % of the transfer of level axes at this roll.
    np.testing.assert_allclose(total, answer["transfer_per_lateral_acceleration"], rtol=0.05)
    np.testing.assert_allclose(answer["transfer_part_share"].sum("part"), 1.0, rtol=1e-9)
    text = " ".join(load_transfer_summary(answer))
    assert "Transfer of the front axle: springs and bars 10" in text
    bars = plot_load_transfer(day().forces, answer).axes[1].patches
    assert len(bars) == 6
    assert not any("springs and links" in reason for reason in not_given(answer))


def test_without_a_vehicle_or_with_another_one_there_are_no_parts() -> None:
    forces = day().forces
    assert "parts of springs and links: name the vehicle file (--vehicle)" in " ".join(
        not_given(load_transfer(forces))
    )
    with pytest.raises(DataError, match="with the vehicle file of 'another'"):
        load_transfer(forces, vehicle=replace(day().car, name="another"))
    assert obstacle(day().car, ["FL"]) == ""


def test_an_axle_that_ties_its_wheels_has_no_parts() -> None:
    car = read_vehicle(VEHICLES / "solid_axle.toml")
    assert obstacle(car, ["RL"]).startswith("RL is part of an axle that ties both wheels")
