"""Masses that the vehicle file has in pounds: of wheels, and of the whole car.

What a wheel weighs enters the forces twice: its weight hung on the links at the tare, and its hub
is accelerated on the road.  A mass that is 2.2 times too large looks like zeros and gains of
several gauges of a corner at once.  The mass of the car enters no force: only what the forces are
compared with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from recon.base.quantities import POUND_FORCE, STANDARD_GRAVITY
from recon.examination.term import Candidate
from recon.examination.view import Part, View

POUND = POUND_FORCE / STANDARD_GRAVITY  # kg
ALL, ONE_WHEEL = -1.0, -1.0  # nats; masses of all wheels come from the same scales


def mass_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Masses in lb: of the wheels of single assemblies, or of all, or of the whole car."""
    car = view.prepared.car
    if doubted:
        yield Candidate(
            "other unit",
            view.corners,
            ("total_kg",),
            _lighter_car,
            f"Weigh the car and correct total_kg in the vehicle file: {car.mass:g} seems to be lb "
            f"({POUND * car.mass:.0f} kg).",
            weight=ALL,
        )
    every = tuple(view.parts)
    single = [(name,) for name, part in view.parts.items() if set(part.corners) & set(doubted)]
    for names in dict.fromkeys((*single, every) if single else ()):
        corners = tuple(corner for name in names for corner in view.parts[name].corners)
        yield Candidate(
            "other unit",
            corners,
            tuple(f"unsprung_mass_{corner}" for corner in corners),
            partial(_lighter, names=names),
            "Weigh a wheel with its upright and correct unsprung_mass_kg of "
            f"{' and '.join(corners)} in the vehicle file: it seems to be in lb.",
            weight=ALL if names == every else ALL + ONE_WHEEL,
        )


def _lighter_car(view: View) -> View:
    """The drive of a car that weighs as many pounds as the vehicle file has kilograms."""
    car = view.prepared.car
    lighter = replace(car, mass=POUND * car.mass, u_mass=POUND * car.u_mass)
    parts = {
        name: part.with_indication(part.samples.indication) for name, part in view.parts.items()
    }
    return replace(view, prepared=replace(view.prepared, car=lighter), parts=parts, kept={})


def _lighter(view: View, *, names: tuple[str, ...]) -> View:
    for name in names:
        view = view.with_part(_of_pounds(view.parts[name]))
    return view


def _of_pounds(part: Part) -> Part:
    """The assembly with wheels that weigh as many pounds as the vehicle file has kilograms.

    Only mass times acceleration of a hub matters, and the weight that was on the links at the tare.
    """
    tare = part.solver.estimator.tare.indication[:, None]
    hub = POUND * part.samples.hub
    lighter = part.samples.indication - (1.0 - POUND) * tare
    return Part(part.solver, replace(part.samples, hub=hub, indication=lighter), part.zero)
