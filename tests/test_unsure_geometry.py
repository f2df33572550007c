"""Points and compliances that are off, in pulls of an axle that moves while it is pulled."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from recon.calibration.applied import Pull, pulls_of
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import assembly_of
from recon.records.sheets import PullSheet
from recon.virtual.crew import virtual_pulls
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.effects import Effects
from recon.virtual.plan import pull_plan
from tests.shipped_mechanisms import shipped

EXACT = Effects(friction=0.0, creep=0.0, noise=0.0, facts=0.0, readings=0.0)


@cache
def pulled() -> tuple[VirtualCar, PullSheet]:
    """An axle without random errors, and its pulls."""
    drawn = draw_car(shipped("solid_axle"), 3, corners=("RL", "RR"), effects=EXACT)
    plan = pull_plan(drawn.car, ("RL", "RR"))
    few = tuple(p for p in plan if p.name in ("fore", "pad", "outward on the pad"))
    return drawn, virtual_pulls(drawn, few, np.random.default_rng(3))


def loads_of(car: Vehicle) -> tuple[list[Pull], list[np.ndarray]]:
    pulls = pulls_of(pulled()[1], car, assembly_of(car, "RL"), "fit")
    return pulls, [pull.loads(pull.wrench()) for pull in pulls]


def with_support(name: str, by: float, what: str) -> Vehicle:
    """The car with one support of RL off by some of its standard uncertainties."""
    car = pulled()[0].car
    corner = car.corners["RL"]

    def off(s):
        if s.name != name:
            return s
        if what == "compliance":
            return replace(s, compliance=s.compliance + by * s.u_compliance)
        axis, end = "xyz".index(what[0]), what[2:]
        joint = getattr(s, end)
        point = list(joint.point)
        point[axis] += by * joint.u
        return replace(s, **{end: replace(joint, point=tuple(point))})

    changed = replace(corner, supports=tuple(map(off, corner.supports)))
    return replace(car, corners=car.corners | {"RL": changed})


@pytest.mark.parametrize(
    ("support", "what"),
    [("spring", "x outer"), ("upper_link", "z inner"), ("lower_link", "compliance")],
)
def test_loads_of_a_car_that_is_otherwise_are_among_the_causes(support: str, what: str) -> None:
    """What K takes up and what it does not are together the change, by one standard uncertainty."""
    pulls, written = loads_of(pulled()[0].car)
    plus, minus = (loads_of(with_support(support, by, what))[1] for by in (0.5, -0.5))
    change = np.concatenate([a - b for a, b in zip(plus, minus, strict=True)])
    causes = np.concatenate(
        [
            load @ np.swapaxes(pull.geometry.taken_up, -1, -2) + pull.geometry.loads
            for pull, load in zip(pulls, written, strict=True)
        ],
        axis=1,
    )
    # Combinations that change less than a two-thousandth of the loads are left out, and the way
    # from one pose to another is taken as straight: both are noise here, some percent of a change.
    noise = 0.03 * np.abs(change).max()
    design = np.vstack([causes.reshape(len(causes), -1).T, noise * np.eye(len(causes))])
    wanted = np.concatenate([change.ravel(), np.zeros(len(causes))])
    size = np.linalg.lstsq(design, wanted, rcond=None)[0]
    assert np.abs(design @ size - wanted)[: change.size].max() < 2 * noise
    assert np.linalg.norm(size) == pytest.approx(1.0, abs=0.15)
