"""Time of the gauges against the accelerations: a logger or amplifier that lags behind.

Whatever is late by a few milliseconds is wrong by its slope times the delay.  The sums of forces
must follow the acceleration of the body at every moment; what is left of them, compared with the
slopes of the forces of each corner, gives the delay of the gauges of each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from recon.base.arrays import Floats
from recon.base.kept_results import kept_in
from recon.base.quantities import CORNERS
from recon.base.words import enumerated
from recon.conditioning.carrying import u_clock_of_gauges
from recon.conditioning.hub_motion import own_step
from recon.examination.by_motion import one_by_motion
from recon.examination.comparison import FEWEST, Comparison
from recon.examination.late_or_unsteady_gauges import FLOOR_UNMEASURED, slope_of
from recon.examination.motion import motion_of, scatter
from recon.examination.term import Candidate, Term
from recon.examination.thinning import WINDOW_TIME
from recon.examination.view import Part, View
from recon.examination.whole_car import whole_of
from recon.mechanics.statics import damper_loads
from recon.records.corrections import correction_line

PRIOR = 0.05  # s, delay that a logger may have
# s, of a delay: what the body does meanwhile, where the travel of the wheels is logged; sound
# drives stay below.
FLOOR = 1.2e-3
MODEL = 2.0  # N, least noise of a sum
ALIKE = np.sqrt(2.0)  # neighbouring samples err alike
SENSED = 0.03  # of a sum: gains of all sensors
CREEPS = 1e-3  # m/s of a wheel against the body; one that hardly moves has no damper to see
STEP = 0.01  # s, over which slopes are taken
LIMIT = 5.0  # mean square of delays over their variance; sound drives stay below 3
OWN_LIMIT = 9.0  # square of one delay over its variance, without four corners; sound drives: 1
NAME = "time of the gauges against acceleration"


@dataclass(frozen=True)
class Delays:
    """Delays (part,) [s] of the gauges of each assembly, by `information` and `score`.

    `u_clock` (part,) [s] is the standard uncertainty of the times of the accelerations on the clock
    of the gauges: it moves all delays alike, but for those of a logger that records both.
    `u_hubs` (part,) [s] is that of hub accelerations that are not logged, and wrong at all wheels
    together, as the body rolls.  `floor` (part,) [s] is what sound drives show in spite of that,
    and what dampers without a gauge feign.
    """

    names: tuple[str, ...]
    information: Floats
    score: Floats
    u_clock: Floats
    u_hubs: Floats
    floor: Floats

    @property
    def wider(self) -> Floats:
        """Covariance (part, part) [s2] of all delays, with all that sound drives show of them."""
        wider = np.linalg.inv(self.information) + np.diag(self.floor**2)
        return np.asarray(wider + sum(np.outer(u, u) for u in (self.u_clock, self.u_hubs)))

    def of(self, chosen: tuple[str, ...]) -> tuple[Floats, Floats]:
        """Delays (chosen,) [s] if all others are on time, and their covariance."""
        at = [self.names.index(name) for name in chosen]
        covariance = np.linalg.inv(self.information[np.ix_(at, at)])
        return np.asarray(covariance @ self.score[at]), np.asarray(covariance)

    @property
    def chi_square(self) -> float:
        """Sum of squares of all delays over their covariance."""
        delay, _ = self.of(self.names)
        return float(delay @ np.linalg.solve(self.wider, delay))

    def root_of(self, chosen: tuple[str, ...]) -> float:
        """Root of `chi_square` per common delay of the chosen ones [1/s]."""
        late = np.isin(self.names, chosen)
        by_data = self.information - np.eye(len(self.names)) / PRIOR**2
        delay = np.linalg.solve(self.information, by_data @ late)
        return float(np.sqrt(delay @ np.linalg.solve(self.wider, delay)))


def groups(view: View) -> list[tuple[str, ...]]:
    """Names of assemblies whose gauges may be late together: each one, and those of an axle."""
    axles = (tuple(n for n, p in view.parts.items() if p.corners[0][0] == end) for end in "FR")
    return list(dict.fromkeys([*((n,) for n in view.parts), *(axle for axle in axles if axle)]))


def own_delay(view: View, names: tuple[str, ...], *, agreeing: bool = True) -> tuple[float, float]:
    """Common delay [s] of some assemblies of a car without four corners, and its u [s].

    By what the motion of the body says of their forces, `agreeing` as for `by_motion`; the u is
    infinite where it says nothing.
    """
    key = f"delay {names} {agreeing}"
    return kept_in(view.worked_out, key, partial(_own_delay, view, names, agreeing))


def _own_delay(view: View, names: tuple[str, ...], agreeing: bool) -> tuple[float, float]:
    parts = [view.parts[name] for name in names]
    slopes = {part.name: later(view, part, 1.0) - part.samples.indication for part in parts}
    changes = {name: -of for name, of in slopes.items()}
    score, information = one_by_motion(view, changes, agreeing=agreeing)
    if not information > 0:
        return 0.0, np.inf
    forces = [_force_slopes(view, part) for part in parts]
    hubs = [_u_hubs(view, part, slope) for part, slope in zip(parts, forces, strict=True)]
    damped = [_u_dampers(view, part, slope) for part, slope in zip(parts, forces, strict=True)]
    clock = max(map(partial(_u_time, view), parts, forces))
    others = (max(map(_floor, parts)), clock, max(hubs), max(damped))
    u = np.sqrt(1.0 / information + np.sum(np.square(others)))
    return score / information, float(u)


def _u_time(view: View, part: Part, slopes: Floats) -> float:
    """Delay [s] that clock and step of the acceleration feign, by `slopes` (3, n) [N/s] of forces.

    Between two samples of an acceleration that is slower than its log, a change may be anywhere;
    the fewer changes there are in a drive, the less of that averages out.
    """
    if "acceleration" not in view.log:
        return _u_clock(view, part)
    square = np.nansum(np.square(slopes), axis=0)
    changes = max(square.sum() ** 2 / max(np.sum(square**2), 1e-300), 1.0)
    step = own_step(view.log["acceleration"])
    changes = max(changes * min(WINDOW_TIME / max(step, 1e-300), 1.0), 1.0)
    return float(np.hypot(_u_clock(view, part), step / np.sqrt(12.0 * changes)))


def _u_clock(view: View, part: Part) -> float:
    """Standard uncertainty [s] of the clock of the body's acceleration on that of its gauges.

    Zero where one logger recorded both.
    """
    gauges, log = view.log["gauge_status"], view.log
    u_clock = u_clock_of_gauges(gauges, part.gauges)
    own = gauges.attrs["from_log"] if u_clock else None
    if "acceleration" in log and own == log["acceleration"].attrs.get("from_log"):
        return 0.0
    return max(view.u_clock("acceleration"), u_clock)


def gauges_on_time(view: View) -> Iterator[Term]:
    """Delay of the gauges of every assembly, by sums that agree roughly."""
    if set(CORNERS) <= set(view.corners):
        yield from _of_whole_car(view)
        return
    for names in groups(view):
        delay, u = own_delay(view, names)
        if np.isfinite(u):
            title = enumerated(names)
            yield Term(
                place=title,
                corners=tuple(c for name in names for c in view.parts[name].corners),
                name=NAME,
                size=(delay / u) ** 2,
                count=1,
                limit=OWN_LIMIT,
                words=f"Against the body's acceleration the gauges of {title} come late by "
                f"{1e3 * delay:+.0f} +- {2e3 * u:.0f} ms.",
                by_gauges=False,
            )


def _of_whole_car(view: View) -> Iterator[Term]:
    found = delays_of(view)
    if found is None:
        return
    delay, _ = found.of(found.names)
    worst = int(np.argmax(np.abs(delay)))
    yield Term(
        place="car",
        corners=view.corners,
        name=NAME,
        size=found.chi_square / len(found.names),
        count=len(found.names),
        limit=LIMIT,
        words="Against the body's acceleration the gauges come late by "
        + ", ".join(f"{1e3 * t:+.1f} ms ({n})" for n, t in zip(found.names, delay, strict=True))
        + f"; most of all those of {found.names[worst]}.",
        by_gauges=False,
    )


def late_causes(view: View, _doubted: tuple[str, ...]) -> Iterator[Candidate]:
    """Gauges of one assembly, of one axle or of all of them that are late.

    A long delay contradicts the motion by itself.
    """
    if set(CORNERS) <= set(view.corners):
        found = delays_of(view, agreeing=False)
        if found is not None and found.chi_square > LIMIT * len(found.names):
            for chosen in dict.fromkeys([*groups(view), found.names]):
                yield _late(view, chosen, _common(found, chosen))
        return
    for names in groups(view):
        delay, u = own_delay(view, names, agreeing=False)
        if delay**2 > OWN_LIMIT * u**2:
            yield _late(view, names, delay)


def _late(view: View, chosen: tuple[str, ...], delay: float) -> Candidate:
    gauges = tuple(g for name in chosen for g in view.parts[name].gauges)
    other = " (or all others early)" if chosen == tuple(view.parts) else ""
    return Candidate(
        "late",
        tuple(c for name in chosen for c in view.parts[name].corners),
        gauges,
        partial(all_later, names=chosen, delay=delay),
        f"Shift the columns of these gauges by {-1e3 * delay:+.1f} ms{other}, or let both "
        "loggers record one common channel so that they can be aligned.",
        lines=(correction_line(gauges, late_ms=round(1e3 * delay, 1)),),
    )


def _common(found: Delays, chosen: tuple[str, ...]) -> float:
    """One delay [s] for all the chosen ones."""
    at = [found.names.index(name) for name in chosen]
    return float(found.score[at].sum() / found.information[np.ix_(at, at)].sum())


def all_later(view: View, *, names: tuple[str, ...], delay: float) -> View:
    """The view with the gauges of some assemblies moved to what a delay [s] later would show."""
    for name in names:
        part = view.parts[name]
        view = view.with_part(part.with_indication(later(view, part, delay)))
    return view


def later(view: View, part: Part, delay: float) -> Floats:
    """Indications (gauge, n) that a delay [s] later would show."""
    return np.asarray(part.samples.indication + delay * slope_of(view, part))


def delays_of(view: View, *, agreeing: bool = True) -> Delays | None:
    """Delays of the gauges by the sums of all forces, None unless all four corners are there.

    With `agreeing`, what is wrong by more than sound drives are says nothing about time.
    """
    whole = whole_of(view)
    if whole is None or not set(CORNERS) <= set(view.corners):
        return None
    if agreeing and any(compared.term.contradicts for compared in whole.sums):
        return None
    names = tuple(view.parts)
    slopes = [_force_slopes(view, part) for part in view.parts.values()]
    information, score = np.eye(len(names)) / PRIOR**2, np.zeros(len(names))
    for k, compared in enumerate(whole.sums):
        more = _evidence(compared, np.array([slope[k] for slope in slopes]))
        if more is not None:
            information, score = information + more[0], score + more[1]
    hubs = [
        _u_hubs(view, part, slope) for part, slope in zip(view.parts.values(), slopes, strict=True)
    ]
    clocks = [
        _u_time(view, part, slope) for part, slope in zip(view.parts.values(), slopes, strict=True)
    ]
    floors = [
        np.hypot(_floor(part), _u_dampers(view, part, slope))
        for part, slope in zip(view.parts.values(), slopes, strict=True)
    ]
    return Delays(names, information, score, *map(np.array, (clocks, hubs, floors)))


def _floor(part: Part) -> float:
    measured = all(wheel.travel_logged for wheel in part.solver.session.wheels)
    return FLOOR if measured else FLOOR_UNMEASURED


def _force_slopes(view: View, part: Part) -> Floats:
    """Slopes (3, n) [N/s] of the sums of an assembly's forces."""
    moved = part.with_indication(later(view, part, STEP))
    return np.asarray((moved.level - part.level).sum(axis=0) / STEP)


