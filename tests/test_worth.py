"""The channel that would narrow the intervals most: named, in newtons, and so it would."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest

from recon.base.errors import PriorWarning
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.causes.usual_loads import usual_samples, variances_of_effects
from recon.reconstruction.prepare import Prepared, prepare
from recon.reconstruction.worth import most_useful
from tests.days import day, unwarned


@cache
def prepared_without(*names: str) -> Prepared:
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        log = condition(day().log.drop_vars(names), day().car, day().tares, bandwidth=20.0)
        return prepare(day().calibration, day().car, log)


def u_of(prepared: Prepared, corner: str, component: str) -> float:
    """Standard uncertainty [N] of a force in a corner or a stop."""
    (solver,) = (s for s in prepared.solvers if s.assembly.name == corner)
    samples = usual_samples(solver.estimator, solver.scale)
    k = "xyz".index(component[1])
    square = variances_of_effects(list(solver.causes), samples)[:, k]
    return float(np.sqrt(np.mean(square + solver.random[[s.mode for s in samples], k])))


@pytest.mark.parametrize(
    ("gone", "channel"),
    [
        (("hub_acceleration",), "hub_acceleration"),
        (("steer", "yaw_rate"), "steer"),
        (("gauge_temperature",), "gauge_temperature"),
        (("roll", "pitch", "acceleration"), "roll and pitch"),
        (("hub_acceleration", "acceleration", "yaw_rate", "speed"), "hub_acceleration"),
    ],
)
def test_what_a_channel_is_said_to_gain_is_gained(gone: tuple[str, ...], channel: str) -> None:
    worth = most_useful(prepared_without(*gone).solvers)
    assert worth is not None
    assert worth.channel == channel
    now, then = (
        u_of(prepared_without(*names), worth.corner, worth.component)
        for names in (gone, tuple(name for name in gone if name not in channel.split(" and ")))
    )
    assert worth.now == pytest.approx(now, rel=1e-6)
    # Its sensor's own errors come instead; and a temperature shows the zeros between the tares too.
    assert (now - then) / (worth.now - worth.then) > 0.6
    assert then > 0.5 * worth.then


def test_it_is_printed_and_kept_with_the_forces() -> None:
    log = condition(day().log.drop_vars("hub_acceleration"), day().car, day().tares)
    with unwarned(), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", PriorWarning)
        forces = reconstruct(log, day().calibration, day().car)
    worth = forces.attrs["most_useful_channel"]
    assert [str(w.message) for w in said][-1] == f"virtual log: {worth}."
    assert forces.attrs["most_useful_channel"].startswith(
        "of the channels that are not logged, hub_acceleration would narrow the intervals most: F"
    )


def test_a_full_log_lacks_nothing() -> None:
    assert day().forces.attrs["most_useful_channel"] == ""
