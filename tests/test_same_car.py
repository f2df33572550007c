"""Which facts of a vehicle file a calibration depends on, and what is said when one changes."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from recon.base.errors import DataError, DataWarning
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration, CornerCalibration, Facts
from recon.calibration.same_car import facts_of, require_same_car
from recon.car.meaning import decisive_facts
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.records.sheets import PullSheet
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import draw_car
from tests.days import day, unwarned
from tests.shipped_mechanisms import shipped

Path = tuple[str | int, ...]
LABELS = ("name", "source", "path", "checksum", "assumed")
ARRAYS = ("K", "covariance_by_source", "gain_effect", "noise", "friction", "K_geometry")


@cache
def pulled(file: str, assembly: str) -> tuple[Vehicle, PullSheet, CornerCalibration]:
    """A car with one assembly, its pulls and its calibration."""
    car = shipped(file)
    axles = {name: axle for name, axle in car.axles.items() if name == assembly}
    kept = axles[assembly].corners if axles else (assembly,)
    car = replace(car, corners={name: car.corners[name] for name in kept}, axles=axles)
    drawn = draw_car(car, np.random.default_rng(1))
    sheet = virtual_pulls(drawn, None, np.random.default_rng(2))
    return car, sheet, fitted(sheet, car, assembly)


def fitted(sheet: PullSheet, car: Vehicle, assembly: str) -> CornerCalibration:
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", DataWarning)  # another number may not fit the pulls
        return calibrate(sheet, car).corners[assembly]


def same_map(a: CornerCalibration, b: CornerCalibration) -> bool:
    return all(np.array_equal(getattr(a, n), getattr(b, n), equal_nan=True) for n in ARRAYS)


def numbers(item: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    """Every number and vector below a dataclass; the first support and gauge stand for all."""
    for field in fields(item):
        value, own = getattr(item, field.name), (*path, field.name)
        if is_dataclass(value):
            yield from numbers(value, own)
        elif isinstance(value, dict):
            for key, inner in value.items():
                yield from numbers(inner, (*own, key))
        elif isinstance(value, tuple) and value and is_dataclass(value[0]):
            yield from numbers(value[0], (*own, 0))
        elif isinstance(value, float) or (isinstance(value, tuple) and _vector(value)):
            yield own, value


def _vector(value: tuple) -> bool:
    return bool(value) and all(isinstance(x, float) for x in value)


def changed(value: Any) -> Any:
    """Another number of about the same size, 0.5 where none is stated."""
    if isinstance(value, tuple):
        return tuple(map(changed, value))
    return 1.02 * value + 1e-3 if np.isfinite(value) else 0.5


def put(item: Any, path: Path, value: Any) -> Any:
    """The same with another value at the end of the path."""
    key, *rest = path
    if isinstance(item, tuple):
        return tuple(put(x, tuple(rest), value) if i == key else x for i, x in enumerate(item))
    before = item[key] if isinstance(item, dict) else getattr(item, str(key))
    after = put(before, tuple(rest), value) if rest else value
    return {**item, key: after} if isinstance(item, dict) else replace(item, **{str(key): after})


@pytest.mark.parametrize(
    ("file", "assembly", "free"), [("club_racer", "FL", 30), ("anti_roll_bar", "front", 40)]
)
def test_a_number_that_does_not_void_a_calibration_does_not_change_it(
    file: str, assembly: str, free: int
) -> None:
    """All such numbers at once: a map that is the same to the last bit needs none of them."""
    car, sheet, before = pulled(file, assembly)
    facts, other, harmless = decisive_facts(car, assembly), car, []
    for path, value in numbers(car):
        if path[0] in LABELS:
            continue
        if decisive_facts(put(car, path, changed(value)), assembly) == facts:
            harmless.append(path)
            other = put(other, path, changed(value))
    assert len(harmless) > free
    assert decisive_facts(other, assembly) == facts
    assert same_map(fitted(sheet, other, assembly), before), harmless


@pytest.mark.parametrize(
    ("file", "assembly", "path", "place"),
    [
        ("club_racer", "FL", "supports 0 outer point", "FL, support upper_front: outer.point"),
        ("club_racer", "FL", "gauges 0 expected tube wall", "upper_front: expected.tube.wall"),
        ("club_racer", "FL", "wheel centre", "FL: wheel.centre"),
        ("anti_roll_bar", "front", "unsprung_mass", "FL: unsprung_mass"),
        ("anti_roll_bar", "front", "supports 0 outer u", "outer.u"),
    ],
)
def test_a_number_that_changes_a_calibration_is_a_fact(
    file: str, assembly: str, path: str, place: str
) -> None:
    car, sheet, before = pulled(file, assembly)
    where: Path = ("corners", "FL", *(int(k) if k.isdigit() else k for k in path.split()))
    value = dict(numbers(car))[where]
    other = put(car, where, changed(value))
    assert not same_map(fitted(sheet, other, assembly), before)
    then, now = decisive_facts(car, assembly), decisive_facts(other, assembly)
    (different,) = [k for k in then if then[k] != now[k]]
    assert place in different


def test_the_facts_are_kept_with_the_calibration() -> None:
    for name, corner in day().calibration.corners.items():
        assert corner.facts == facts_of(day().car, name)


def test_a_moved_point_is_named_with_both_values() -> None:
    car = day().car
    moved = put(car, ("corners", "FL", "supports", 0, "outer", "point"), (0.1, 0.62, 0.3))
    x, y, z = (1e3 * v for v in car.corners["FL"].supports[0].outer.point)
    was, now = f"{x:.9g}, {y:.9g}, {z:.9g} mm", "100, 620, 300 mm"
    found = f"support upper_front: outer.point was {was} when it was calibrated and is {now} now"
    with pytest.raises(DataError, match=re.escape(found)):
        require_same_car(day().calibration, moved)


def softer(car: Vehicle, corner: str, kind: str, rate: float) -> Vehicle:
    """The car with another rate [N/m] of the support of a corner that is of this kind."""
    supports = car.corners[corner].supports
    (i,) = [i for i, s in enumerate(supports) if s.kind == kind]
    return put(car, ("corners", corner, "supports", i, "compliance"), 1.0 / rate)


def test_a_rate_that_decides_no_load_may_be_stated_after_the_pulls() -> None:
    """The springs of a corner carry what equilibrium gives them, as soft as they may be."""
    car, sheet, before = pulled("club_racer", "FL")
    other = softer(car, "FL", "spring", 40e3)
    assert same_map(fitted(sheet, other, "FL"), before)
    for made, driven in ((car, other), (other, car)):
        corners = {"FL": replace(before, facts=facts_of(made, "FL"))}
        require_same_car(replace(day().calibration, corners=corners), driven)
    # Calibrations of older versions kept all rates.
    kept = decisive_facts(car, "FL")
    older = replace(before, facts=Facts(tuple(kept), tuple(kept.values())))
    require_same_car(replace(day().calibration, corners={"FL": older}), other)


def test_the_ratio_of_the_steering_wheel_may_be_stated_after_the_pulls() -> None:
    """Pulls know the steer of the wheels: no load depends on it, whatever older versions kept."""
    car = day().car
    silent = replace(car, steering=replace(car.steering, rack_per_angle=np.nan))
    require_same_car(day().calibration, silent)
    before = day().calibration.corners["FL"]
    kept = decisive_facts(car, "FL") | {"steering: rack_per_angle": "nan"}
    older = replace(before, facts=Facts(tuple(kept), tuple(kept.values())))
    require_same_car(replace(day().calibration, corners={"FL": older}), car)


def test_a_rate_that_may_share_loads_out_is_a_fact_in_words() -> None:
    """In the words of the vehicle file, whatever the program keeps of it."""
    stated, sheet, before = pulled("anti_roll_bar", "front")
    for rate, then in ((np.nan, "not stated"), (30e3, "30 N/mm")):
        car = softer(stated, "FL", "spring", rate)
        facts = facts_of(car, "front")
        calibration = replace(day().calibration, corners={"front": replace(before, facts=facts)})
        found = rf"FL, support coil_over: rate was {then} when it was calibrated and is 45 N/mm now"
        with pytest.raises(DataError, match=found):
            require_same_car(calibration, stated)
    assert not same_map(fitted(sheet, softer(stated, "FL", "spring", 30e3), "front"), before)


def test_a_rate_of_an_axle_that_moves_no_load_of_a_gauge_may_change() -> None:
    """What the arms of a twist beam carry at their gauges follows from equilibrium alone."""
    car, sheet, before = pulled("strut", "rear")
    assert assembly_of(car, "rear").mechanism.shares_loads
    for other in (softer(car, "RL", "spring", 40e3), softer(car, "RL", "spring", np.nan)):
        assert same_map(fitted(sheet, other, "rear"), before)
        require_same_car(replace(day().calibration, corners={"rear": before}), other)


def test_many_changes_are_counted() -> None:
    car, corner = day().car, day().car.corners["RR"]
    gauges = tuple(replace(g, unit="microstrain") for g in corner.gauges)
    other = replace(car, corners={**car.corners, "RR": replace(corner, gauges=gauges[1:])})
    with pytest.raises(DataError, match=r"; and 3 more changed facts; need") as said:
        require_same_car(day().calibration, other)
    assert f"RR, gauge {gauges[0].name} was there when it was calibrated" in str(said.value)
    assert "mV/V when it was calibrated and is microstrain now" in str(said.value)


def test_another_corner_of_the_car_may_change() -> None:
    alone = replace(day().calibration, corners={"FL": day().calibration.corners["FL"]})
    point = ("corners", "RR", "supports", 0, "outer", "point")
    require_same_car(alone, put(day().car, point, (0.1, 0.2, 0.3)))


def test_a_fact_that_older_calibrations_lack_is_none_in_them() -> None:
    """A later version asks for more; where the car has none of it, nothing has changed."""

    def without(place: str, value: str) -> Calibration:
        corner = day().calibration.corners["FL"]
        kept = zip(corner.facts.place, corner.facts.value, strict=True)
        facts = Facts(*zip(*((p, v) for p, v in kept if p != place), strict=True))
        assert dict(zip(corner.facts.place, corner.facts.value, strict=True))[place] == value
        return replace(day().calibration, corners={"FL": replace(corner, facts=facts)})

    require_same_car(without("FL: axle_mass", "0"), day().car)
    found = r"FL: wheel\.u_centre was not there when it was calibrated and is 2 mm now"
    with pytest.raises(DataError, match=found):
        require_same_car(without("FL: wheel.u_centre", "2 mm"), day().car)
