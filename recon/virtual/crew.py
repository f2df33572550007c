"""Pull the virtual car's wheels and write the pull sheet as its crew would.

The sheet has the errors of a real day: straps not quite where planned (the marks show where they
were), errors in marks and points, a gain error in each load device, wandering zeros, friction
while unloading, compliance under load.  The main assumption is a car on stands with springs
replaced by solid links and the wheel hanging at each tare.  A tied axle keeps its springs, so
that the bar or beam carries load as it does on the road.  These springs are captive and adjusted
so that both wheels hang at design height; one wheel is pulled while the other hangs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, nearest
from recon.base.quantities import STANDARD_GRAVITY
from recon.records.sheets import PullSheet
from recon.virtual.channels import Reading, sensed, shown
from recon.virtual.drawing import U_DEVICE_GAIN, U_LOAD_STEP, VirtualCar
from recon.virtual.elastic import Load, Settled, settle
from recon.virtual.hub_loads import AtRest, PullLoad
from recon.virtual.plan import PlannedPull, pull_plan, verification_plan
from recon.virtual.springs import solid_links, springs_holding

PHASE = ("tare", *["rising"] * 5, *["falling"] * 3, "tare")
SHARE = np.array([0, 0.2, 0.4, 0.6, 0.8, 1.0, 0.75, 0.5, 0.25, 0])
STEP_TIME, PULL_TIME = 60.0, 240.0  # s, between steps and from one pull to the next
# Standard uncertainties that the crew states; the errors are drawn with the same figures.
U_MARK, U_ATTACH, U_PAD_POINT, U_PAD_TILT = 0.003, 0.002, 0.002, 0.0035  # m, m, m, rad
STATED = {
    "u_load_step": U_LOAD_STEP,
    "u_strap_gain": U_DEVICE_GAIN,
    "u_pad_gain": U_DEVICE_GAIN,
    "u_attach": U_ATTACH,
    "u_mark": U_MARK,
    "u_pad_point": U_PAD_POINT,
    "u_direction": 0.0175,  # rad; not used, all straps have marks
    "u_pad_tilt": U_PAD_TILT,
    "strap_limit": 10000.0,  # N, invented
}
U_HEIGHT = 0.0005  # m, error of the solid link's length, which no sheet states
# Scatter about the plan, which the marks show.
ATTACH_SCATTER, DIRECTION_SCATTER = 0.012, 0.028  # m, rad
MARKS_AT = (0.25, 1.25)  # m along the strap from the attachment point
STRAP = 1.4  # m to an anchor that stays where it is
MOST_RISE = 0.025  # m by which a pull may move the wheels of a tied axle on their springs
LIMIT_SHARE = 0.45  # of a stated limit: a tenth below the 50 % rule
PULL_NOISE = 1.5  # N of the gauge's own load; a reading is a mean over seconds


@dataclass(frozen=True, slots=True)
class Mistyped:
    """The load step whose load is written with a wrong digit; `step` 1 is the first rising one."""

    corner: str
    pull: str
    step: int


@dataclass(frozen=True, slots=True)
class _Geometry:
    """True lines of action of a corner's pulls.

    `attach` and `pad` (pull, xyz) [m], `direction` and `pad_direction` (pull, xyz) of unit
    length, `height` [m] of the held wheel above design height.
    """

    attach: Floats
    direction: Floats
    pad: Floats
    pad_direction: Floats
    height: float

    @property
    def anchor(self) -> Floats:
        """Far ends of the straps (pull, xyz) [m] before the pulls."""
        return self.attach + STRAP * self.direction


def virtual_pulls(
    virtual_car: VirtualCar,
    plan: tuple[PlannedPull, ...] | None,
    rng: np.random.Generator,
    *,
    corners: tuple[str, ...] | None = None,
    mistyped: Mistyped | None = None,
) -> PullSheet:
    """Make the pulls of `plan`, by default `pull_plan` of `corners`, and write the pull sheet.

    All drawn corners are pulled if neither is given; `mistyped` is a load to be written with a
    wrong digit.  The sheet has one row per load step, in SI units; `indication` (row, gauge) in
    each gauge's unit, NaN for gauges of corners or axles other than the pulled one.

    Raises DataError: `mistyped` names a pull or step that the plan does not contain.
    """
    plan = plan or pull_plan(virtual_car.car, corners or virtual_car.corners)
    names = tuple(dict.fromkeys(p.corner for p in plan))
    columns = [
        _corner_columns(virtual_car, tuple(p for p in plan if p.corner == name), rng)
        for name in names
    ]
    assemblies = [virtual_car.assembly_name(name) for name in names]
    read = _side_by_side(assemblies, [c.pop("read") for c in columns])
    table = {key: np.concatenate([c[key] for c in columns]) for key in columns[0]}
    if mistyped is not None:
        _mistype(table, mistyped)
    rows = len(table["corner"])
    stated = {key: np.full(rows, value) for key, value in STATED.items()}
    return PullSheet.of_columns(
        {**table, **stated, "direction": np.full((rows, 3), np.nan), "steer": np.zeros(rows)},
        path="virtual pulls",
        checksum="",
        line=np.arange(2, rows + 2),
        gauges=tuple(
            g for name in dict.fromkeys(assemblies) for g in virtual_car.channels[name].names
        ),
        indication=read,
    )


def _side_by_side(assemblies: list[str], blocks: list[Floats]) -> Floats:
    """Join the readings (row, gauge) of assemblies into one array, NaN for gauges not read."""
    widths = {assembly: block.shape[1] for assembly, block in zip(assemblies, blocks, strict=True)}
    column = dict(zip(widths, np.cumsum([0, *widths.values()]).tolist(), strict=False))
    out = np.full((sum(len(b) for b in blocks), sum(widths.values())), np.nan)
    row = 0
    for assembly, block in zip(assemblies, blocks, strict=True):
        out[row : row + len(block), column[assembly] : column[assembly] + widths[assembly]] = block
        row += len(block)
    return out


def virtual_verification(
    virtual_car: VirtualCar, rng: np.random.Generator, *, corners: tuple[str, ...] | None = None
) -> PullSheet:
    """Make four verification pulls per corner, whose lines and loads differ from the plan's.

    Parameters, result and errors are those of `virtual_pulls`.
    """
    plan = verification_plan(virtual_car.car, corners or virtual_car.corners)
    return virtual_pulls(virtual_car, plan, rng)


def _corner_columns(
    virtual_car: VirtualCar, plan: tuple[PlannedPull, ...], rng: np.random.Generator
) -> dict[str, NDArray]:
    name = plan[0].corner
    geometry = _geometry(virtual_car, plan, rng)
    peak = _bearable(virtual_car, plan, geometry)  # (pull, device)
    n, steps = len(plan), len(SHARE)
    share = SHARE * (1 + 0.02 * rng.standard_normal((n, steps)).clip(-2, 2))
    load = peak[:, None, :] * share[:, :, None]  # true, (pull, step, device)
    which = np.repeat(np.arange(n), steps)
    settled = _pulled(virtual_car, plan, geometry, load.reshape(-1, 2), which)
    clock = (np.arange(n)[:, None] * ((steps - 1) * STEP_TIME + PULL_TIME)
             + STEP_TIME * np.arange(steps)).ravel()  # fmt: skip
    warm = 18.5 + 1.5 * clock / clock[-1]
    channels = virtual_car.channels[virtual_car.assembly_name(name)]
    reading = Reading(clock, warm, np.full(n * steps, PULL_NOISE), after_shift=False)
    read = shown(channels, sensed(channels, settled.load, reading, rng))
    scale = virtual_car.effects.readings
    travel, partner, seen = _seen_on_springs(virtual_car, name, settled, geometry)
    written = _written_points(seen, plan, scale, rng)
    strap, pad = (
        _written_load(load[:, :, d].ravel() / (1 + gain), scale * U_LOAD_STEP, step, rng)
        for d, (gain, step) in enumerate(
            ((virtual_car.strap_gain, 1.0), (virtual_car.pad_gain, 5.0))
        )
    )
    uses = np.array([[p.strap_peak > 0, p.pad_peak > 0] for p in plan])[which]
    return {
        "corner": np.full(n * steps, name),
        "pull": np.array([p.name for p in plan])[which],
        "purpose": np.array([p.purpose for p in plan])[which],
        "wheel_held_by": np.array([p.held_by for p in plan])[which],
        "phase": np.tile(PHASE, n),
        "clock": clock,
        "travel": travel,
        "partner_travel": partner,
        "strap_load": np.where(uses[:, 0], strap, np.nan),
        "pad_load": np.where(uses[:, 1], pad, np.nan),
        **{key: value[which] for key, value in written.items()},
        "temperature": np.round(warm + 0.15 * rng.standard_normal(n * steps), 1),
        "notes": np.full(n * steps, ""),
        "read": read,
    }


def _seen_on_springs(
    virtual_car: VirtualCar, corner: str, settled: Settled, geometry: _Geometry
) -> tuple[Floats, Floats, _Geometry]:
    """Travel and partner's travel (row,) [m] to whole millimetres, and lines under the mean load.

    On solid links the wheel does not move and the lines are those before the pull.
    """
    assembly = virtual_car.assembly_name(corner)
    if assembly not in virtual_car.springs:
        rows = len(settled.travel)
        return np.zeros(rows), np.full(rows, np.nan), geometry
    k = virtual_car.elastic[assembly].wheel(corner)
    at, hub = settled.wheels[k], virtual_car.elastic[assembly].wheels[k].hub
    pulls, steps = len(geometry.attach), len(PHASE)
    arm = np.repeat(geometry.attach - hub, steps, axis=0)
    attach = (at.hub + np.einsum("nij,nj->ni", at.turn, arm)).reshape(pulls, steps, 3)
    loaded = np.array([phase != "tare" for phase in PHASE])
    middle = np.mean(attach[:, loaded], axis=1)
    along = geometry.anchor - middle
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    under_load = replace(geometry, attach=middle, direction=along)
    travel = np.round(settled.travel, 3)
    return travel[:, k], travel[:, 1 - k], under_load


def _geometry(
    virtual_car: VirtualCar, plan: tuple[PlannedPull, ...], rng: np.random.Generator
) -> _Geometry:
    """Draw the true lines of action: those of the plan on the described wheel, with scatter."""
    corner = virtual_car.car.corners[plan[0].corner]
    side = np.array([1.0, 1.0 if corner.left else -1.0, 1.0])
    hub = np.array(corner.wheel.centre)
    true_hub = np.array(virtual_car.truth.corners[corner.name].wheel.centre)
    contact = true_hub * [1, 1, 0] + hub * [0, 0, 1]
    contact = contact - [0.0, 0.0, corner.wheel.loaded_radius]
    start = np.array([hub if p.high else contact for p in plan])
    n = len(plan)
    scatter = ATTACH_SCATTER * rng.standard_normal((n, 3))
    attach = start + side * np.array([p.attach for p in plan]) + scatter
    direction = side * np.array([p.direction for p in plan])
    direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    direction = direction + DIRECTION_SCATTER * rng.standard_normal((n, 3))
    pad = contact + side * np.array([p.pad for p in plan])
    pad[:, :2] += 0.003 * rng.standard_normal((n, 2))
    tilt = virtual_car.effects.readings * U_PAD_TILT * rng.standard_normal((n, 2))
    up = np.column_stack([np.sin(tilt), np.sqrt(1 - np.sum(np.sin(tilt) ** 2, axis=1))])
    length = np.linalg.norm(direction, axis=1, keepdims=True)
    height = virtual_car.effects.facts * U_HEIGHT * rng.standard_normal()
    return _Geometry(attach, direction / length, pad, up, height)


def _pulled(
    virtual_car: VirtualCar,
    plan: tuple[PlannedPull, ...],
    geometry: _Geometry,
    load: Floats,
    which: NDArray[np.int64],
) -> Settled:
    """Equilibrium under true loads (row, strap/pad) [N]; `which` (row,) is each row's pull."""
    name = plan[0].corner
    assembly = virtual_car.assembly_name(name)
    elastic, linkage = virtual_car.elastic[assembly], virtual_car.linkages[assembly]
    k = elastic.wheel(name)
    outboard = linkage.corners[k].brake.place == "outboard"
    held = np.array([p.held_by == "brake" and outboard for p in plan])
    weights = [STANDARD_GRAVITY * c.unsprung_mass for c in linkage.corners]
    loads: list[Load] = [AtRest(weight) for weight in weights]
    loads[k] = PullLoad(
        attach=geometry.attach[which],
        strap_force=load[:, :1] * geometry.direction[which],
        pad=geometry.pad[which],
        pad_force=load[:, 1:] * geometry.pad_direction[which],
        hub=elastic.wheels[k].hub,
        weight=weights[k],
        held=held[which],
        anchor=geometry.anchor[which] if assembly in virtual_car.springs else None,
    )
    if assembly in virtual_car.springs:
        hanging = tuple(AtRest(weight) for weight in weights)
        springs = springs_holding(elastic, hanging, geometry.height)
    else:
        springs = solid_links(elastic, geometry.height)
    return settle(elastic, tuple(loads), np.zeros(len(which)), springs=springs)


