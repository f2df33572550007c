"""Loads applied by the pulls of one corner: wrenches and tared indications.

In: a pull sheet and the posed corner.  Out: one `Pull` per pull, SI, vehicle axes, forces on
the wheel, moments about the wheel centre.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.quantities import STANDARD_GRAVITY
from recon.calibration.lines_of_action import Line, line_of, swing_of
from recon.calibration.taring import Taring, tared
from recon.calibration.unsure_geometry import MOVED, PulledPose, UnsureGeometry, unsure_geometry
from recon.car.vehicle import Corner, Vehicle
from recon.mechanics.assembly import Assembly
from recon.mechanics.bushes import bush_loads
from recon.mechanics.motion import Pose, pose, rack_of_steer
from recon.mechanics.statics import member_matrix
from recon.records.sheets import PullSheet

CELL_RESOLUTION = 0.5  # N; a hundredth of a small load step, keeps tiny loads from deciding


@dataclass(frozen=True, slots=True)
class PulledWheel:
    """The pulled wheel at the pose of the pull, vehicle axes.

    `hub` and `contact` (3,) are the wheel centre and the contact centre [m], `spin` (3,) the unit
    vector of the spin axis, `u_hub` the standard uncertainty of each coordinate of the centre [m].
    `turns_hub` is True where the wheel is held by an outboard brake, so that the whole moment
    reaches the upright; `outboard` says whether the road ever turns it so.
    """

    hub: Floats
    u_hub: float
    contact: Floats
    spin: Floats
    turns_hub: bool
    outboard: bool


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull: loaded rows only; tares already taken off.

    `load` (device, step) [N], zero where the device is not in use; `lines` one per device in use;
    `u_step` (step,) and `u_gain` (device,) relative standard uncertainties of readings and gains;
    `falling` (step,); `indication` (step, gauge) [unit] less the tare interpolated in time, which
    `taring` holds; `members` (member, 6) the loads per wrench about the wheel's centre at the mean
    travel; `own` (gauge, member) [1, 1/m] takes that of the member that a gauge is on, a couple
    over its arm; `moved` (step, member) [N] how much larger loads are at the step's own travel,
    weight and bushes since the tare included; `geometry` how they change with points and
    compliances that are unsure; `travel` and `rack` [m]; `force_limit` of the strap [N];
    `temperature` [degC].
    """

    corner: str
    name: str
    line_of_file: NDArray[np.int64]
    devices: tuple[str, ...]
    lines: tuple[Line, ...]
    load: Floats
    u_step: Floats
    u_gain: Floats
    falling: NDArray[np.bool_]
    indication: Floats
    taring: Taring
    wheel: PulledWheel
    members: Floats
    own: Floats
    travel: float
    rack: float
    force_limit: float
    temperature: float
    moved: Floats
    geometry: UnsureGeometry

    @property
    def peak(self) -> Floats:
        """Indications (gauge,) [unit] at the largest load."""
        return np.asarray(self.indication[np.argmax(np.sum(self.load, axis=0))])

    def loads(self, wrench: Floats) -> Floats:
        """Member loads (step, member) under wrenches (step, 6), more than at the tare."""
        return wrench @ self.members.T + self.moved

    def u_reading(self, load: Floats) -> Floats:
        """Standard uncertainty [N] of reading `load` (step,) [N] at each step, the gain aside."""
        return np.hypot(self.u_step * load, CELL_RESOLUTION)

    def columns(self, line: Line) -> Floats:
        """Wrench about the hub per newton on `line`, and its change per unsure part, (6, 5).

        Rows are Fx, Fy, Fz [N per N] and Mx, My, Mz [N m per N] in vehicle axes.  The first column
        is the line as written; then per metre of offset and per radian of angle, in both
        directions across the line.
        """
        arm = line.point - self.wheel.hub
        force = np.column_stack([line.direction, np.zeros((3, 2)), line.across.T])
        moment = np.cross(arm, force.T).T
        moment[:, 1:3] += np.cross(line.across, line.direction).T
        if not self.wheel.turns_hub:
            spin = self.wheel.spin
            moment = moment - np.outer(spin, spin @ moment)
        return np.vstack([force, moment])

    def wrench(self) -> Floats:
        """Reference wrench about the hub at each step, (step, 6) [N, N m]."""
        return np.einsum(
            "ds,dw->sw", self.load, np.array([self.columns(line)[:, 0] for line in self.lines])
        )


@dataclass(frozen=True, slots=True)
class _Written:
    """Rows of one pull in its sheet, and which wheel of the assembly it pulls."""

    sheet: PullSheet
    rows: NDArray[np.int64]
    corner: Corner
    wheel: int

    @property
    def loaded(self) -> NDArray[np.int64]:
        """Rows of the load steps."""
        return np.asarray(self.rows[self.sheet.phase[self.rows] != "tare"])

    def travels(self, wheels: int) -> Floats:
        """Travel of every wheel of the assembly at each row, (row, wheel) [m]."""
        at = self.sheet.setting
        own, partner = at.travel[self.rows], at.partner_travel[self.rows]
        both = np.tile(np.where(np.isnan(partner), own, partner)[:, None], wheels)
        both[:, self.wheel] = own
        return both


