"""Balance: friction use of the front and the rear axle at the same instant, corner by corner.

Use is sqrt(Fx^2 + Fy^2) / Fz of the sums of both tyres of an axle.  In a steady corner the axles
share the lateral force as they share the weight (moments about the vertical axis balance); their
use differs by what the load transfer of braking, power and air does to that.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import NoAnswerError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.vehicle import SIDES
from recon.conditioning.filters import low_pass
from recon.evaluation.balance.axle_limit_evidence import AtLimit, Axles, at_limit
from recon.evaluation.balance.axle_sums import (
    BANDWIDTH,
    axle_drive,
    axle_forces,
    axle_places,
    centre_of_mass,
    for_axles,
    highest_held,
    means_by_axle,
    sampling,
    step_between,
    unknown_tyres,
    use_of,
)
from recon.evaluation.balance.corner_visits import (
    CONE,
    GATE,
    LEAST,
    PHASES,
    TURNS,
    Visit,
    visits_of,
)
from recon.evaluation.common.alternatives import Stretches, estimate_each
from recon.evaluation.common.answer_labels import Labelled, answer_attributes, limits, plain
from recon.evaluation.common.estimate import Estimate, combined, independent, mean_of, stacked
from recon.evaluation.grip.tyre_limit_evidence import slip_of
from recon.evaluation.sections.car_motion import Course, course_of
from recon.evaluation.sections.find_sections import find_sections, passed_over
from recon.records.forces import SIGNED, require_answerable

BANDS = 3  # of speed, with as many samples each
LEAST_SPREAD = 1.1  # highest over lowest speed; with less there are no bands
NOT_SHOWN = "not shown"
USED_MORE = ("not resolved", "front", "rear")
# Places in the quantities of a visit; phases and bands follow.
MEANS, DIFFERENCE, SHARE, HIGHEST, REST = slice(0, 2), 2, 3, slice(4, 6), 6


@public
def balance(forces: xr.Dataset, *, sections: xr.Dataset | None = None) -> xr.Dataset:
    """Friction use of both axles in every corner, and which of them is first at its limit.

    Forces are those of the road on the tyre, intermediate axes, low-passed to 8 Hz.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `find_sections` returns it; found from the forces if omitted.

    Returns
    -------
    Dataset
        All [1], with `u_`, `_lower` and `_upper` each: `axle_use` (visit, axle),
        `use_difference` (visit), front less rear, and the same by `phase` of the corner and by
        `band` of speed over all visits (`phase_use_difference`, `band_use_difference`) and in all
        (`all_visits_use_difference`); `front_lateral_share` and `lateral_share_over_static`
        (visit), `static_front_share`.  `highest_use` (visit, axle) was held for a quarter of a
        second, `highest_use_difference` (visit) is front less rear, and `used_more` (visit) names
        the axle if that is resolved.  `first_at_limit` (visit) names the axle that was first at
        its limit, by `limit_slip_growth` [rad] and `limit_force_rise` [1] (visit), or says
        "not shown".

    Raises
    ------
    DataError
        No forces.
    NoAnswerError
        One axle that is not gauged on both sides, or no corner with enough samples.
    """
    require_answerable(forces, "tyre_force_intermediate", "u_tyre_force_random", "status", *SIGNED)
    sections = find_sections(forces) if sections is None else sections
    slow = for_axles(forces)
    _require_both_axles(slow)
    course = course_of(slow)
    visits = visits_of(slow, course, sections)
    turns = [visit.name.partition(CONE)[0] for visit in visits]
    answer = _Answer(slow, course, visits)
    entries = answer.by_visit() | answer.pooled() | answer.lateral()
    entries |= answer.highest() | answer.limit()
    return xr.Dataset(
        entries | answer.labels(),
        coords={
            **plain("visit", [visit.name for visit in visits], ("visit",), "", "corner or cone"),
            **plain("axle", list(SIDES), ("axle",), "", "axle"),
            **plain("phase", list(PHASES), ("phase",), "", "phase of the corner"),
        },
        attrs=answer_attributes(
            forces,
            "Balance",
            gate=f"{GATE}; {sampling(slow)}",
            assumed=answer.assumed,
            not_given=answer.not_given + passed_over(sections, turns, LEAST, *TURNS),
        ),
    )


def _require_both_axles(forces: xr.Dataset) -> None:
    lost = [tyre for axle in SIDES for tyre in unknown_tyres(forces, axle)]
    if lost:
        known = [axle for axle in SIDES if not unknown_tyres(forces, axle)]
        instead = f" and braking of the {known[0]} axle are" if known else " is"
        raise NoAnswerError(
            place_of(forces),
            f"not all forces of {' and '.join(lost)} are known",
            "all four tyres, because both axles are compared at the same instant",
            f"Gauge {' and '.join(lost)}. Friction use{instead} given without.",
        )


@dataclass(slots=True)
class _Answer:
    """The answer as it is put together, with what it takes for granted and what it cannot give."""

    forces: xr.Dataset
    course: Course
    visits: list[Visit]
    assumed: list[str] = field(default_factory=list)
    not_given: list[str] = field(default_factory=list)
    corners: list[str] = field(init=False)
    edges: Floats = field(init=False)  # of the bands of speed [m/s]
    best: list[Floats] = field(init=False)  # forces (sample, axle, component) of each visit [N]
    estimates: list[Estimate] = field(init=False)

    def __post_init__(self) -> None:
        self.corners = corner_names(self.forces)
        self.edges = self._edges()
        drive = axle_drive(self.forces)
        best = axle_forces(drive.force.astype(float), self.corners)
        self.best = [best[visit.at] for visit in self.visits]
        masks = [self._masks(visit) for visit in self.visits]
        step = step_between(self.course.rate)
        self.estimates = estimate_each(
            drive,
            [visit.at for visit in self.visits],
            lambda axle, some: _quantities(axle, masks, step, some),
        )
        if not any((visit.phase >= 0).any() for visit in self.visits):
            self.not_given.append(
                "Split by entry, middle and exit: a slalom has none. Drive a corner by itself"
            )

    def _edges(self) -> Floats:
        """Edges of the bands of speed, none where they cannot be told apart."""
        speed = np.concatenate([self.course.speed[visit.at] for visit in self.visits])
        if not np.isfinite(speed).any():
            self.not_given.append("Split by speed: log speed, or wheel speeds of the undriven axle")
            return np.empty(0)
        edges = np.nanquantile(speed, np.linspace(0, 1, BANDS + 1))
        if edges[-1] < LEAST_SPREAD * edges[0]:
            self.not_given.append(
                f"Split by speed: all corners were at {edges[0]:.1f} to {edges[-1]:.1f} m/s. Drive "
                "some of them slower"
            )
            return np.empty(0)
        return np.asarray(edges)

    def _masks(self, visit: Visit) -> NDArray[np.bool_]:
        """Samples (part, sample) of each phase and each band of speed."""
        phases = [visit.phase == p for p in range(len(PHASES))]
        speed = self.course.speed[visit.at]
        inner = self.edges[1:-1]
        bands = [np.searchsorted(inner, speed) == b for b in range(len(self.edges) - 1)]
        return np.array([*phases, *bands])

    def labels(self) -> Labelled:
        """Place and side of each visit, number of samples, and the bands of speed."""
        time, visits, edges = self.course.time, self.visits, self.edges
        counts, band = [len(v.every) for v in visits], ("band",)
        return (
            plain("visit_start", [time[v.every[0]] for v in visits], ("visit",), "s", "start")
            | plain("visit_end", [time[v.every[-1]] for v in visits], ("visit",), "s", "end")
            | plain("side", [v.side for v in visits], ("visit",), "1", "1 left, -1 right")
            | plain("samples_used", counts, ("visit",), "1", "samples in the gate")
            | plain("band_lowest_speed", edges[:-1], band, "m s-1", "lowest speed of the band")
            | plain("band_highest_speed", edges[1:], band, "m s-1", "highest speed of the band")
        )

    def by_visit(self) -> Labelled:
        """Use of both axles and its difference in every visit."""
        use = stacked(*(estimate.at(MEANS) for estimate in self.estimates))
        difference = self._each(DIFFERENCE)
        shape = (len(self.visits), len(SIDES))
        return limits(
            "axle_use", use, ("visit", "axle"), "1", "mean friction use of the axle", shape
        ) | limits(
            "use_difference", difference, ("visit",), "1", "friction use of front less rear axle"
        )

    def _each(self, place: int) -> Estimate:
        return stacked(*(estimate.at(place) for estimate in self.estimates))

    def pooled(self) -> Labelled:
        """Difference of use over all visits: by phase, by band of speed, and in all."""
        counts = np.array([self._masks(visit).sum(axis=1) for visit in self.visits])
        parts = [self._mean(REST + j, counts[:, j]) for j in range(counts.shape[1])]
        whole = self._mean(DIFFERENCE, np.array([len(visit.at) for visit in self.visits]))
        text = "friction use of front less rear axle"
        out = limits("all_visits_use_difference", whole, (), "1", f"{text}, all visits")
        phases, bands = parts[: len(PHASES)], parts[len(PHASES) :]
        out |= limits(
            "phase_use_difference", stacked(*phases), ("phase",), "1", f"{text}, by phase"
        )
        by_speed = stacked(*bands) if bands else whole.at(slice(0, 0))
        return out | limits("band_use_difference", by_speed, ("band",), "1", f"{text}, by speed")

    def _mean(self, place: int, counts: NDArray[np.int64]) -> Estimate:
        """Mean of one quantity over the visits that have samples of it."""
        some = [i for i, count in enumerate(counts) if count]
        if not some:
            nothing = self.estimates[0].at(place)
            return Estimate(np.array([np.nan]), nothing.by_cause, nothing.noise)
        parts = [self.estimates[i].at(place) for i in some]
        return mean_of(parts, counts[some])

    def lateral(self) -> Labelled:
        """Front share of the lateral force, and of the weight at rest."""
        static = self._static_share()
        share = self._each(SHARE)
        over = combined(lambda s, rest: s - rest[0], share, static)
        self.assumed.append(
            "The lateral share is a mean over the visit: the yaw moment that turns the car in and "
            "out is part of it"
        )
        return (
            limits("front_lateral_share", share, ("visit",), "1", "front share of lateral force")
            | limits("static_front_share", static, (), "1", "front share of the weight at rest")
            | limits(
                "lateral_share_over_static", over, ("visit",), "1",
                "front share of lateral force less that of the weight",
            )
        )  # fmt: skip

    def _static_share(self) -> Estimate:
        front, rear = axle_places(self.forces)
        at, u = centre_of_mass(self.forces, "x")
        base = front - rear
        return independent((at - rear) / base, u / base, len(self.estimates[0].by_cause))

    def highest(self) -> Labelled:
        """Highest use of each axle in every visit, and which axle was used more."""
        every = stacked(*(estimate.at(HIGHEST) for estimate in self.estimates))
        lead = combined(lambda use: use[::2] - use[1::2], every)
        resolved = np.abs(lead.value) > COVERAGE_FACTOR * lead.u
        more = np.array(USED_MORE)[np.where(resolved, np.where(lead.value > 0, 1, 2), 0)]
        text = "highest use of the axle in the visit"
        shape = (len(self.visits), len(SIDES))
        out = limits("highest_use", every, ("visit", "axle"), "1", text, shape)
        out |= limits("highest_use_difference", lead, ("visit",), "1", f"{text}, front less rear")
        return out | plain("used_more", more, ("visit",), "", "axle that was used more")

    def limit(self) -> Labelled:
        """The axle that was first at its limit in each visit, with the evidence."""
        found = self._evidence()
        first = np.array([list(SIDES)[one.axle] if one else NOT_SHOWN for one in found])
        growth, rise = np.array([(e.growth, e.rise) if e else (np.nan,) * 2 for e in found]).T
        of_first = "axle that was first at its limit, by evidence"
        of_growth = "growth of the slip angle at that limit against the other axle's"
        of_rise = "relative rise of the use of that axle meanwhile"
        return (
            plain("first_at_limit", first, ("visit",), "", of_first)
            | plain("limit_slip_growth", growth, ("visit",), "rad", of_growth)
            | plain("limit_force_rise", rise, ("visit",), "1", of_rise)
        )

    def _evidence(self) -> list[AtLimit | None]:
        slip = slip_of(self.forces)
        if lacking := slip.missing["sideways"]:
            self.not_given.append(
                f"Axle that is first at its limit: the slip of both axles needs {lacking}. "
                "Log steer, speed and yaw rate"
            )
            return [None] * len(self.visits)
        highest = np.max([estimate.value[HIGHEST] for estimate in self.estimates], axis=0)
        angle, steer = (
            low_pass(means_by_axle(values, self.corners), BANDWIDTH, self.course.rate)
            for values in (slip.angle, self.forces["heading"].to_numpy().astype(float))
        )
        found = [
            at_limit(self._axles(i, angle, steer[:, 0], slip.u_angle), highest)
            for i in range(len(self.visits))
        ]
        if unclear := sum(one is None for one in found):
            self.not_given.append(
                f"Axle that is first at its limit, in {unclear} of {len(found)}: there the force "
                "of no axle stopped rising while its slip grew. Corner harder until one end slides"
            )
        return found

    def _axles(self, i: int, angle: Floats, steer: Floats, u_angle: Floats) -> Axles:
        visit, axle = self.visits[i], self.best[i]
        return Axles(
            angle=visit.side * angle[visit.at],
            use=use_of(axle),
            lateral=visit.side * axle[..., 1] / axle[..., 2],
            steer=visit.side * steer[visit.at],
            u_angle=float(np.nanmedian(u_angle[visit.at])),
            step=step_between(self.course.rate),
        )


def _quantities(
    axle: Floats, masks: list[NDArray[np.bool_]], step: float, some: Stretches
) -> Floats:
    """Quantities (..., visit, quantity) of some visits, from forces (..., sample, axle, component).

    They stand in the order of the places; samples are `step` [s] apart where all are there.
    """
    use, side = (np.swapaxes(of, -1, -2) for of in (use_of(axle), axle[..., 1]))
    difference = use[..., :1, :] - use[..., 1:, :]
    means = some.means(np.concatenate([use, difference, side], axis=-2))
    share = means[..., 3:4, :] / means[..., 3:5, :].sum(axis=-2, keepdims=True)
    pairs = zip(some.places, some.chosen, strict=True)
    inside = np.concatenate([masks[i][:, own] for i, own in pairs], axis=1).astype(float)
    count = some.sums(inside)
    parts = some.sums(difference * inside) / np.where(count, count, np.nan)
    steps = step * np.array([own.step or 1 for own in some.chosen])
    held = highest_held(use, steps, some.ends)
    return np.swapaxes(np.concatenate([means[..., :3, :], share, held, parts], axis=-2), -1, -2)