def _bearable(
    virtual_car: VirtualCar, plan: tuple[PlannedPull, ...], geometry: _Geometry
) -> Floats:
    """Planned peak loads (pull, strap/pad) [N], reduced to stay within limits and travel."""
    peak = np.array([[p.strap_peak, p.pad_peak] for p in plan], dtype=float)
    assembly = virtual_car.assembly_name(plan[0].corner)
    stated = {s.name: s.limit for s in virtual_car.linkages[assembly].supports}
    members = virtual_car.elastic[assembly].members.names
    limit = np.array([stated.get(member, np.inf) for member in members])
    limit = np.where(np.isfinite(limit), limit, np.inf)
    settled = _pulled(virtual_car, plan, geometry, peak, np.arange(len(plan)))
    share = np.max(np.abs(settled.load) / (LIMIT_SHARE * limit), axis=1)
    if assembly in virtual_car.springs:
        share = np.fmax(share, np.max(np.abs(settled.travel) / MOST_RISE, axis=1))
    return peak / np.maximum(1.0, share)[:, None]


def _written_points(
    geometry: _Geometry, plan: tuple[PlannedPull, ...], scale: float, rng: np.random.Generator
) -> dict[str, Floats]:
    """Points (pull, xyz) [m] as read with a tape, to whole millimetres; NaN if not in use."""

    def read(points: Floats, u: float, used: list[bool]) -> Floats:
        seen = np.round(points + scale * u * rng.standard_normal(points.shape), 3)
        return np.where(np.array(used)[:, None], seen, np.nan)

    strap, pad = [p.strap_peak > 0 for p in plan], [p.pad_peak > 0 for p in plan]
    near, far = (geometry.attach + at * geometry.direction for at in MARKS_AT)
    return {
        "attach": read(geometry.attach, U_ATTACH, strap),
        "mark1": read(near, U_MARK, strap),
        "mark2": read(far, U_MARK, strap),
        "pad": read(geometry.pad, U_PAD_POINT, pad),
    }


def _written_load(load: Floats, share: float, step: float, rng: np.random.Generator) -> Floats:
    read = load * (1 + share * rng.standard_normal(len(load)))
    return np.asarray(step * np.round(read / step))


def _mistype(table: dict[str, NDArray], mistyped: Mistyped) -> None:
    """Write the second digit of one load two too high, like a slip of the pen."""
    of_corner = table["corner"] == mistyped.corner
    rows = np.flatnonzero(of_corner & (table["pull"] == mistyped.pull))
    if len(rows) <= mistyped.step:
        names = tuple(dict.fromkeys(table["pull"][of_corner].tolist()))
        raise DataError(
            where=f"virtual pulls, corner {mistyped.corner}",
            found=f"no step {mistyped.step} in a pull named '{mistyped.pull}'",
            needed=nearest(mistyped.pull, names) if names else "a corner that is pulled",
            do=f"Name a pull of the plan and a step from 1 to {len(SHARE) - 2}.",
        )
    row = rows[mistyped.step]
    device = "strap_load" if np.isfinite(table["strap_load"][row]) else "pad_load"
    load = table[device][row]
    table[device][row] = load + 2 * 10 ** np.floor(np.log10(load / 10))
