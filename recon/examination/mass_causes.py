"""Masses that are wrong in the vehicle file: of wheels, and of the whole car.

What a wheel weighs enters the forces twice: its weight hung on the links at the tare, and its hub
is accelerated on the road.  A mass that is 2.2 times too large looks like zeros and gains of
several gauges of a corner at once.  The mass of the car enters no force: only what the forces are
compared with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS, POUND_FORCE, STANDARD_GRAVITY
from recon.base.words import enumerated
from recon.examination.common_gains import times_found, together
from recon.examination.term import FITTED, Candidate
from recon.examination.view import Part, View
from recon.examination.whole_car import LOAD, weights_of, whole_of

STEP = 0.1  # share by which masses of wheels are varied
MOST_MASS = 1.0  # largest share that is looked for: a wheel without upright and brake; no source
POUND = POUND_FORCE / STANDARD_GRAVITY  # kg
ALL, ONE_WHEEL = -1.0, -1.0  # nats; masses of all wheels come from the same scales
# Nats: a fitted number, but one that people forget more often than others.
LOADED = FITTED + 2.0
# Of the mass: less is three times what comparisons allow for anyway, more is no load of people.
LEAST_LOADED, MOST_LOADED = 3.0 * LOAD, 0.3


def mass_causes(view: View, doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Masses in lb, of wheels or of the whole car, and a car with more in it than its file says."""
    car = view.prepared.car
    if doubted:
        yield from _loaded_car(view)
        yield Candidate(
            "other unit",
            view.corners,
            ("total_kg",),
            partial(_car_times, factor=POUND),
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
            partial(wheels_times, names=names, factor=POUND),
            "Weigh a wheel with its upright and correct unsprung_mass_kg of "
            f"{enumerated(corners)} in the vehicle file: it seems to be in lb.",
            weight=ALL if names == every else ALL + ONE_WHEEL,
        )


def _loaded_car(view: View) -> Iterator[Candidate]:
    """A car with more or less in it than its file says, by the mean of all its loads."""
    whole = whole_of(view)
    if whole is None or not set(CORNERS) <= set(view.corners):
        return
    car, total = view.prepared.car, whole.sum_of(weights_of(2))
    there = total[np.isfinite(total)]
    factor = float(np.mean(there)) / whole.weight if len(there) else np.nan
    if not LEAST_LOADED <= abs(factor - 1.0) <= MOST_LOADED:
        return
    yield Candidate(
        "car mass",
        view.corners,
        ("total_kg",),
        partial(_car_times, factor=factor),
        f"Weigh the car as it was driven: its tyres carry {factor * car.mass:.0f} kg in the mean, "
        f"and total_kg is {car.mass:g}. A passenger, fuel or ballast belong into total_kg and "
        "centre_of_mass_mm; if that is all, the forces are right as they are. If the weight is "
        "right, gauges share a gain, of all wheels or of an axle.",
        weight=LOADED,
    )


def _car_times(view: View, *, factor: float) -> View:
    """The drive of a car that weighs `factor` times what the vehicle file says."""
    car = view.prepared.car
    return view.with_car(replace(car, mass=factor * car.mass, u_mass=factor * car.u_mass))


def hidden_masses(view: View) -> dict[str, float]:
    """Shares [1] by which the mass of each assembly's wheels may be wrong, just found with 95 %.

    The masses of an assembly, an axle or the whole car may be wrong together.
    """
    shares = dict.fromkeys(view.parts, 0.0)
    for names in together(view):
        heavier = wheels_times(view, names=names, factor=1.0 + STEP)
        share = min(STEP / times_found(view, heavier), MOST_MASS)
        shares |= {name: max(share, shares[name]) for name in names}
    return shares


def heavier_by(part: Part, share: float) -> Floats:
    """Change (w, 3, n) [N] of the forces of an assembly whose wheels weigh a share [1] more."""
    return share / STEP * (_heavier(part, 1.0 + STEP).level - part.level)


def wheels_times(view: View, *, names: tuple[str, ...], factor: float) -> View:
    """The drive of a car whose wheels of some assemblies weigh `factor` times as much."""
    for name in names:
        view = view.with_part(_heavier(view.parts[name], factor))
    return view


def _heavier(part: Part, factor: float) -> Part:
    """The assembly with wheels of `factor` times their stated mass.

    Only mass times acceleration of a hub matters, and the weight that was on the links at the tare.
    """
    tare = part.solver.estimator.tare.indication[:, None]
    hub = factor * part.samples.hub
    indication = part.samples.indication - (1.0 - factor) * tare
    return Part(part.solver, replace(part.samples, hub=hub, indication=indication), part.zero)
