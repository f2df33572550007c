"""A day of one tied axle: pulls, tares, log and truth from its own drawn geometry and map.

The loads come from `member_matrix`, which other engines check (tests/outside); what is judged
here is everything behind it.  Points, map, zeros, noise and readings are drawn; all is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr

from recon.base.quantities import STANDARD_GRAVITY
from recon.car.mechanism import Unit, unit_of
from recon.car.statics import member_matrix, road_columns, strip_spin
from recon.car.vehicle import Vehicle
from recon.reconstruction.prepare import at_travels
from recon.records.sheets import PullSheet, Tares
from recon.virtual.plan import PlannedPull, pull_plan, verification_plan

SHARE = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 0.7, 0.3, 0.0])
PHASE = ("tare", *["rising"] * 4, *["falling"] * 2, "tare")
RATE = 100.0


@dataclass(frozen=True)
class Truth:
    """The axle as it is: `unit` with drawn points, K (gauge, member), zeros (gauge,)."""

    car: Vehicle
    unit: Unit
    K: np.ndarray
    zero: np.ndarray
    noise: np.ndarray
    rng: np.random.Generator

    def seen(self, loads: np.ndarray) -> np.ndarray:
        """Indications of member loads (sample, member), with zeros and noise."""
        clean = loads @ self.K.T + self.zero
        return clean + self.noise * self.rng.standard_normal(clean.shape)


def draw(car: Vehicle, corner: str, rng: np.random.Generator, exact: bool = False) -> Truth:
    """Draw the car's points within their uncertainties, and a map near its bridges."""
    size = 0.0 if exact else 1.0

    def moved(end: Any) -> Any:
        return replace(
            end, point=tuple(np.array(end.point) + size * end.u * draws[end.on, end.point])
        )

    draws: dict = {}
    parts = [*car.corners.values(), *car.axles.values()]
    for part in parts:
        for s in part.supports:
            for end in (s.outer, s.inner):
                draws.setdefault((end.on, end.point), rng.standard_normal(3))

    def drawn(part: Any) -> Any:
        supports = []
        for s in part.supports:
            held = s.kind not in ("link", "spring")
            supports.append(s if held else replace(s, outer=moved(s.outer), inner=moved(s.inner)))
        return replace(part, supports=tuple(supports))

    true = replace(
        car,
        corners={n: drawn(c) for n, c in car.corners.items()},
        axles={n: drawn(a) for n, a in car.axles.items()},
    )
    unit = unit_of(car, corner)
    K = np.zeros((len(unit.gauges), len(unit.members)))
    for g, (gauge, on) in enumerate(zip(unit.gauges, unit.gauged, strict=True)):
        sign = gauge.sign or rng.choice([-1, 1])
        slope = gauge.slope if np.isfinite(gauge.slope) else 1e-4
        own = unit.members.index(on)
        small = 0.03 * slope * unit.arms[own] / unit.arms
        K[g] = small * rng.standard_normal(K.shape[1]) * size
        spread = size * np.nan_to_num(gauge.u_slope) * rng.standard_normal()
        K[g, own] = sign * (slope + spread)
    typical = np.max(np.abs(K), axis=1)
    zero = 800.0 * typical * rng.uniform(-1, 1, len(K))
    return Truth(true, unit_of(true, corner), K, zero, 3.0 * typical, rng)


def pulls_of_axle(truth: Truth, described: Vehicle, *, verify: bool = False) -> PullSheet:
    """The sheet of a crew that pulled both wheels."""
    plan_of = verification_plan if verify else pull_plan
    rows: dict[str, list] = {}
    for corner in truth.unit.corners:
        for plan in plan_of(described, (corner.name,)):
            for key, values in _one_pull(truth, plan).items():
                rows.setdefault(key, []).append(values)
    table = {key: np.concatenate(values) for key, values in rows.items()}
    n = len(table["corner"])
    stated = {
        "u_load_step": 0.004, "u_strap_gain": 0.003, "u_pad_gain": 0.003, "u_attach": 0.002,
        "u_mark": 0.002, "u_pad_point": 0.002, "u_direction": 0.0175, "u_pad_tilt": 0.0035,
        "strap_limit": 10000.0,
    }  # fmt: skip
    return PullSheet(
        path="axle checks" if verify else "axle pulls", checksum="", line=np.arange(2, n + 2),
        direction=np.full((n, 3), np.nan), travel=np.zeros(n), steer=np.zeros(n),
        clock=np.arange(n, dtype=float), notes=np.full(n, ""),
        temperature=np.full(n, 20.0), gauges=tuple(g.name for g in truth.unit.gauges),
        **{k: np.full(n, v) for k, v in stated.items()}, **table,
    )  # fmt: skip