def _u_hubs(view: View, part: Part, slopes: Floats) -> float:
    """Delay [s] that inferred hub accelerations may feign, by `slopes` (3, n) [N/s] of its forces.

    Whatever short means leave of its error may be in step with the slopes.
    """
    if "u_relative_acceleration" not in view.log:
        return 0.0
    u = view.log["u_relative_acceleration"].sel(corner=list(part.corners)).to_numpy()
    masses = [corner.unsprung_mass for corner in part.solver.assembly.corners]
    square = np.nanmean(np.square(slopes), axis=1)
    u = u * min(1.0, np.sqrt(0.5 / WINDOW_TIME / view.log.attrs["bandwidth"]))
    return float(np.linalg.norm(masses @ u * np.sqrt(square)) / square.sum())


def _u_dampers(view: View, part: Part, slopes: Floats) -> float:
    """Delay [s] that dampers beside springs or bars feign, by `slopes` (3, n) [N/s] of the forces.

    A damper holds its wheel while it moves; without a gauge, the forces follow late by its part of
    the load.  It is as strong as usual, in step with the travel of a wheel.
    """
    estimator, feigned = part.solver.estimator, []
    dampers = estimator.by_dampers.T[: damper_loads(estimator.design).shape[1]]
    for corner in part.corners if len(dampers) else ():
        speed = np.nan_to_num(motion_of(view).channel("slope_of_travel", corner))
        pace = speed / max(scatter(speed), CREEPS)
        for shown in dampers:
            moved = part.with_indication(part.samples.indication + np.outer(shown, pace))
            missing = (moved.level - part.level).sum(axis=0)
            feigned.append(np.nansum(missing * slopes) / np.nansum(np.square(slopes)))
    return float(np.linalg.norm(feigned))


