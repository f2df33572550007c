"""Ranks the values that a vehicle file leaves to a default by their effect on forces, in newtons.

Asked before there is a calibration: gauges answer to their own member alone and are known exactly,
everything usual is logged, and each default acts by its cause of error at two loads, a corner at
0.7 g and a stop at 0.7 g, with the wheels half way up their travel.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from recon.base.quantities import COMPONENTS
from recon.calibration.calibrated import Conditions, CornerCalibration, Quality
from recon.car.checks import PARTNER
from recon.car.vehicle import Assumed, Vehicle
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.reconstruction.causes.bench import bench_of
from recon.reconstruction.causes.every_cause import causes_of
from recon.reconstruction.causes.sensor_causes import attitude_causes
from recon.reconstruction.causes.usual_loads import usual_samples, variances_of_effects
from recon.reconstruction.estimator.assembly_estimator import estimator_of
from recon.reconstruction.estimator.session import AssemblySession, Attitude, Steer, WheelSensors
from recon.reconstruction.estimator.tare_load import Tare
from recon.reconstruction.inputs.steering import logged_steer

# Key of the vehicle file to the causes of error that it sizes, as a pattern of `Source.what`.
CAUSES = {
    "u_mm": "hardpoints",
    "u_centre_mm": "hardpoints",
    "u_loaded_radius_mm": "loaded radius",
    "u_unsprung_mass_kg": "unsprung mass",
    "u_droop_travel_mm": "droop travel",
    "u_brake_torque_Nm_per_bar": "brake torque per pressure",
    "u_pneumatic_trail_mm": "aligning moment",
    "u_patch_shift_mm": "overturning moment",
    "u_bush_rate_N_per_mm": "bushes",
    "u_travel_mm": "travel",
    "u_travel_percent": "travel",
    "u_steer_deg": "steer",
    "u_attitude_deg": "(roll|pitch) of the body",
    "u_hub_acceleration_m_per_s2": "hub acceleration [xyz]",
    "u_hub_acceleration_percent": "hub acceleration [xyz]",
    "u_compliance_mm_per_kN": ".* compliance",
    "u_rate_N_per_mm": ".* compliance",
    "u_rate_Nm_per_deg": ".* compliance",
}


@dataclass(frozen=True, slots=True)
class DefaultEffect:
    """Standard uncertainty `u` [N] of force `component` of `corner` that a default makes."""

    assumed: Assumed
    corner: str
    component: str
    u: float


def effects_of_defaults(car: Vehicle) -> list[DefaultEffect]:
    """Effect of every default that a cause of error stands for, the largest first.

    One entry for each cause: the corner and force that it moves most.  Defaults of bridges and
    tubes are not among them, as the pulls replace them.  Of the two sides of the car the left one
    is asked.  An assembly none of whose loads follows from equilibrium has no entry.
    """
    largest: dict[str, DefaultEffect] = {}
    assemblies = assemblies_of(car)
    for assembly in assemblies.values():
        by_cause = _assumed(car, assembly)
        known = assembly.gauges and assembly.members
        if not by_cause or not known or _has_left_partner(car, assembly):
            continue
        effects = _effects(car, assembly, logged_steer("steer", car, assemblies))
        for what, assumed in by_cause.items():
            u, corner, component = effects(what)
            if u > 0 and (what not in largest or u > largest[what].u):
                largest[what] = DefaultEffect(assumed, corner, component, u)
    return sorted(largest.values(), key=lambda effect: -effect.u)


def _has_left_partner(car: Vehicle, assembly: Assembly) -> bool:
    first = assembly.corners[0]
    return not first.left and PARTNER[first.name] in car.corners


def _assumed(car: Vehicle, assembly: Assembly) -> dict[str, Assumed]:
    """Each pattern of `CAUSES` with the first default of assembly or car that sizes it."""
    owners = {"car", f"axle {assembly.name}", *(f"corner {c.name}" for c in assembly.corners)}
    out: dict[str, Assumed] = {}
    for assumed in car.assumed:
        if assumed.owner in owners and assumed.key in CAUSES:
            out.setdefault(CAUSES[assumed.key], assumed)
    return out


def _effects(
    car: Vehicle, assembly: Assembly, steer: Steer
) -> Callable[[str], tuple[float, str, str]]:
    """Largest effect [N] of the causes that a pattern fits, with its corner and component."""
    session = _usual_session(car, assembly, steer)
    estimator = estimator_of(car, assembly, _exact_calibration(assembly), session)
    bench = bench_of(estimator)
    u = car.sensors.u_attitude
    attitude = attitude_causes(bench, Attitude("logged", u, u))
    causes = [*causes_of(bench, car.tyre), *attitude]
    samples = usual_samples(estimator, bench.grid.scale)

    def largest(what: str) -> tuple[float, str, str]:
        own = [cause for cause in causes if re.fullmatch(what, cause.source.what)]
        if not own:
            return 0.0, "", ""
        row = np.sqrt(np.max(variances_of_effects(own, samples), axis=0))
        worst = int(np.argmax(row))
        return float(row[worst]), assembly.corners[worst // 3].name, COMPONENTS[worst % 3]

    return largest


def _usual_session(car: Vehicle, assembly: Assembly, steer: Steer) -> AssemblySession:
    """Everything logged, with the errors that the vehicle file states or leaves to a default."""
    sensors = car.sensors
    gauges = len(assembly.gauges)
    hub = (sensors.u_hub_acceleration,) * 3
    wheel = WheelSensors(
        travel=sensors.u_travel,
        travel_share=sensors.u_travel_share,
        acceleration=hub,
        acceleration_share=(sensors.u_hub_acceleration_share,) * 3,
        rack=steer.u_rack if assembly.steered else 0.0,
        heading=steer.u_heading if assembly.steered else 0.0,
        pressure_logged=True,
        braking_known=True,
    )
    return AssemblySession(
        noise=np.ones(gauges),
        u_zero=np.ones(gauges),
        tare=Tare(),
        warming=0.0,
        wheels=(wheel,) * len(assembly.corners),
    )


def _exact_calibration(assembly: Assembly) -> CornerCalibration:
    """Gauges that show newtons of their own member, exactly."""
    gauges, members = len(assembly.gauges), len(assembly.members)
    K = np.zeros((gauges, members))
    for g, on in enumerate(assembly.gauged):
        if on in assembly.members:
            m = assembly.members.index(on)
            K[g, m] = 1.0 / assembly.arms[m]
    return CornerCalibration(
        corner=assembly.name,
        gauges=tuple(g.name for g in assembly.gauges),
        units=("N",) * gauges,
        members=assembly.members,
        arms=assembly.arms,
        K=K,
        K_geometry=K,
        sources=("all",),
        covariance_by_source=np.zeros((1, K.size, K.size)),
        devices=(),
        gain_effect=np.zeros((0, K.size)),
        noise=np.ones(gauges),
        friction=np.zeros(gauges),
        conditions=Conditions(
            travel=0.0,
            rack=0.0,
            temperature=np.nan,
            force_reached=np.full((len(assembly.corners), 3), np.inf),
            tare=np.full(gauges, np.nan),
            tare_scatter=np.full(gauges, np.nan),
        ),
        quality=Quality(0.0, 1.0, 1.0, np.ones(1), "", (), (), ()),
        verification=None,
    )
