"""Every cause of error of an assembly: zeros, map, priors, mechanics; sensors and geometry beside.

Each function works on the bench and returns causes as `cause` describes them.
"""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import COMPONENTS
from recon.car.vehicle import Tyre
from recon.mechanics.assembly import axle_roll
from recon.reconstruction.causes.bench import Bench
from recon.reconstruction.causes.cause import Cause, Source, joined, numbered
from recon.reconstruction.causes.geometry_causes import (
    compliance_causes,
    geometry_causes,
    shaft_causes,
    wind_up_causes,
)
from recon.reconstruction.causes.sensor_causes import sensor_causes
from recon.reconstruction.estimator.assembly_estimator import (
    FRICTION_AT_TARE,
    SIZE,
    SPLIT,
    typical_unknowns,
    unsure_indications,
)
from recon.reconstruction.estimator.linear_estimator import FORCE_ROWS, KNOWN_ROWS

# Share of a load that stands for minutes, as in pulls, and passes in seconds, as in a drive; up or
# down, and alike for all gauges that were bonded together.  From memory of data sheets, order of
# magnitude.
CREEP = 1e-3
# Links, bushes and brackets give under load and turn the links a little: share of the force,
# common practice, no source.
LINEARITY = 0.003


def causes_of(bench: Bench, tyre: Tyre) -> list[Cause]:
    """All causes of an assembly but the body's attitude, each source once."""
    return joined(
        [
            *zero_causes(bench),
            *sensor_causes(bench),
            *map_causes(bench),
            *geometry_causes(bench),
            *compliance_causes(bench),
            *wind_up_causes(bench),
            *shaft_causes(bench),
            *prior_causes(bench, tyre),
            *friction_causes(bench),
            *mechanical_causes(bench),
            *split_causes(bench),
            *damper_causes(bench),
        ]
    )


def zero_causes(bench: Bench) -> list[Cause]:
    """A zero that is off, gauge by gauge or all at once, and what a tare on pads leaves open."""
    session = bench.estimator.session
    columns = np.hstack([np.diag(session.u_zero), bench.tare.effects]).T
    source = Source("session", bench.assembly.name, "zeros")
    causes = numbered(source, "session", map(bench.constant, columns))
    if session.drift is not None:
        together = Source("session", "", "zeros that drift together")
        causes.append(Cause(together, "session", bench.constant(session.drift)))
    return causes


def map_causes(bench: Bench) -> list[Cause]:
    """K's own uncertainty by principal directions, and the devices' gains shared by corners."""
    fitted = bench.estimator.calibration
    values, vectors = np.linalg.eigh(fitted.covariance)
    keep = values > 1e-6 * values[-1]
    factors = (vectors[:, keep] * np.sqrt(values[keep])).T
    source = Source("calibration", bench.assembly.name, "pulls")
    loadings = _map_loadings(bench, np.vstack([factors, fitted.gain_effect]))
    gains = [
        Cause(Source("calibration", device, "gain"), "calibration", loading)
        for device, loading in zip(fitted.devices, loadings[len(factors) :], strict=True)
    ]
    return numbered(source, "calibration", loadings[: len(factors)]) + gains


def _map_loadings(bench: Bench, changes: Floats) -> Floats:
    """A change of K acts on the loads: e = -W dK (s + s_unsprung - s_hanging).

    `changes` (change, gauge * member) to loadings (change, mode, 3 w, feature).
    """
    changes = changes.reshape(len(changes), 1, *bench.K.shape)
    tare, features = bench.tare, bench.features
    out = np.empty((len(changes), *bench.blank().shape))
    for m, at in enumerate(bench.grid.at):
        off = -at.forces @ changes  # (change, node, 3 w, member)
        unsprung = (at.hub_loads - tare.hanging) @ tare.weight
        out[:, m] = bench.grid.over_pose(off @ at.loads[..., at.known_rows], features)
        constant = (off @ unsprung[..., None])[..., 0]
        out[:, m] += bench.grid.over_travel(constant, features)
    return out


