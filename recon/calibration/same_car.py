"""Whether a calibration belongs to a car: decided by the facts that it depends on."""

from __future__ import annotations

from recon.base.errors import DataError
from recon.calibration.calibrated import Calibration, Facts
from recon.car.linkage import assembly_names
from recon.car.meaning import decisive_facts
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of

MOST = 3  # changed facts that one message lists
ABSENT, NONE = "not there", "0"
SOFTNESS = (": compliance", " u_compliance")  # end of the places of facts that share loads out


def facts_of(car: Vehicle, assembly: str) -> Facts:
    """Facts that the calibration of a corner or tied axle depends on."""
    found = _counting(decisive_facts(car, assembly), car, assembly)
    return Facts(tuple(found), tuple(found.values()))


def _counting(facts: dict[str, str], car: Vehicle, assembly: str) -> dict[str, str]:
    """Facts by place without compliances and rates where equilibrium alone decides all loads."""
    if assembly_of(car, assembly).mechanism.shares_loads:
        return facts
    return {place: value for place, value in facts.items() if not place.endswith(SOFTNESS)}


def require_same_car(calibration: Calibration, car: Vehicle) -> None:
    """Refuse a calibration that was made with other facts about the car.

    A corner that the car lacks is not looked at.

    Raises DataError: a fact has changed; the message has its place with both values.
    """
    where = f"calibration with {car.path}"
    corners = calibration.corners
    changed: dict[str, str] = {}
    for name in [name for name in assembly_names(car) if name in corners]:
        facts = corners[name].facts
        changed |= _changes(dict(zip(facts.place, facts.value, strict=True)), car, name)
    if changed:
        listed = [f"{place} was {words}" for place, words in list(changed.items())[:MOST]]
        more = len(changed) - len(listed)
        raise DataError(
            where=where,
            found="; ".join(listed) + (f"; and {more} more changed facts" if more else ""),
            needed="the same facts as in the vehicle file of the calibration",
            do="Undo the change in the vehicle file, or calibrate again with it.",
        )


def _changes(before: dict[str, str], car: Vehicle, assembly: str) -> dict[str, str]:
    """Old and new value in words of each fact that differs, by its place."""
    before, now = (_counting(f, car, assembly) for f in (before, decisive_facts(car, assembly)))
    owners = [{_owner(place) for place in facts} for facts in (before, now)]
    out: dict[str, str] = {}
    for place in {**before, **now}:
        then, today = before.get(place, ABSENT), now.get(place, ABSENT)
        if _owner(place) not in owners[1]:
            out[_owner(place)] = f"there when it was calibrated and is {ABSENT} now"
        elif _owner(place) not in owners[0]:
            out[_owner(place)] = f"{ABSENT} when it was calibrated and is there now"
        elif (then, today) == (ABSENT, NONE):
            continue  # an older version, which did not know that fact, took it as none
        elif then != today:
            out[place] = f"{_said(then)} when it was calibrated and is {_said(today)} now"
    return out


def _said(value: str) -> str:
    """A value as a fact holds it, in words."""
    return "not stated" if value == "nan" else value


def _owner(place: str) -> str:
    """The support, gauge, corner or axle that has the fact."""
    return place.partition(":")[0]
