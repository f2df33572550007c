"""Braking: front share of the braking force of each stop beside the ideal one, and what follows.

The ideal share is the front axle's part of the vertical load at the same samples: with it, both
axles use the same part of their load (textbook relation of braking force and dynamic load).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.labelled import SEPARATOR
from recon.base.late import xr
from recon.base.public import public
from recon.base.words import enumerated
from recon.car.vehicle import SIDES
from recon.conditioning.filters import low_pass
from recon.evaluation.balance.axle_sums import (
    BANDWIDTH,
    axle_places,
    centre_of_mass,
    complete_axles,
    highest_use,
    sampling,
    thinned,
    unknown_tyres,
)
from recon.evaluation.braking.coasting_drag import (
    U_ENGINE_DRAG,
    Coasting,
    brakes_of,
    coasting_of,
    fade,
    unseen,
)
from recon.evaluation.braking.stated_torque import against_stated, faded_beyond_stated
from recon.evaluation.braking.stops import GATE, LEAST, BrakedDrive, Stop, shares_of
from recon.evaluation.common.answer_labels import Labelled, answer_attributes, limits, plain
from recon.evaluation.common.estimate import (
    Estimate,
    combined,
    combined_each,
    independent,
    mean_of,
    stacked,
)
from recon.evaluation.sections.find_sections import find_sections, passed_over
from recon.records.forces import SIGNED, require_answerable, require_option

NEEDED = ("tyre_force_intermediate", "u_tyre_force_random", "status", "cause_name", *SIGNED)
LEAST_PRESSURE = 3e5  # Pa, mean of a stop; below it a force per pressure is mostly noise
HANDED_BACK = 0.5  # of a force that follows a stated torque: from here on it is no measurement
STATED_TORQUE = "brake torque per pressure"  # name of that cause, after its corner
FRICTION = "friction while loads build up"  # name of that cause
SHARES = {
    "front_share": "front share of the braking force",
    "ideal_front_share": "front share of the vertical load, weighted by the braking force",
    "front_share_over_ideal": "front share of the braking force less that of the vertical load",
}


@public
def braking(
    forces: xr.Dataset, *, sections: xr.Dataset | None = None, friction: float | None = None
) -> xr.Dataset:
    """Shares of both axles in the braking force of every stop.

    Forces are those of the road on the tyre, intermediate axes, low-passed to 8 Hz; braking
    forces are positive here.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `find_sections` returns it; found from the forces if omitted.
    friction : float, optional
        Friction coefficient that both axles can use, for the force that they left unused. If
        omitted, the highest use that either axle demonstrated in this drive. [1]

    Returns
    -------
    Dataset
        With `u_`, `_lower` and `_upper` each: `braking_force`, `unused_force` [N] and
        `force_per_pressure` [N/Pa] (stop, axle); `front_share`, `ideal_front_share` and
        `front_share_over_ideal` (stop) [1], and the same of all stops together
        (`all_stops_front_share`, ...); `brakes_front_share` (stop) [1] without engine braking;
        `coasting_force` (axle) [N]; `force_per_pressure_change` (axle) [1] from the first to the
        last stop; `friction_level` [1].  `resting_on_stated_torque` (stop, axle) [1] is the part
        of a braking force that follows a stated torque per pressure and not the gauges.

    Raises
    ------
    DataError
        No forces, or a friction coefficient that is not above zero.
    NoAnswerError
        No axle with both tyres, or no straight braking.
    """
    require_answerable(forces, *NEEDED)
    do = "Leave it out for the highest use that was demonstrated."
    require_option(forces, "friction", friction, "N per N", do=do)
    drive = BrakedDrive(forces)
    sections = find_sections(forces) if sections is None else sections
    stops = drive.stops(sections)
    answer, names = _Answer(drive, stops), [stop.section.name for stop in stops]
    entries = answer.shares() | answer.unused(friction) | answer.brakes() | answer.labels()
    return xr.Dataset(
        entries,
        coords={
            **plain("stop", names, ("stop",), "", "stop"),
            **plain("axle", list(SIDES), ("axle",), "", "axle"),
        },
        attrs=answer_attributes(
            forces,
            "Braking",
            gate=f"{GATE}; {sampling(drive.forces)}",
            assumed=answer.assumed,
            not_given=answer.not_given + passed_over(sections, names, LEAST, "straight braking"),
        )
        | {"remarks": SEPARATOR.join(filter(None, answer.remarks))},
    )


def _unknown(estimate: Estimate) -> Estimate:
    return replace(estimate, value=np.full_like(estimate.value, np.nan))


def _over(force: Floats, by: float) -> Floats:
    return force / by


def _left(force: Floats, level: Floats, transfer: Floats) -> Floats:
    """Force (stop, axle) [N] that is unused when the other axle reaches the friction level.

    Negative for the axle that reaches the level first.  `force` are means over a stop as
    `Stop.forces` holds them.  Braking is scaled up in the split of the stop, and `transfer` [1] of
    every added newton moves as load from the rear to the front axle.
    """
    braked, load = -force[:, :2], force[:, 2:4]
    # Load for twice the braking.
    gained = transfer * braked.sum(axis=1, keepdims=True) * np.array([1.0, -1.0])
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = level * (load - gained) / (braked - level * gained)
    other = np.where(scale > 0, scale, np.nan)[:, ::-1]
    return np.asarray(level * (load + gained * (other - 1)) - other * braked)


@dataclass(slots=True)
class _Answer:
    """The answer as it is put together, with what it takes for granted and what it cannot give."""

    drive: BrakedDrive
    stops: list[Stop]
    assumed: list[str] = field(default_factory=list)
    not_given: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    following: Floats = field(init=False)
    resting: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.following = self._following()
        forces = np.array([stop.forces.value[: len(SIDES)] for stop in self.stops])
        self.resting = np.abs(self.following / forces)
        for axle in SIDES:
            if lost := unknown_tyres(self.drive.forces, axle, "x"):
                self._lacking("Front share, ideal share and unused force", lost, "Fx")
            elif lost := unknown_tyres(self.drive.forces, axle, "z"):
                self._lacking("Ideal share and unused force", lost, "Fz")

    def _lacking(self, what: str, lost: list[str], force: str) -> None:
        tyres = enumerated(lost)
        self.not_given.append(
            f"{what}: {force} of {tyres} is not known. Gauge {tyres} (`recon observe` says where)"
        )

    @property
    def _wide(self) -> tuple[int, int]:
        return len(self.stops), len(SIDES)

    def _constant(self, value: float, u: float = 0.0) -> Estimate:
        """A quantity that is known from elsewhere, with its standard uncertainty."""
        return independent(value, u, self._causes)

    @property
    def _causes(self) -> int:
        return len(self.stops[0].forces.by_cause)

    @property
    def _forces(self) -> list[Estimate]:
        return [stop.forces for stop in self.stops]

    def _braked(self, stops: list[Stop]) -> list[Estimate]:
        """Braking force (axle,) [N] of each of these stops."""
        return combined_each(lambda f: -f[:, :2], [stop.forces for stop in stops])

    def _as_given(self, shares: list[Estimate]) -> list[Estimate]:
        """Shares of the stops, unknown where a stated torque was handed back."""
        return [one if self._given(i) else _unknown(one) for i, one in enumerate(shares)]

    def _given(self, i: int) -> bool:
        """Whether the share of a stop is more than a stated torque handed back."""
        return not np.fmax.reduce(self.resting[i]) >= HANDED_BACK

    def labels(self) -> Labelled:
        """Place and size of every stop, and what its forces rest on."""
        ends = [(stop.section.start, stop.section.end) for stop in self.stops]
        counts = [len(stop.at) for stop in self.stops]
        words = "part of the braking force that follows a stated torque per pressure"
        return (
            plain("stop_start", np.array(ends)[:, 0], ("stop",), "s", "start of the stop")
            | plain("stop_end", np.array(ends)[:, 1], ("stop",), "s", "end of the stop")
            | plain("samples_used", counts, ("stop",), "1", "samples in the gate")
            | plain("resting_on_stated_torque", self.resting, ("stop", "axle"), "1", words)
        )

    def _following(self) -> Floats:
        """Part (stop, axle) [N] of braking forces that follows the stated torque per pressure."""
        forces, out = self.drive.forces, np.full(self._wide, np.nan)
        stated = forces["brake_torque_per_pressure"].to_numpy().astype(float)
        u = forces["u_brake_torque_per_pressure"].to_numpy() / np.where(stated > 0, stated, 1.0)
        names = [str(name) for name in forces["cause_name"].to_numpy()]
        for a, wheels in enumerate(SIDES.values()):
            there = [wheel for wheel in wheels if wheel in self.drive.corners]
            causes = [(f"{wheel} {STATED_TORQUE}", wheel) for wheel in there]
            rows = [
                (names.index(c), u[self.drive.corners.index(w)]) for c, w in causes if c in names
            ]
            for i, stop in enumerate(self.stops):
                moved = sum(stop.forces.by_cause[row, a] / size for row, size in rows if size > 0)
                out[i, a] = -moved
        return out

    def shares(self) -> Labelled:
        """Braking forces and shares of every stop, and shares of all stops together."""
        kept = [i for i in range(len(self.stops)) if self._given(i)]
        for i in sorted(set(range(len(self.stops))) - set(kept)):
            self.not_given.append(self._handed_back(i))
        force = stacked(*self._braked(self.stops))
        shares = self._as_given(combined_each(shares_of, self._forces))
        counts = np.array([len(self.stops[i].at) for i in kept], dtype=float)
        together = _unknown(shares[0])
        if kept:
            together = combined(shares_of, mean_of([self._forces[i] for i in kept], counts))
        text = "mean braking force of the axle"
        out = limits("braking_force", force, ("stop", "axle"), "N", text, self._wide)
        for k, (name, text) in enumerate(SHARES.items()):
            by_stop = stacked(*(share.at(k) for share in shares))
            out |= limits(name, by_stop, ("stop",), "1", text)
            out |= limits(f"all_stops_{name}", together.at(k), (), "1", f"{text}, all stops")
        return out

    def _handed_back(self, i: int) -> str:
        a = int(np.nanargmax(self.resting[i]))
        axle = list(SIDES)[a]
        return (
            f"Front share of {self.stops[i].section.name}: {100 * self.resting[i, a]:.0f} % of the "
            f"{axle} braking force is the stated brake torque handed back. Gauge one more link at "
            f"{' and '.join(SIDES[axle])} that takes up brake torque (`recon observe` names it)"
        )

    def unused(self, friction: float | None) -> Labelled:
        """Force that each axle left unused when the other reached the friction level."""
        both = len(complete_axles(self.drive.forces)) == len(SIDES)
        level = self._level(friction) if both else self._constant(np.nan)
        transfer = self._transfer()
        count = len(self.stops)
        left = stacked(*combined_each(_left, self._forces, [level] * count, [transfer] * count))
        text = "braking force left unused when the other axle reached the friction level"
        return limits("unused_force", left, ("stop", "axle"), "N", text, self._wide) | limits(
            "friction_level", level, (), "1", "friction use that both axles are held to"
        )

    def _level(self, friction: float | None) -> Estimate:
        """Friction level of both axles, stated or demonstrated in the same drive."""
        if friction is not None:
            self.assumed.append(f"Both axles can use the stated friction of {friction:g}")
            return self._constant(friction)
        highest = highest_use(self.drive.forces, self.drive.course)
        if highest is None:
            return self._constant(np.nan)
        self.assumed.append(
            f"Both axles can use {highest.level.value[0]:.2f} of their load, the highest that this "
            f"drive demonstrated ({highest.axle} axle at {highest.time:.1f} s); state friction to "
            "replace it"
        )
        return highest.level

    def _transfer(self) -> Estimate:
        """Load that moves to the front axle per newton of braking: height over wheelbase."""
        forces = self.drive.forces
        if len(self.drive.axles) < len(SIDES):
            return self._constant(np.nan)
        front, rear = axle_places(forces)
        height, u = centre_of_mass(forces, "z")
        return self._constant(height / (front - rear), u / (front - rear))

    def brakes(self) -> Labelled:
        """Force of the brakes alone: front share, and force per pressure with its change."""
        seen = coasting_of(self.drive)
        coasting = seen if isinstance(seen, Coasting) else unseen(self.drive, self._causes)
        force = brakes_of(self.drive, self.stops, coasting)
        if seen is coasting:
            self.assumed.append(
                "Engine and tyres drag in a stop as they did while coasting "
                f"({coasting.seconds:.1f} s seen), the engine to {100 * U_ENGINE_DRAG:.0f} % "
                "(standard uncertainty) for other gears and speeds"
            )
            drag = combined(lambda c: -c, coasting.force)
            share = combined_each(lambda f: f[:, :1] / f.sum(axis=1, keepdims=True), force)
        else:
            self.not_given.append(f"Engine braking, which is in the braking force: {seen}")
            share = [_unknown(one.at(0)) for one in force]
            drag = _unknown(force[0])
        share = self._as_given(share)
        text = "front share of the force of the brakes alone"
        out = limits("brakes_front_share", stacked(*share), ("stop",), "1", text)
        text = "drag of the axle while coasting in gear"
        return out | limits("coasting_force", drag, ("axle",), "N", text) | self._per_bar(coasting)

    def _unsteady(self, stop: Stop) -> Floats:
        """Standard uncertainty [1] of each axle's force from what two stops do not have in common.

        Zeros move in between.  Joints do not slip in proportion to the load: in each stop the
        friction of every gauge, and of all together, is anywhere within the loop.
        """
        names = [str(name) for name in self.drive.forces["cause_name"].to_numpy()]
        share = stop.forces.by_cause[: len(names), :2] / stop.forces.value[:2]
        anew = [name.endswith((" zeros", " friction")) for name in names]
        together = [name == FRICTION for name in names]
        return np.sqrt(np.add(anew, np.divide(together, 3.0)) @ share**2)

    def _per_bar(self, coasting: Coasting) -> Labelled:
        """Force of the brakes (axle,) per line pressure, and its change over the stops."""
        if self.drive.pressure is None:
            self.not_given.append(
                "Force per bar and its fade: log the line pressure (channel brake_pressure)"
            )
        else:
            self.assumed.append("Pressure as logged; an error of the sensor's gain cancels in fade")
        nothing = _unknown(self.stops[0].forces.at([0]))
        ratios, changes = [[nothing] * len(SIDES) for _ in self.stops], [nothing] * len(SIDES)
        for a in range(len(SIDES)):
            pressed = self._pressed(a)
            braked = brakes_of(self.drive, [stop for stop, _ in pressed.values()], coasting)
            for (i, (_, mean)), force in zip(pressed.items(), braked, strict=True):
                ratios[i][a] = combined(partial(_over, by=mean), force.at([a]))
            changes[a] = self._change(pressed, coasting, a)
            own = [of_stop[a] for i, of_stop in enumerate(ratios) if self._given(i)]
            self.remarks += [against_stated(self.drive.forces, list(SIDES)[a], own)]
        if len(self.stops) < 2:
            self.not_given.append("Fade of the brakes: there is one stop only. Brake twice or more")
        text = "force of the brakes per line pressure"
        words = "relative change of the force per pressure from the first to the last stop"
        return limits(
            "force_per_pressure",
            stacked(*(ratio for of_stop in ratios for ratio in of_stop)),
            ("stop", "axle"),
            "N Pa-1",
            text,
            self._wide,
        ) | limits("force_per_pressure_change", stacked(*changes), ("axle",), "1", words)

    def _pressed(self, a: int) -> dict[int, tuple[Stop, float]]:
        """Stops that show the force per pressure of axle `a`, each with its mean pressure [Pa]."""
        if self.drive.pressure is None:
            return {}
        turning = self.drive.without_skid(self.stops, a)
        if skid := [s.section.name for i, s in enumerate(self.stops) if i not in turning]:
            self.not_given.append(
                f"Force per bar of the {list(SIDES)[a]} axle in {', '.join(skid)}: its wheels were "
                "locked or nearly so, and then give what the road does. Brake less hard once"
            )
        # As the forces: the same bandwidth, and the same samples of each stop.
        rate = self.drive.course.rate
        pressure = low_pass(self.drive.pressure[:, [a]], BANDWIDTH, rate)[:, 0]
        mean = {i: float(pressure[thinned(s.at, rate)].mean()) for i, s in turning.items()}
        return {i: (s, mean[i]) for i, s in turning.items() if mean[i] > LEAST_PRESSURE}

    def _change(
        self, pressed: dict[int, tuple[Stop, float]], coasting: Coasting, a: int
    ) -> Estimate:
        """Relative change [1] of axle `a` from the first to the last of the `pressed` stops."""
        there = [i for i, (stop, _) in pressed.items() if np.isfinite(stop.forces.value[a])]
        known = [i for i in there if not self.resting[i, a] >= HANDED_BACK]
        if len(known) < 2:
            if len(there) > 1:
                self.not_given.append(f"Fade of the {list(SIDES)[a]} brakes: see their front share")
            return _unknown(self.stops[0].forces.at([0]))
        ends = [known[0], known[-1]]
        stops, mean = zip(*(pressed[i] for i in ends), strict=True)
        following = np.nan_to_num(self.following[ends[1]])
        change = fade(self.drive, stops, np.array(mean), coasting, following).at([a])
        anew = np.hypot(*(self._unsteady(self.stops[i])[a] for i in ends))
        axle, last = list(SIDES)[a], self.stops[ends[1]].forces.at([a])
        self.remarks.append(faded_beyond_stated(axle, change, last, following[a]))
        return change.plus_noise(np.atleast_1d(anew))
