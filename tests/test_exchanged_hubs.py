"""Exchanged hub accelerations go against the travels of their wheels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import recon.examination.exchanged_hubs as exchanging
from recon.base.doubt import Doubt
from recon.examination.exchanged_hubs import OPPOSITE, correlations, exchanged_hubs
from tests.days import day
from tests.test_channels_agree import exchange


@pytest.mark.parametrize("pair", [("FL", "FR"), ("RL", "RR"), ("FR", "RL")])
def test_exchanged_hubs_are_named(pair: tuple[str, str]) -> None:
    log = day().conditioned.copy(deep=True)
    exchange("hub_acceleration", "corner", *pair)(log)
    (doubt,) = exchanged_hubs(log, ())
    assert (doubt.cause, doubt.corners) == ("exchanged", pair)
    assert doubt.channels == tuple(f"hub_acceleration_{corner}" for corner in pair)
    line = f'hub_acceleration_{pair[0]}_z = {{ exchanged_with = "hub_acceleration_{pair[1]}_z" }}'
    assert line in doubt.do
    assert "correlation -0.9" in doubt.found
    same_axle = pair[0][0] == pair[1][0]
    assert doubt.probability == (1.0 if same_axle else 0.5)
    assert (f"equally well: exchanged (hub_acceleration_{pair[0]} and" in doubt.do) != same_axle
    assert (f"or exchanged (travel_{pair[0]} and travel_{pair[1]})" in doubt.do) != same_axle


def test_a_car_that_waits_before_its_drive_hides_no_exchange(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    log = day().conditioned.copy(deep=True)
    exchange("hub_acceleration", "corner", "FL", "FR")(log)
    third = log.sizes["elapsed_time"] // 3
    monkeypatch.setattr(exchanging, "MOST", third)
    for name in ("hub_acceleration", "travel"):
        log[name][:third] = log[name][0]
    (doubt,) = exchanged_hubs(log, ())
    assert doubt.corners == ("FL", "FR")


def test_sound_hubs_go_with_their_travels() -> None:
    log = day().conditioned
    found = correlations(log)
    assert len(found) == 6
    assert min(found.values()) > 0.8 > OPPOSITE
    assert exchanged_hubs(log, ()) == ()


def test_what_explains_the_same_comes_first() -> None:
    log = day().conditioned.copy(deep=True)
    exchange("travel", "corner", "FL", "FR")(log)
    (own,) = exchanged_hubs(log, ())
    travel = replace(own, channels=("travel_FL", "travel_FR"))
    gauge: Doubt = replace(own, channels=("FL_push_rod",))
    assert exchanged_hubs(log, (travel,)) == ()
    assert len(exchanged_hubs(log, (gauge,))) == 1


def test_without_travels_or_on_an_even_road_nothing_is_said() -> None:
    log = day().conditioned
    still = log.assign(travel=(log["travel"].dims, 1e-6 * log["travel"].to_numpy()))
    inferred = log.assign(u_travel=("corner", np.full(4, 0.004)))
    for one in (still, inferred, log.drop_vars("travel"), log.isel(elapsed_time=slice(100))):
        assert exchanged_hubs(one, ()) == ()
    assert correlations(still) == {}