def prior_causes(bench: Bench, tyre: Tyre) -> list[Cause]:
    """Tyre moments, the hub's moment and forces: wrong priors shift the answer by I - W H."""
    out = []
    for k, corner in enumerate(bench.assembly.corners):
        for axis in FORCE_ROWS:
            source = Source("car", corner.name, f"size of {COMPONENTS[axis]}")
            loading = _size_of_force(bench, k, axis)
            out.append(Cause(source, "assumption", loading, turned=_as_axle_leans(bench, loading)))
        for what, column, slope, of in (
            ("aligning moment", 5, tyre.u_trail, 2),
            ("overturning moment", 3, tyre.u_shift, 3),
        ):
            by_force = _prior_shift(bench, k, column) * slope
            loadings = [bench.blank(), bench.blank()]
            loadings[0][:, :, bench.features.force(k, of - 1)] = by_force
            loadings[1][:, :, 0] = _prior_shift(bench, k, column) * tyre.floor_moment
            out += numbered(Source("car", corner.name, what), "assumption", loadings)
        out += _hub_moment_causes(bench, k)
    return out


def _as_axle_leans(bench: Bench, loading: Floats) -> Floats | None:
    """Addition by an error of constant `loading` (mode, 3 w, feature) in axes that lean as an axle.

    (3 w, feature) [N]; None for a lone wheel.  A body that rolls by the travels of an axle turns
    against it, and side forces that both tyres hold against each other act along the axle: what
    they seem to do upwards in axes of the body is nothing against the road.
    """
    if bench.features.wheels == 1:
        return None
    constant, out = loading[0, :, 0].reshape(2, 3), np.zeros(loading.shape[1:])
    for j, roll in enumerate(axle_roll(bench.assembly, np.diag(bench.grid.scale[:2]))):
        turned = np.stack([0 * constant[:, 0], -roll * constant[:, 2], roll * constant[:, 1]], 1)
        out[:, bench.features.travel(j)] = turned.ravel()
    return out


def _hub_moment_causes(bench: Bench, k: int) -> list[Cause]:
    """The moment that hub `k` passes, and the torque per line pressure where it brakes."""
    corner, shift = bench.assembly.corners[k], _prior_shift(bench, k, 4)
    open_moment, torque = bench.blank(), bench.blank()
    factor = corner.brake.torque_per_pressure
    for m, mode in enumerate(bench.modes):
        open_moment[m, :, 0] = shift[m] * bench.estimator.torque_floor(k, mode[k])
        if factor > 0 and mode[k] == "braked":
            relative = corner.brake.u_torque_per_pressure / factor
            torque[m, :, bench.features.force(k, 3)] = shift[m] * relative
    out = [Cause(Source("car", corner.name, "hub moment"), "assumption", open_moment)]
    if factor > 0:
        out.append(
            Cause(Source("car", corner.name, "brake torque per pressure"), "session", torque)
        )
    return out


def _prior_shift(bench: Bench, k: int, column: int) -> Floats:
    """Shift of the forces (mode, 3 w) per shift of one prior of wheel `k` at design height."""
    return np.array([at.prior[at.force_rows, 6 * k + column] for at in bench.centre])


def _size_of_force(bench: Bench, k: int, axis: int) -> Floats:
    """A force as large as usual that no gauge sees moves the others, by shares of the travel."""
    size = SIZE * bench.estimator.usual_load[k]
    return np.array(
        [
            bench.grid.over_travel(at.prior[:, at.force_rows, 6 * k + axis] * size, bench.features)
            for at in bench.grid.at
        ]
    )


def friction_causes(bench: Bench) -> list[Cause]:
    """Friction in the joints of the links, as wide as its loops in the pulls.

    Gauge by gauge it is anywhere within its loop at the tare.  As long as loads build up, it holds
    back all of them at once, on all wheels: by its half-width at usual loads.
    """
    estimator, features = bench.estimator, bench.features
    half, typical = estimator.calibration.friction, typical_unknowns(estimator.usual_load)
    source = Source("session", bench.assembly.name, "friction")
    columns = np.diag(FRICTION_AT_TARE * half)
    held_back = bench.blank()
    for m, at in enumerate(bench.centre):
        usual = np.sqrt(np.mean((at.H @ typical.T) ** 2, axis=1))
        # Usual loads leave a gauge of the torsion of an axle tube without indication.
        share = np.divide(half, usual, out=np.zeros_like(half), where=usual > 0)
        by_force = share[:, None] * at.H[:, at.known_rows]
        held_back[m, :, features.forces] = -at.forces @ by_force
    return [
        *numbered(source, "assumption", map(bench.constant, columns)),
        Cause(Source("car", "", "friction while loads build up"), "assumption", held_back),
    ]


