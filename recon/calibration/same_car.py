"""Whether a calibration belongs to a car: decided by the facts that it depends on."""

from __future__ import annotations

from collections.abc import Callable
from math import radians

from recon.base.errors import DataError
from recon.calibration.calibrated import Calibration, Facts
from recon.car.linkage import assembly_names
from recon.car.meaning import decisive_facts
from recon.car.vehicle import Axle, Corner, Vehicle
from recon.mechanics.assembly import assembly_of
from recon.mechanics.softness import sharing_supports

# What the vehicle file has for a compliance [m/N, rad/(N m)], by kind of support: its name, unit
# and value.
WRITTEN: dict[str, tuple[str, str, Callable[[float], float]]] = {
    "spring": ("rate", "N/mm", lambda soft: 1e-3 / soft),
    "torsion": ("rate", "N m/deg", lambda soft: radians(1.0) / soft),
}
LINK: tuple[str, str, Callable[[float], float]]
LINK = ("compliance", "mm/kN", lambda soft: 1e6 * soft)
MOST = 3  # changed facts that one message lists
ABSENT, NONE = "not there", "0"
IN_WORDS = {"nan": "not stated", ABSENT: ABSENT}
OLDER = "steering:"  # owner of facts of older versions that no calibration depends on
SOFTNESS = (": compliance", " u_compliance")  # end of the places of facts that share loads out


def facts_of(car: Vehicle, assembly: str) -> Facts:
    """Facts that the calibration of a corner or tied axle depends on."""
    found = _counting(decisive_facts(car, assembly), car, assembly)
    return Facts(tuple(found), tuple(found.values()))


def _counting(facts: dict[str, str], car: Vehicle, assembly: str) -> dict[str, str]:
    """Facts by place without those that have no part in the loads of members."""
    parts = (name.rpartition(".") for name in sharing_supports(assembly_of(car, assembly)))
    sharing = {f"{corner or assembly}, support {support}" for corner, _, support in parts}
    return {
        place: value
        for place, value in facts.items()
        if not place.startswith(OLDER)
        and (not place.endswith(SOFTNESS) or _owner(place) in sharing)
    }


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
            name, then, today = _as_written(place, then, today, car)
            out[name] = f"{then} when it was calibrated and is {today} now"
    return out


def _as_written(place: str, then: str, today: str, car: Vehicle) -> tuple[str, str, str]:
    """Place and both values of a fact as the vehicle file has them: springs by their rate."""
    if not place.endswith(SOFTNESS[0]):
        return place, then, today
    parts: tuple[Corner | Axle, ...] = (*car.corners.values(), *car.axles.values())
    kinds = {f"{part.name}, support {s.name}": s.kind for part in parts for s in part.supports}
    name, unit, of = WRITTEN.get(kinds[_owner(place)], LINK)

    def said(value: str) -> str:
        return IN_WORDS.get(value) or f"{of(float(value)):.6g} {unit}"

    return f"{_owner(place)}: {name}", said(then), said(today)


def _owner(place: str) -> str:
    """The support, gauge, corner or axle that has the fact."""
    return place.partition(":")[0]
