"""Draw the gauges of an assembly: slopes, cross-talk, zeros, creep and friction.

Magnitudes: common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.quantities import MOMENT_ARM
from recon.car.linkage import Linkage
from recon.car.vehicle import Gauge
from recon.virtual.channels import Channels
from recon.virtual.effects import Effects
from recon.virtual.elastic import Load, no_load, settle
from recon.virtual.elements import CUT_LOADS, ElasticAssembly
from recon.virtual.hub_loads import PullLoad
from recon.virtual.springs import solid_links

# Indication per newton if neither tube nor bench pull is stated; from memory, order of magnitude.
USUAL_SLOPE = {"mV/V": 1e-4, "microstrain": 0.05, "V": 1e-3, "counts": 1.0}
# Rise of an indication per kelvin, relative: the modulus of steel falls by 3e-4 and the factor of a
# constantan gauge rises by 1e-4; from memory.
THERMAL_GAIN = 4e-4
# Share of a load that stands for minutes; from memory of data sheets, order of magnitude.
CREEP = 1e-3
TYPICAL_PULL = 3000.0  # N along each axis at the contact; friction is a share of the member loads


def draw_channels(
    linkage: Linkage, elastic: ElasticAssembly, effects: Effects, rng: np.random.Generator
) -> Channels:
    """Draw the gauges of one assembly around what the vehicle file states about them."""
    gauges, members = linkage.gauges, elastic.members.names
    own = np.array([_own_slope(g, effects.facts, rng) for g in gauges])
    n, m = len(gauges), len(members)
    share = effects.cross_talk * rng.uniform(0.01, 0.06, (n, m)) * rng.choice([-1.0, 1.0], (n, m))
    mine = np.array([members.index(g.member) for g in gauges])
    # Every gauge responds to members at its wheel; one at a section also to that section's loads.
    near = [_near(elastic, m, of) for m, of in zip(mine, linkage.home_of, strict=True)]
    felt = np.array(near) | np.array([_same_cut(elastic, m) for m in mine])
    share *= felt
    share[np.arange(n), mine] = 1.0
    newton = np.abs(own) * elastic.members.arm[mine]
    full_scale = np.array([g.full_scale for g in gauges])
    return Channels(
        names=tuple(g.name for g in gauges),
        K=own[:, None] * share * elastic.members.arm[mine][:, None] / elastic.members.arm,
        zero=newton * 1200.0 * rng.standard_normal(n),
        zero_shift=newton * 140.0 * rng.standard_normal(n),
        zero_per_kelvin=newton * 4.0 * rng.standard_normal(n),
        gain_per_kelvin=THERMAL_GAIN * effects.thermal_gain * rng.uniform(0.7, 1.3, n),
        creep=CREEP * effects.creep * rng.uniform(0.5, 1.5, n),
        friction=effects.friction * _friction(linkage, elastic, rng),
        newton=newton,
        full_scale=np.where(np.isfinite(full_scale), full_scale, np.inf),
        noise=effects.noise,
    )


def _near(elastic: ElasticAssembly, member: int, home: str) -> NDArray[np.bool_]:
    """Mask (member,) of members at the gauge's wheel.

    A gauge whose `home` is the axle responds to every wheel whose body its member touches, or
    to all wheels if it touches none.
    """
    if home in [w.corner for w in elastic.wheels]:
        return elastic.members.touches[elastic.wheel(home)]
    touched = elastic.members.touches[elastic.members.touches[:, member]]
    return np.any(touched if len(touched) else elastic.members.touches, axis=0)


def _same_cut(elastic: ElasticAssembly, member: int) -> NDArray[np.bool_]:
    """Mask (member,) of the loads at the same cut as `member`; all False for a link or spring."""
    links = len(elastic.members.element)
    at = np.arange(len(elastic.members.names))
    cut = (at - links) // len(CUT_LOADS)
    return (at >= links) & (member >= links) & (cut == cut[member])


def _own_slope(gauge: Gauge, scale: float, rng: np.random.Generator) -> float:
    sign = float(gauge.sign) or float(rng.choice([-1.0, 1.0]))
    if not np.isfinite(gauge.slope):
        arm = MOMENT_ARM if gauge.measures in ("bending", "torsion") else 1.0
        return sign * USUAL_SLOPE[gauge.unit] / arm * float(rng.uniform(0.7, 1.4))
    u = gauge.u_slope if np.isfinite(gauge.u_slope) else 0.03 * abs(gauge.slope)
    return sign * (abs(gauge.slope) + scale * u * float(rng.standard_normal()))


def _friction(linkage: Linkage, elastic: ElasticAssembly, rng: np.random.Generator) -> Floats:
    """Half-width of each member's friction loop, (member,) [N, N m].

    About 0.08 % of the largest load that typical pulls cause in the member.
    """
    three = np.eye(3)
    solid = solid_links(elastic, 0.0)
    peak = np.zeros(len(elastic.members.names))
    for k, (corner, wheel) in enumerate(zip(linkage.corners, elastic.wheels, strict=True)):
        loads: list[Load] = [no_load] * len(elastic.wheels)
        loads[k] = PullLoad(
            attach=np.broadcast_to(wheel.hub - [0.0, 0.0, wheel.radius], (3, 3)),
            strap_force=TYPICAL_PULL * three,
            pad=np.zeros((3, 3)),
            pad_force=np.zeros((3, 3)),
            hub=wheel.hub,
            weight=0.0,
            held=np.full(3, corner.brake.place == "outboard"),
        )
        most = settle(elastic, tuple(loads), np.zeros(3), springs=solid)
        peak = np.fmax(peak, np.max(np.abs(most.load), axis=0))
    return np.asarray(peak * rng.uniform(0.0005, 0.0011, len(peak)))
