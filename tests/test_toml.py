"""Slips of people who write TOML for the first time."""

from __future__ import annotations

from pathlib import Path

import pytest

from recon.base.errors import VehicleError
from recon.records.vehicles import read_vehicle
from tests.example_car import write_example


@pytest.mark.parametrize(
    ("old", "new", "slip"),
    [
        ("total_kg = 742", "total_kg = 742,5", "a decimal comma"),
        ("format = 1", "format = \u201c1\u201d", "typographic quotes"),
        ("travel_mm = [-60, 60]", "travel_mm = -60, 60", "a list without brackets"),
        ("driven = false", "driven = no  # front", "another word for true or false"),
        ("total_kg = 742", "total_kg = 742 kg", ""),
    ],
)
def test_usual_slips_are_named(tmp_path: Path, old: str, new: str, slip: str) -> None:
    with pytest.raises(VehicleError, match=r"line \d+, column \d+: not TOML: ") as refused:
        read_vehicle(write_example(tmp_path, (old, new)))
    assert refused.value.found.endswith(f"({slip}?)" if slip else "statement")