def pulls_of(
    sheet: PullSheet,
    car: Vehicle,
    assembly: Assembly,
    purpose: str,
    map_pose: tuple[float, float] | None = None,
) -> list[Pull]:
    """Every pull of the assembly with that purpose, tared, posed and given its lines of action.

    Both wheels of a tied axle stand at the travels that are written, the partner's at that of the
    pulled one where its own is not; the partner's wheel carries nothing.  `map_pose` [m] is the
    travel and rack that K belongs to, by default the mean of these pulls.

    Raises DataError: a pull has no tare before its first load, or was made at a travel or steer
    beyond the stated range; the message names pull and line.
    """
    read = [k for k, g in enumerate(assembly.gauges) if g.name in sheet.gauges]
    gauges = [sheet.gauges.index(assembly.gauges[k].name) for k in read]
    own = np.array([[assembly.gauged[k] == m for m in assembly.members] for k in read])
    own = own / assembly.arms
    written = _written(sheet, assembly, purpose)
    racks = rack_of_steer(car, [np.mean(sheet.setting.steer[of.loaded]) for of in written])
    out, poses = [], []
    for of, rack in zip(written, racks.tolist(), strict=True):
        travels = of.travels(len(assembly.corners))
        mean = np.mean(travels[sheet.phase[of.rows] != "tare"], axis=0)
        _require_brake(of)
        _require_in_range(of, car, float(mean[of.wheel]), rack)
        at = pose(assembly.mechanism, mean, rack)
        pull = replace(_pull(of, at, float(mean[of.wheel]), rack, gauges), own=own)
        if np.max(np.abs(travels - mean)) > MOVED:
            pull = replace(pull, moved=_from_rise(of, assembly, travels, pull))
        out.append(pull)
        poses.append(_pulled_pose(of, travels, pull))
    unsure = unsure_geometry(assembly, poses, map_pose or mean_pose(out)) if out else []
    return [replace(pull, geometry=of) for pull, of in zip(out, unsure, strict=True)]


def mean_pose(pulls: list[Pull]) -> tuple[float, float]:
    """Travel and rack [m] that K of these pulls belongs to: their mean."""
    return float(np.mean([p.travel for p in pulls])), float(np.mean([p.rack for p in pulls]))


def _pulled_pose(of: _Written, travels: Floats, pull: Pull) -> PulledPose:
    """Where the pull was made; `travels` (row, wheel) [m] are those of all its rows."""
    is_tare = of.sheet.phase[of.rows] == "tare"
    places = np.column_stack([travels, np.full(len(travels), pull.rack)])
    loads = pull.loads(pull.wrench())
    tare = np.mean(places[is_tare], axis=0)
    return PulledPose(places[~is_tare], tare, of.wheel, pull.wheel.hub, pull.wrench(), loads)


def _written(sheet: PullSheet, assembly: Assembly, purpose: str) -> list[_Written]:
    """Every pull of that purpose, corner after corner, in the order of the sheet."""
    out = []
    for corner in assembly.corners:
        chosen = (sheet.corner == corner.name) & (sheet.purpose == purpose)
        for name in dict.fromkeys(sheet.pull[chosen].tolist()):
            rows = np.flatnonzero(chosen & (sheet.pull == name))
            out.append(_Written(sheet, rows, corner, assembly.wheel(corner.name)))
    return out


def _require_brake(of: _Written) -> None:
    """Refuse a wheel of a live axle held by its half-shaft: the propeller shaft would roll it."""
    row = int(of.loaded[0])
    if of.corner.final_drive and of.sheet.wheel_held_by[row] == "half-shaft":
        raise DataError(
            where=f"{of.sheet.path}, line {of.sheet.line[row]}, corner {of.corner.name}, pull "
            f"{of.sheet.pull[row]}",
            found="a wheel held by its half-shaft, whose differential is in the axle "
            f"(final_drive_ratio = {of.corner.final_drive:g})",
            needed="brake or free: a propeller shaft that holds a wheel rolls the axle",
            do="Hold the wheel by its brake, out of gear, and pull again.",
        )


def _require_in_range(of: _Written, car: Vehicle, travel: float, rack: float) -> None:
    sheet, corner, row = of.sheet, of.corner, int(of.loaded[0])
    ranges = [("travel", travel, corner.travel_range, "travel_mm")]
    if corner.steered:
        ranges.append(("the rack's shift", rack, car.steering.rack_range, "rack_mm"))
    for words, value, (low, high), key in ranges:
        if not low <= value <= high:
            raise DataError(
                where=f"{sheet.path}, line {sheet.line[row]}, corner {corner.name}, pull "
                f"{sheet.pull[row]}",
                found=f"{words} of {1e3 * value:.1f} mm",
                needed=f"{1e3 * low:.0f} to {1e3 * high:.0f} mm ({key} of the vehicle file)",
                do="Correct travel or steer of this pull, or state the range that the suspension "
                "really has.",
            )


