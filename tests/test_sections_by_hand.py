"""Sections by hand in which an answer finds too little: they are named, alone or beside others."""

from __future__ import annotations

import pytest

from recon.analysis.balance import balance
from recon.analysis.braking import braking
from recon.base.errors import NoAnswerError
from recon.evaluation.common.answer_labels import not_given
from recon.evaluation.sections.find_sections import find_sections
from recon.records.sheets import GivenSection
from tests.made_car import G, MadeCar


def test_a_stop_by_hand_in_which_nobody_brakes_is_named() -> None:
    car = MadeCar(6.0)
    car.brake(2.0, 4.0, 0.9 * G, 0.7)
    forces = car.forces()
    stop = GivenSection("bridge", "straight braking", 2.6, 3.4)
    coasting = GivenSection("paddock", "straight braking", 4.5, 5.5)
    found = braking(forces, sections=find_sections(forces, [stop, coasting]))
    assert found["stop"].to_numpy().tolist() == ["bridge"]
    said = "paddock: less than 0.3 s of straight braking above 0.3 g with known forces in the times"
    assert any(sentence.startswith(said) for sentence in not_given(found))
    none = r"(?s), paddock by hand: at most 0\.0 s .*hardest 0\.0\d g"
    with pytest.raises(NoAnswerError, match=none):
        braking(forces, sections=find_sections(forces, [coasting]))


def test_a_corner_by_hand_that_is_too_short_is_named() -> None:
    car = MadeCar(6.0)
    car.corner(1.0, 5.0, 8.0, 0.6)
    forces = car.forces()
    bend = GivenSection("bend", "left corner", 1.0, 5.0)
    short = GivenSection("kink", "left corner", 3.0, 3.1)
    found = balance(forces, sections=find_sections(forces, [bend, short]))
    assert found["visit"].to_numpy().tolist() == ["bend"]
    said = "kink: less than 0.4 s above 0.5 g sideways with known forces in the times given by hand"
    assert any(sentence.startswith(said) for sentence in not_given(found))
    with pytest.raises(NoAnswerError, match=r"(?s), kink by hand: only 0\.1 s at a time"):
        balance(forces, sections=find_sections(forces, [short]))
