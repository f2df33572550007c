"""Keys of the vehicle file under another name or in another unit: one fault that names the key."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from recon.base.errors import VehicleError, closest
from recon.base.shipped import shipped
from recon.records.vehicles import read_vehicle
from tests.example_car import EXAMPLE

BAR = shipped("vehicles", "anti_roll_bar.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "key", "written", "told"),
    [
        (EXAMPLE, "total_kg", "total_lb", "'total_kg' (did you mean that, in kg?)"),
        (EXAMPLE, "total_kg", "mass_kg", "'total_kg' (did you mean that?)"),
        (EXAMPLE, "travel_mm", "travel_cm", "'travel_mm' (did you mean that, in mm?)"),
        (EXAMPLE, "loaded_radius_mm", "radius", "'loaded_radius_mm' (did you mean that, in mm?)"),
        (BAR, "rate_N_per_mm", "rate_N_per_m", "'rate_N_per_mm' (did you mean that, in N/mm?)"),
        (BAR, "rate_N_per_mm", "rate", "'rate_N_per_mm' (did you mean that, in N/mm?)"),
        (BAR, "rate_N_per_mm", "spring_rate", "'rate_N_per_mm' (did you mean that, in N/mm?)"),
    ],
)
def test_a_key_in_another_unit_is_named_with_its_own(
    text: str, key: str, written: str, told: str, tmp_path: Path
) -> None:
    car = tmp_path / "car.toml"
    car.write_text(text.replace(f"\n{key} =", f"\n{written} =", 1), encoding="utf-8")
    with pytest.raises(VehicleError, match=re.escape(f"unknown key '{written}'; need {told}")) as e:
        read_vehicle(car)
    assert "no such key" not in str(e.value)  # it is there under another name


@pytest.mark.parametrize(
    ("word", "meant"),
    [("rate", "rate_N_per_mm"), ("spring_rate", "rate_N_per_mm"), ("mm_per", ""), ("LF", "FL")],
)
def test_what_holds_a_word_whole_is_nearer_than_what_looks_like_it(word: str, meant: str) -> None:
    assert closest(word, ("name", "u_rate_N_per_mm", "rate_N_per_mm", "kind", "FL")) == meant