def _pull(of: _Written, at: Pose, travel: float, rack: float, gauges: list[int]) -> Pull:
    sheet, corner, loaded, w = of.sheet, of.corner, of.loaded, of.wheel
    tied = len(at.wheels) > 1
    wheel = at.wheels[w]
    first = int(loaded[0])
    outboard = corner.brake.place == "outboard"
    indication, taring = tared(sheet, of.rows, gauges)
    found = {"strap": sheet.strap, "pad": sheet.pad}
    used = {name: loaded[np.nan_to_num(of.load[loaded]) != 0.0] for name, of in found.items()}
    devices = {name: of for name, of in found.items() if used[name].size}
    return Pull(
        corner=corner.name,
        # One list holds the pulls of both wheels of an axle: the corner distinguishes them.
        name=f"{corner.name} {sheet.pull[first]}" if tied else str(sheet.pull[first]),
        line_of_file=sheet.line[loaded],
        devices=tuple(devices),
        lines=tuple(line_of(sheet, used[name], of) for name, of in devices.items()),
        load=np.array([np.nan_to_num(of.load[loaded]) for of in devices.values()]),
        u_step=sheet.u_load_step[loaded],
        u_gain=np.array([of.u_gain[first] for of in devices.values()]),
        falling=sheet.phase[loaded] == "falling",
        indication=indication,
        taring=taring,
        wheel=PulledWheel(
            hub=wheel.hub,
            u_hub=corner.wheel.u_centre,
            contact=wheel.contact,
            spin=wheel.spin,
            turns_hub=bool(sheet.wheel_held_by[first] == "brake") and outboard,
            outboard=outboard,
        ),
        members=member_matrix(at)[:, 6 * w : 6 * w + 6],
        own=np.zeros((len(gauges), len(at.mechanism.members))),
        travel=travel,
        rack=rack,
        force_limit=float(sheet.strap.limit[first]),
        temperature=float(np.mean(sheet.temperature[loaded])),
        moved=np.zeros((len(loaded), len(at.mechanism.members))),
        geometry=UnsureGeometry.nothing(len(loaded), len(at.mechanism.members)),
    )


def _from_rise(of: _Written, assembly: Assembly, travels: Floats, pull: Pull) -> Floats:
    """Member loads (step, member) at the steps' own travels beyond those at the pull's mean.

    Links and arms turn under the loads that are written, and the strap's end with the wheel; the
    strap swings as its rows say, and a pad acts where its row says. The weight of the wheels, which
    does not turn, and twisted bushes load them otherwise than at the tare.
    """
    w, wheel = of.wheel, pull.wheel
    is_tare = of.sheet.phase[of.rows] == "tare"
    tare = np.mean(travels[is_tare], axis=0)
    mean = np.mean(travels[~is_tare], axis=0)
    at = pose(assembly.mechanism, np.vstack([travels[~is_tare], tare, mean]), pull.rack)
    members = member_matrix(at)[:-1]
    own = members[:-1, :, 6 * w : 6 * w + 6]
    wrench = pull.wrench()
    turned = np.zeros_like(wrench)
    rotation = at.rotation[:, at.mechanism.wheels[w].body]
    for d, (device, line) in enumerate(zip(pull.devices, pull.lines, strict=True)):
        arm = line.point - wheel.hub
        swing = np.zeros((len(of.loaded), 3))
        if device == "strap":
            now = rotation[:-2] @ (rotation[-1].T @ arm)
            end = at.wheels[w].hub[:-2] + now
            swing = swing_of(of.sheet.strap, of.loaded, travels[~is_tare, w], end)
        else:
            pad = of.sheet.pad.point[of.loaded]
            now = np.where(np.isfinite(pad), pad, line.point) - at.wheels[w].hub[:-2]
        load = pull.load[d][:, None]
        turned[:, :3] += load * swing
        turned[:, 3:] += np.cross(now - arm, load * line.direction) + np.cross(now, load * swing)
    if not wheel.turns_hub:
        turned[:, 3:] -= np.outer(turned[:, 3:] @ wheel.spin, wheel.spin)
    more = np.einsum("smi,si->sm", own, wrench + turned) - wrench @ pull.members.T
    bushes = bush_loads(assembly, at)
    more += bushes[:-2] - bushes[-2]
    for k, corner in enumerate(assembly.corners):
        weight = -corner.unsprung_mass * STANDARD_GRAVITY
        more += weight * (members[:-1] - members[-1])[..., 6 * k + 2]
    return more
