"""Summaries in words: unknown numbers are reported so, assumed values are listed on request."""

from __future__ import annotations

from recon.analysis.friction import friction_use
from recon.base.shipped import shipped
from recon.base.status import BIT
from recon.records.vehicles import read_vehicle
from recon.report.answers.friction import friction_summary
from recon.report.car.car_summary import car_summary
from tests.days import day


def test_a_tyre_without_enough_samples_has_no_highest_use() -> None:
    forces = day().forces.copy(deep=True)
    forces["status"].values[99:, 2] = BIT["bound_active"]
    lines = friction_summary(friction_use(forces))
    assert lines[4].startswith("  RL: highest use not known, fewer than 100 known samples")
    assert "nan" not in "\n".join(lines)
    assert "highest use 0" in lines[5] or "highest use 1" in lines[5]


def test_assumed_values_are_counted_and_listed_on_request() -> None:
    car = read_vehicle(shipped("vehicles", "case_car.toml"))
    short, whole = car_summary(car), car_summary(car, every=True)
    assert f"{len(car.assumed)} values are not stated in the file; defaults are used." in short
    assert not set(short) & {f"  {a}" for a in car.assumed}
    assert whole[-len(car.assumed) :] == [f"  {a}" for a in car.assumed]
    assert "  `recon check --all` lists them." not in whole