def _evidence(compared: Comparison, slopes: Floats) -> tuple[Floats, Floats] | None:
    """Information and score about delays from one sum and the `slopes` (part, n) [N/s] of forces.

    Everything else that may differ is taken out by generalised least squares; the noise is that
    of what is left.
    """
    shape = np.shape(compared.seen)
    others = np.array(
        [*(np.broadcast_to(e, shape) for e in compared.effects), SENSED * compared.expected]
    )
    rows = np.vstack([compared.seen - compared.expected, slopes, others])
    good = np.isfinite(rows).all(axis=0)
    if good.sum() < 2 * FEWEST + len(rows):
        return None
    rows = rows[:, good]
    size = np.sum(np.square(rows[1 : 1 + len(slopes)]), axis=0)
    rows = rows / (ALIKE * (MODEL + _noise(rows[0], rows[1:], size)))
    late, own, effects = -rows[0], rows[1 : 1 + len(slopes)], rows[1 + len(slopes) :]
    inner = np.linalg.inv(np.eye(len(effects)) + effects @ effects.T)
    left = own - (own @ effects.T @ inner) @ effects
    return left @ own.T, left @ late


def _noise(values: Floats, explained: Floats, size: Floats) -> float:
    """Scatter of what the rows of `explained` leave of the values, robust against single ones.

    It is at least that of the samples that count, by the `size` (n,) of the squared slopes there:
    a drive that is quiet where nothing changes says little of its noise where forces change.
    """
    scale = np.maximum(np.abs(explained).max(axis=1, keepdims=True), 1e-300)
    fitted = np.linalg.lstsq((explained / scale).T, values, rcond=None)[0]
    left = values - fitted @ (explained / scale)
    robust = 1.4826 * np.median(np.abs(left - np.median(left)))
    return float(np.maximum(robust, np.sqrt(size @ left**2 / max(size.sum(), 1e-300))))
