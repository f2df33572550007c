"""Scales of the effects that the virtual car has and the reconstruction does not model."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Effects:
    """Scale of each family of effects: 1 as drawn, 0 without (`compliance` must stay above 0).

    `facts` scales the errors of stated facts (points, masses, radius, slopes, sensors, gains of
    the load devices), `readings` the errors of each pull's readings (marks, points, loads) and
    `noise` the noise and wander of the gauges.
    """

    compliance: float = 1.0
    bushes: float = 1.0
    friction: float = 1.0
    creep: float = 1.0
    thermal_gain: float = 1.0
    cross_talk: float = 1.0
    noise: float = 1.0
    facts: float = 1.0
    readings: float = 1.0
