"""From the tables of the vehicle file to the frozen dataclasses in SI, defaults filled in."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from math import dist, nan, pi, radians
from typing import Any, TypeVar

from recon.car import schema
from recon.car.bridges import BenchPull, Tube, TubeBridge
from recon.car.vehicle import (
    DAMPER,
    ORIGIN,
    Assumed,
    Attachment,
    Axle,
    Brake,
    Corner,
    Gauge,
    Sensors,
    Steering,
    Support,
    Tyre,
    Vec,
    Wheel,
)

MM = 1e-3
DEGREE = pi / 180
BAR = 1e5
T = TypeVar("T")
D = TypeVar("D", Tyre, Sensors)

TYRE_KEYS = {
    "pneumatic_trail_mm": ("trail", MM),
    "u_pneumatic_trail_mm": ("u_trail", MM),
    "patch_shift_mm_per_kN": ("shift_per_force", 1e-6),
    "u_patch_shift_mm": ("u_shift", MM),
}
SENSOR_KEYS = {
    "u_travel_mm": ("u_travel", MM),
    "u_travel_percent": ("u_travel_share", 0.01),
    "u_steer_deg": ("u_steer", DEGREE),
    "u_attitude_deg": ("u_attitude", DEGREE),
    "u_hub_acceleration_m_per_s2": ("u_hub_acceleration", 1.0),
    "u_hub_acceleration_percent": ("u_hub_acceleration_share", 0.01),
}


@dataclass(slots=True)
class Notes:
    """Collects which defaults were used for what, to state each in one sentence."""

    owner: str
    used: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def take(self, table: Any, key: str, default: T, words: str, of: str = "") -> T:
        """The value that a table states, or `default` with a note that says it in `words`.

        `of` names what the key belongs to, where one owner has several of them.
        """
        stated: T | None = getattr(table, key)
        if stated is not None:
            return stated
        self.used.setdefault((key, words), []).append(of)
        return default

    def assumed(self) -> tuple[Assumed, ...]:
        """All defaults that were used."""
        return tuple(
            Assumed(self.owner, key, _of(names), taken) for (key, taken), names in self.used.items()
        )


def _of(names: list[str]) -> str:
    if not any(names):
        return ""
    shown, rest = names[:3], names[3:]
    return f" of {', '.join(shown)}" + (f" and {len(rest)} more" if rest else "")


def overlaid(default: D, table: Any, keys: dict[str, tuple[str, float]], notes: Notes) -> D:
    """`default` with the stated keys in SI laid over it; each other key is noted."""
    values = {}
    for key, (attribute, factor) in keys.items():
        edge = getattr(default, attribute) / factor
        values[attribute] = factor * notes.take(table, key, edge, f"{edge:.2g}")
    return replace(default, **values)


def _metres(point: Vec) -> Vec:
    x, y, z = point
    return x * MM, y * MM, z * MM


def mass_in_si(table: schema.MassTable, notes: Notes) -> dict[str, Any]:
    """Return mass, centre of mass and stated wheelbase as keywords of `Vehicle`."""
    share = 0.01 * table.total_kg
    spread = (10.0, 10.0, 30.0)
    u_centre = notes.take(table, "u_centre_of_mass_mm", spread, "[10, 10, 30]")
    return {
        "mass": table.total_kg,
        "u_mass": notes.take(table, "u_total_kg", share, f"1 %, {share:.3g} kg"),
        "centre_of_mass": _metres(table.centre_of_mass_mm),
        "u_centre_of_mass": _metres(u_centre),
        "stated_wheelbase": nan if table.wheelbase_mm is None else table.wheelbase_mm * MM,
    }


def steering_in_si(table: schema.SteeringTable) -> Steering:
    """Return the rack: no range where none was stated."""
    low, high = table.rack_mm or (0.0, 0.0)
    per_turn = nan if table.rack_mm_per_turn is None else table.rack_mm_per_turn
    return Steering((low * MM, high * MM), per_turn * MM / (2 * pi))


def corner_in_si(name: str, table: schema.CornerTable, notes: Notes) -> Corner:
    """Return the corner without its gauges."""
    low, high = table.travel_mm
    take, mass = partial(notes.take, table), table.unsprung_mass_kg
    u_mass = take("u_unsprung_mass_kg", 0.08 * mass, f"8 %, {0.08 * mass:.3g} kg")
    bush_rate = take("bush_rate_N_per_mm", 0.0, "0, spherical bearings at every end")
    half = 0.5 * bush_rate
    u_bush_rate = take("u_bush_rate_N_per_mm", half, f"half of the rate, {half:.3g} N/mm")
    droop = take("droop_travel_mm", low, f"the lower end of travel_mm, {low:g} mm")
    return Corner(
        name=name,
        bodies=table.bodies,
        supports=tuple(_support(s, notes) for s in table.support),
        gauges=(),
        wheel=_wheel(table.wheel, notes),
        brake=_brake(table, notes),
        driven=table.driven,
        unsprung_mass=mass,
        u_unsprung_mass=u_mass,
        travel_range=(low * MM, high * MM),
        droop_travel=droop * MM,
        bush_rate=bush_rate / MM,
        u_bush_rate=u_bush_rate / MM,
        u_droop_travel=MM * take("u_droop_travel_mm", 3.0, "3 mm"),
    )


def _wheel(table: schema.WheelTable, notes: Notes) -> Wheel:
    take = partial(notes.take, table)
    inertia = take("spin_inertia_kg_m2", 1.0, "1.0")
    share = 0.3 * inertia
    return Wheel(
        on=table.on,
        centre=_metres(table.centre_mm),
        u_centre=MM * take("u_centre_mm", 3.0, "3 mm"),
        loaded_radius=MM * table.loaded_radius_mm,
        u_loaded_radius=MM * take("u_loaded_radius_mm", 3.0, "3 mm"),
        toe_in=radians(take("toe_in_deg", 0.0, "0")),
        camber=radians(take("camber_deg", 0.0, "0")),
        spin_inertia=inertia,
        u_spin_inertia=take("u_spin_inertia_kg_m2", share, f"30 %, {share:.2g}"),
    )


def _brake(table: schema.CornerTable, notes: Notes) -> Brake:
    torque = table.brake_torque_Nm_per_bar
    if torque is None:
        return Brake(table.brake, nan, nan)
    share = 0.18 * torque
    u_torque = notes.take(table, "u_brake_torque_Nm_per_bar", share, f"18 %, {share:.2g}")
    return Brake(table.brake, torque / BAR, u_torque / BAR)


def _support(table: schema.SupportTable, notes: Notes) -> Support:
    compliance, u_compliance = _compliance(table, notes)
    return Support(
        name=table.name,
        kind=table.kind,
        outer=_attachment(table.outer, f"{table.name} outer", notes),
        inner=_attachment(table.inner, f"{table.name} inner", notes),
        axis_point=_metres(table.axis_point_mm or ORIGIN),
        limit=nan if table.limit_N is None else table.limit_N,
        tube=None if table.tube_wall_mm is None else _tube(table, notes),
        yield_strength=nan if table.yield_strength_MPa is None else 1e6 * table.yield_strength_MPa,
        compliance=compliance,
        u_compliance=u_compliance,
    )


def _compliance(table: schema.SupportTable, notes: Notes) -> tuple[float, float]:
    """Elongation per load and its standard uncertainty, NaN where nothing is stated."""
    soft = table.compliance_mm_per_kN
    if soft is not None:
        u_soft = notes.take(table, "u_compliance_mm_per_kN", 0.3 * soft, "30 %", table.name)
        return soft * 1e-6, u_soft * 1e-6
    key = "rate_Nm_per_deg" if table.kind == "torsion" else "rate_N_per_mm"
    rate = getattr(table, key)
    if rate is None:
        return nan, nan
    if rate == 0:
        return DAMPER, 0.0
    u_rate = notes.take(table, f"u_{key}", 0.05 * rate, "5 %", table.name)
    compliance = (DEGREE if table.kind == "torsion" else MM) / rate
    return compliance, compliance * u_rate / rate


def _attachment(table: schema.PointTable, name: str, notes: Notes) -> Attachment:
    u_point = notes.take(table, "u_mm", 3.0, "3 mm", name)
    return Attachment(table.on, _metres(table.point_mm), u_point * MM, table.moves_with_rack)


def gauge_in_si(table: schema.GaugeTable, notes: Notes) -> Gauge:
    """Return the channel with the bench pull or the bridge and tube that it is stated with."""
    along, across = table.along, table.across
    if along is not None and across is None:
        # Neither the pull along a beam nor its torsion asks for a direction across it.
        across = (0.0, 0.0, 1.0) if abs(along[2]) < 0.9 * dist(along, ORIGIN) else (1.0, 0.0, 0.0)
    return Gauge(
        name=table.name,
        on=table.on,
        unit=table.unit,
        expected=_expected(table, notes),
        sign={"unknown": 0, "tension_positive": 1, "tension_negative": -1}[table.sign],
        full_scale=nan if table.full_scale is None else table.full_scale,
        measures=table.measures,
        station=_metres(table.station_mm or ORIGIN),
        along=along,
        across=across,
    )


def _expected(table: schema.GaugeTable, notes: Notes) -> TubeBridge | BenchPull | None:
    """Return the source of the expected slope: bench pull before tube, None without either."""
    for key in ("bench_slope_per_kN", "bench_slope_per_kNm"):
        bench = getattr(table, key)
        if bench is not None:
            u_bench = notes.take(table, f"u_{key}", 0.01 * bench, "1 %", table.name)
            return BenchPull(bench / 1e3, u_bench / 1e3)
    read = table.unit in ("mV/V", "microstrain")
    if table.bridge is None or table.tube_wall_mm is None or not read:
        return None
    tube = _tube(table, notes)
    factor = u_factor = nan
    if table.unit == "mV/V":
        factor = notes.take(table, "gauge_factor", 2.0, "2.0", table.name)
        u_factor = notes.take(table, "u_gauge_factor", 0.02 * factor, "2 %", table.name)
    return TubeBridge(table.bridge, tube, factor, u_factor, table.unit)


def _tube(table: schema.GaugeTable | schema.SupportTable, notes: Notes) -> Tube:
    """Return the tube at a gauge or of a link; only a bridge makes use of Poisson's ratio."""
    take, ratio = partial(notes.take, table, of=table.name), hasattr(table, "poisson_ratio")
    return Tube(
        outside_diameter=MM * take("tube_outside_diameter_mm", nan, ""),
        u_outside_diameter=MM * take("u_tube_outside_diameter_mm", 0.05, "0.05 mm"),
        wall=MM * take("tube_wall_mm", nan, ""),
        u_wall=MM * take("u_tube_wall_mm", 0.05, "0.05 mm"),
        youngs_modulus=1e9 * take("youngs_modulus_GPa", 205.0, "205 (steel)"),
        u_youngs_modulus=1e9 * take("u_youngs_modulus_GPa", 5.0, "5"),
        poisson_ratio=take("poisson_ratio", 0.29, "0.29 (steel)") if ratio else nan,
        u_poisson_ratio=take("u_poisson_ratio", 0.01, "0.01") if ratio else nan,
    )


def axle_in_si(name: str, table: schema.AxleTable, notes: Notes) -> Axle:
    """Return the axle with its gauges."""
    return Axle(
        name=name,
        bodies=table.bodies,
        supports=tuple(_support(s, notes) for s in table.support),
        gauges=tuple(gauge_in_si(g, notes) for g in table.gauge),
        final_drive=nan if table.final_drive_ratio is None else table.final_drive_ratio,
        mass=0.0 if table.mass_kg is None else table.mass_kg,
    )


def mirrored(corner: Corner, name: str) -> Corner:
    """Return the corner of the other side: y turned round, toe-in and camber kept."""

    def across(point: Vec) -> Vec:
        return point[0], -point[1], point[2]

    return replace(
        corner,
        name=name,
        supports=tuple(
            replace(
                s,
                outer=replace(s.outer, point=across(s.outer.point)),
                inner=replace(s.inner, point=across(s.inner.point)),
                axis_point=across(s.axis_point),
            )
            for s in corner.supports
        ),
        wheel=replace(corner.wheel, centre=across(corner.wheel.centre)),
    )