def mechanical_causes(bench: Bench) -> list[Cause]:
    """Linearity, bushes beside the links, thermal slope of the links, creep of the gauges."""
    features, every = bench.features, bench.blank()
    out: list[Cause] = []
    for k, corner in enumerate(bench.assembly.corners):
        shares = [bench.blank() for _ in range(3)]
        for axis, share in enumerate(shares):
            share[:, 3 * k + axis, features.force(k, axis)] = LINEARITY
            every[:, 3 * k + axis, features.force(k, axis)] = 1.0
        out += numbered(Source("car", corner.name, "linearity"), "assumption", shares)
        if corner.u_bush_rate > 0:
            loading = bench.constant(-corner.u_bush_rate * bench.twisted[..., k] @ bench.K.T)
            out.append(Cause(Source("car", corner.name, "bushes"), "assumption", loading))
    warmed = bench.estimator.session.u_thermal
    for what, size in (("thermal slope of the links", warmed), ("creep of the gauges", CREEP)):
        out.append(Cause(Source("car", "", what), "assumption", size * every))
    return out


def split_causes(bench: Bench) -> list[Cause]:
    """Share of each wheel's load that a bar, a beam or bound links take from the springs.

    A share of it while driving, and at the tare, where wheels that hang unevenly twist a bar: by
    the uncertainty of their droop travel, whose cause has it already, or less of the usual load
    where rates are not stated. Pulls never show such a twist alone, so its indications rest on
    the bridges: K's covariance at its loads comes on top.
    """
    if not np.any(bench.estimator.shared[0]):
        return []
    out = []
    for k, corner in enumerate(bench.assembly.corners):
        driving = bench.blank()
        first = bench.features.force(k, 0)
        for m, (at, shared) in enumerate(zip(bench.centre, bench.estimator.shared, strict=True)):
            own = shared[:, [6 * k + row for row in KNOWN_ROWS]]
            effect = -SPLIT * at.forces @ bench.K @ own
            driving[m, :, first : first + len(KNOWN_ROWS)] = effect
        out.append(Cause(Source("car", corner.name, "split of load"), "assumption", driving))
        if not bench.tare.by_droop:
            at_tare = bench.at_design(bench.K @ bench.tare.split[:, k])
            source = Source("session", corner.name, "split of load at the tare")
            out.append(Cause(source, "session", at_tare))
    columns = [
        column
        for load in bench.tare.twist.T
        for column in unsure_indications(bench.estimator.calibration, load).T
    ]
    source = Source("calibration", bench.assembly.name, "map at a bar's twist")
    return out + numbered(source, "calibration", map(bench.at_design, columns))


def damper_causes(bench: Bench) -> list[Cause]:
    """Force of each damper that springs and bars share, as large as usual in the drive.

    No rate tells it, and no pull shows it, so K's covariance at its loads comes on top.
    """
    columns = bench.estimator.by_dampers.T
    source = Source("session", bench.assembly.name, "dampers")
    return numbered(source, "assumption", map(bench.at_design, columns))


def table_causes(bench: Bench, error: Floats) -> list[Cause]:
    """Error of a table that is not fine enough between its nodes: of every force, in every axis.

    `error` (mode,) [N/N].
    """
    out = []
    for k, corner in enumerate(bench.assembly.corners):
        loadings = []
        for axis in range(3):
            for force in range(3):
                loadings.append(bench.blank())
                loadings[-1][:, 3 * k + axis, bench.features.force(k, force)] = error[:]
        source = Source("car", corner.name, "table over travel and steer")
        out += numbered(source, "assumption", loadings)
    return out