def _one_pull(truth: Truth, plan: PlannedPull) -> dict[str, np.ndarray]:
    unit, rng = truth.unit, truth.rng
    w = unit.wheel(plan.corner)
    at = at_travels(unit, np.zeros(len(unit.corners)), 0.0)
    wheel = at.wheels[w]
    side = np.array([1.0, 1.0 if unit.corners[w].left else -1.0, 1.0])
    start = wheel.hub if plan.high else wheel.contact
    attach = start + side * np.array(plan.attach)
    direction = side * np.array(plan.direction)
    direction = direction / np.linalg.norm(direction)
    pad = wheel.contact + side * np.array([*plan.pad, 0.0])
    wrench = np.zeros((len(SHARE), 6))
    loads = {}
    for name, peak, point, along in (
        ("strap_load", plan.strap_peak, attach, direction),
        ("pad_load", plan.pad_peak, pad, np.array([0.0, 0.0, 1.0])),
    ):
        force = peak * SHARE
        moment = np.cross(point - wheel.hub, along)
        if not (plan.held_by == "brake" and unit.corners[w].brake.place == "outboard"):
            moment = strip_spin(moment[:, None], wheel.spin)[:, 0]
        wrench += np.outer(force, np.concatenate([along, moment]))
        read = force * (1 + 0.004 * rng.standard_normal(len(SHARE)))
        loads[name] = np.round(read) if peak else np.full(len(SHARE), np.nan)
    members = member_matrix(at)[:, 6 * w : 6 * w + 6]
    n = len(SHARE)

    def written(point: np.ndarray, used: float) -> np.ndarray:
        seen = np.round(point + 0.002 * rng.standard_normal(3), 3)
        return np.tile(seen if used else np.full(3, np.nan), (n, 1))

    return {
        "corner": np.full(n, plan.corner), "pull": np.full(n, plan.name),
        "purpose": np.full(n, plan.purpose), "wheel_held_by": np.full(n, plan.held_by),
        "phase": np.array(PHASE), **loads,
        "attach": written(attach, plan.strap_peak),
        "mark1": written(attach + 0.25 * direction, plan.strap_peak),
        "mark2": written(attach + 1.25 * direction, plan.strap_peak),
        "pad": written(pad, plan.pad_peak),
        "indication": truth.seen(wrench @ members.T),
    }  # fmt: skip


def drive(
    truth: Truth, described: Vehicle, samples: int = 400
) -> tuple[xr.Dataset, Tares, np.ndarray]:
    """A log, its tares and the true forces (sample, wheel, 3) in vehicle axes, body level."""
    unit, rng = truth.unit, truth.rng
    w = len(unit.corners)
    time = np.arange(samples) / RATE
    phase = rng.uniform(0, 2 * np.pi, (w, 4))
    wave = np.sin(2 * np.pi * 0.5 * time[:, None, None] + phase)
    force = np.stack([700 * wave[..., 0], 1500 * wave[..., 1], 3000 + 1200 * wave[..., 2]], axis=-1)
    limit = np.array([0.6 * min(abs(x) for x in c.travel_range) for c in unit.corners])
    travel = limit * wave[..., 3]
    reach = 0.5 * described.steering.rack_range[1] if unit.steered else 0.0
    rack = reach * np.sin(2 * np.pi * 0.25 * time)
    at = at_travels(unit, travel, rack)
    moments = np.zeros((samples, w, 3))
    moments[..., 2] = -0.020 * force[..., 1]
    unknown = np.concatenate([force, moments], axis=-1).reshape(samples, -1)
    members = member_matrix(at)
    road = np.einsum("nmu,nu->nm", members @ road_columns(at, hub_passes_spin=False), unknown)
    hub = np.tile([0.0, 0.0, STANDARD_GRAVITY], (samples, w, 1))
    mass = np.array([c.unsprung_mass for c in unit.corners])
    weight = np.zeros((samples, w, 6))
    weight[..., :3] = -mass[:, None] * hub
    loads = road + np.einsum("nmu,nu->nm", members, weight.reshape(samples, -1))
    names = list(described.corners)
    own = [names.index(c.name) for c in unit.corners]

    def by_corner(values: np.ndarray) -> np.ndarray:
        out = np.zeros((samples, len(names), *values.shape[2:]))
        out[:, own] = values
        return out

    gauges = [g.name for g in unit.gauges]
    t, c = "elapsed_time", "corner"
    log = xr.Dataset(
        {
            "indication": ((t, "gauge"), truth.seen(loads)),
            "travel": ((t, c), by_corner(travel)),
            "hub_acceleration": ((t, c, "component"), by_corner(hub)),
            "brake_pressure": ((t, c), np.zeros((samples, len(names)))),
            "gauge_temperature": ((t, c), np.full((samples, len(names)), 20.0)),
            "rack": (t, rack), "roll": (t, np.zeros(samples)), "pitch": (t, np.zeros(samples)),
        },
        coords={t: time, "gauge": gauges, c: names, "component": ["x", "y", "z"]},
        attrs={"path": "axle log"},
    )  # fmt: skip
    return log, _tares(truth, weight[0].reshape(-1)), force


def _tares(truth: Truth, weight: np.ndarray) -> Tares:
    """Both wheels hanging, before and after."""
    unit = truth.unit
    droop = np.array([max(x.droop_travel, x.travel_range[0]) for x in unit.corners])
    hanging = member_matrix(at_travels(unit, droop, 0.0)) @ weight
    gauges = [g.name for g in unit.gauges]
    n = len(gauges)
    return Tares(
        path="axle tares", checksum="", line=np.arange(2, 2 * n + 2),
        when=np.repeat(["before", "after"], n), gauge=np.array(gauges * 2),
        state=np.full(2 * n, "hanging"),
        indication=np.concatenate([truth.seen(hanging[None])[0] for _ in range(2)]),
        sd=np.tile(truth.noise, 2), temperature=np.full(2 * n, 20.0),
        pad_load=np.full(2 * n, np.nan), time=np.full(2 * n, np.nan),
    )  # fmt: skip
