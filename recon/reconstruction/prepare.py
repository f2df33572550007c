"""`prepare`: calibration, car and session to an object that solves any samples, again and again.

Preparing costs a fraction of a second whatever the log's length: the estimator is tabulated over
travel and rack, and the effect of every error is worked out.  Solving is a few products.
"""

from __future__ import annotations

import warnings
from collections.abc import Collection, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, cuts
from recon.base.errors import DataWarning, ExtrapolationWarning, PriorWarning, warn
from recon.base.labelled import stamped
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import BIT
from recon.base.threads import THREADS, one_thread
from recon.base.words import enumerated
from recon.calibration.calibrated import Calibration, Verdict
from recon.calibration.evidence_against import require_same_gauges
from recon.calibration.same_car import require_same_car
from recon.calibration.verdict import require_usable, verdicts
from recon.car.vehicle import Vehicle
from recon.conditioning.carrying import timing_of
from recon.mechanics.assembly import assemblies_of
from recon.mechanics.motion import steer_to_rack
from recon.reconstruction.estimator.session import Session
from recon.reconstruction.inputs.samples import Body, SteerToRack, body_of, samples_of
from recon.reconstruction.inputs.session_of_log import calibration_of_log, session_of
from recon.reconstruction.result.attributes import (
    channels_of,
    facts_of,
    hop_not_measured,
    provenance,
    verdicts_by_corner,
)
from recon.reconstruction.result.labelled_result import Collected, labelled
from recon.reconstruction.result.loadings import loadings_of
from recon.reconstruction.solving.fz_bound import Bound
from recon.reconstruction.solving.gauge_outage import Failed, outage_of, spare_solver
from recon.reconstruction.solving.solve import BLOCK, Samples, beyond_pulls, solve_block
from recon.reconstruction.solving.solver import Solver, solver_of
from recon.reconstruction.worth import most_useful
from recon.records.forces import FORCES
from recon.records.logs import require_conditioned, require_in_order

SECTION = 8 * BLOCK  # samples whose inputs are worked out together, however long the log is
MARGIN = 256  # samples around a section, for inputs that look at their neighbours


@dataclass(frozen=True, slots=True)
class Section:
    """Samples `part` of a log: those `within` a cut `log` of it, which reaches around them."""

    log: xr.Dataset
    body: Body
    part: slice
    within: slice

    def samples(self, car: Vehicle, solver: Solver) -> Samples:
        """Inputs of an assembly."""
        return samples_of(self.log, car, solver, self.body).block(self.within)

    def of_gauges(self, name: str, solver: Solver) -> NDArray:
        """Values (sample, gauge) of a variable of gauges, those of an assembly; any unit."""
        return self.log[name].sel(gauge=list(solver.gauges)).to_numpy()[self.within]

    def outage(self, solver: Solver, failed: Failed) -> NDArray[np.int64]:
        """Positions (sample,) at which exactly the `failed` gauges of an assembly show nothing."""
        return outage_of(solver.gauges, failed, self.of_gauges("gauge_status", solver))


@dataclass(frozen=True)
class Prepared:
    """A car, its calibration and a session, ready to solve logs; see `prepare`."""

    car: Vehicle
    calibration: Calibration
    session: Session
    solvers: tuple[Solver, ...]
    to_rack: SteerToRack
    verdicts: Mapping[str, Verdict]

    def __repr__(self) -> str:
        """The lines that a notebook shows: what can be solved, instead of all tables."""
        return f"Prepared {self.car.name}: {', '.join(s.assembly.name for s in self.solvers)}"

    @public
    def solve(
        self, log: xr.Dataset, *, bounded: bool = True, friction_limit: float | None = None
    ) -> xr.Dataset:
        """Tyre forces of a log, or of any part of one.

        Intervals are those of the session that was prepared: its noise, zeros and sensors.

        Parameters
        ----------
        log : Dataset (elapsed_time, gauge)
            As `condition` returns it, with at least the channels of the session.
        bounded : bool
            Hold Fz >= 0; the unbounded value stands beside it either way.
        friction_limit : float, optional
            Hold the horizontal force of each tyre to this times its Fz.

        Returns
        -------
        Dataset
            As `reconstruct` returns it.

        Raises
        ------
        DataError
            The log is not conditioned, a channel, gauge or tare of the session is not in it, or
            the tare is another; or the limit of friction makes no sense.

        Warns
        -----
        ExtrapolationWarning
            Forces beyond the largest pull, or poses beyond the stated range.
        """
        require_conditioned(log)
        samples = log.sizes["elapsed_time"]
        bound = Bound.of(bounded, friction_limit)
        out = Collected.empty(self.solvers, self.session.attitude, samples, bound)
        with one_thread(), ThreadPoolExecutor(THREADS) as pool:
            _ = self.spares  # once, before the threads want them
            for section in self.sections(log):
                out.rack[section.part] = section.body.rack[section.within]
                fill = partial(self._fill, out, section)
                list(pool.map(fill, range(len(self.solvers))))
        _warn_of_extrapolation(log, self, out)
        return self._with_sources(labelled(out, log["elapsed_time"].to_numpy()), log)

    def sections(self, log: xr.Dataset) -> Iterator[Section]:
        """The log in sections whose inputs are worked out together, however long it is."""
        for part in cuts(log.sizes["elapsed_time"], SECTION):
            around = slice(max(part.start - MARGIN, 0), part.stop + MARGIN)
            within = slice(part.start - around.start, part.stop - around.start)
            own = log.isel(elapsed_time=around)
            body = body_of(own, self.car, self.session, self.to_rack)
            yield Section(own, body, part, within)

    def _fill(self, out: Collected, section: Section, which: int) -> None:
        """Solve one assembly at the samples of a section."""
        solver, first = self.solvers[which], section.part.start
        given = section.samples(self.car, solver)
        # Tables of two wheels are larger.
        size = BLOCK if solver.outputs.wheels == 1 else BLOCK // 4
        for block in cuts(section.part.stop - first, size):
            solved = solve_block(solver, given.block(block), bound=out.bound)
            out.put(which, slice(first + block.start, first + block.stop), solved)
        for failed, spare in self.spares[which].items():
            at = section.outage(solver, failed)
            if len(at):
                self._solve_again(out, section, which, at, spare)

    def _solve_again(
        self, out: Collected, section: Section, which: int, at: NDArray[np.int64], spare: Solver
    ) -> None:
        """Solve the samples `at` (sample,) of a section without the gauges that fail there."""
        given = section.samples(self.car, spare).block(at)
        given.status[:] |= BIT["gauge_left_out"]
        for block in cuts(len(at), BLOCK // 4):
            solved = solve_block(spare, given.block(block), bound=out.bound)
            out.put(which, section.part.start + at[block], solved, spare)

    @cached_property
    def spares(self) -> tuple[dict[Failed, Solver], ...]:
        """Solvers without the gauges that fail for a while, assembly by assembly."""
        out: list[dict[Failed, Solver]] = []
        for full in self.solvers:
            calibration = self.calibration.corners[full.assembly.name]
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", PriorWarning)  # the doubts of the drive say it
                found = {
                    failed: spare_solver(self.car, full, calibration, self.session.attitude, failed)
                    for failed in full.session.outages
                }
            out.append({failed: spare for failed, spare in found.items() if spare})
        return tuple(out)

    def blocks(
        self, log: xr.Dataset, size: int = BLOCK, *, bounded: bool = True
    ) -> Iterator[xr.Dataset]:
        """The same in blocks of `size` samples, one after the other, each a whole result."""
        for part in cuts(log.sizes["elapsed_time"], size):
            yield self.solve(log.isel(elapsed_time=part), bounded=bounded)

    @cached_property
    def worth(self) -> str:
        """The channel that would narrow the intervals most, in words; empty if none would."""
        found = most_useful(self.solvers)
        return "" if found is None else str(found)

    @cached_property
    def _loadings(self) -> dict[str, NDArray]:
        return loadings_of(self.solvers)

    def _with_sources(self, forces: xr.Dataset, log: xr.Dataset) -> xr.Dataset:
        """The forces with status by gauge, loadings of all causes and where they come from."""
        names = [gauge for solver in self.solvers for gauge in solver.gauges]
        corners = [corner.name for solver in self.solvers for corner in solver.assembly.corners]
        status = log["gauge_status"]
        if names != list(map(str, log["gauge"].to_numpy())):
            status = status.sel(gauge=names)
        more = verdicts_by_corner(self.solvers, self.verdicts) | {"gauge_status": status.to_numpy()}
        more |= facts_of(self.car, corners)
        out = forces.assign(stamped(FORCES, self._loadings | more))
        out["gauge_status"].attrs |= timing_of(status)
        out = out.assign(channels_of(log, corners))
        # The log's labels have no attributes; these have.
        labels = {name: forces[name].to_numpy() for name in ("corner", "component")}
        labels["gauge"] = np.asarray(names, dtype=str)
        out = out.assign_coords(stamped(FORCES, labels))
        out.attrs = provenance(log, self.car, self.calibration)
        out.attrs["hop_not_measured"] = " ".join(hop_not_measured(self.solvers))
        reasons = dict.fromkeys(s.outputs.reason for s in self.solvers if s.outputs.reason)
        out.attrs["not_known"] = "; ".join(reasons)
        out.attrs["most_useful_channel"] = self.worth
        return out


@public
def prepare(
    calibration: Calibration,
    car: Vehicle,
    session: Session | xr.Dataset,
    *,
    accept_corner: Collection[str] = (),
) -> Prepared:
    """Prepare a reconstruction once, to solve any number of logs or blocks with it.

    Parameters
    ----------
    calibration : Calibration
        K (gauge, member) [unit/N] of every corner to be reconstructed.
    car : Vehicle
    session : Session or Dataset (elapsed_time, gauge)
        Noise, zeros, tares and sensors, or a conditioned log that has them.
    accept_corner : collection of str, or str
        Corners, or tied axles, that are used although their calibration is not to be used; a
        corner stands for its axle.

    Returns
    -------
    Prepared
        Its `solve` takes conditioned logs, its `blocks` gives the forces block by block.

    Raises
    ------
    DataError
        The calibration belongs to another car, the log is not conditioned or not in order, none of
        the corners is in it, a gauge is dead, or a corner is not to be used and was not accepted.
    RankError
        No force component of a corner is seen by its gauges.

    Warns
    -----
    DataWarning
        Evidence against the calibration, corner by corner, as its verdict states it; or samples
        were picked from the log.
    PriorWarning
        A channel is not logged and a stated widening is used instead; the channel whose
        absence costs most; or a force component is not seen by the gauges.

    Examples
    --------
    >>> prepared = prepare(calibration, car, conditioned)  # doctest: +SKIP
    >>> for forces in prepared.blocks(conditioned):  # doctest: +SKIP
    ...     print(forces["tyre_force"].mean("elapsed_time"))
    """
    require_same_car(calibration, car)
    assemblies = assemblies_of(car)
    require_same_gauges(calibration.corners, assemblies, f"calibration with {car.path}")
    found = verdicts(calibration, assemblies, car)  # of all gauges, also of those that failed
    with one_thread():
        path = "session"
        if not isinstance(session, Session):
            require_in_order(session)
            path = str(session.attrs.get("path", "log"))
            calibration = calibration_of_log(calibration, session)
            session = session_of(session, calibration, car, assemblies)
        used = {name: found[name] for name in session.assemblies}
        of_corner = {c.name: name for name, one in assemblies.items() for c in one.corners}
        names = [accept_corner] if isinstance(accept_corner, str) else accept_corner
        accepted = [of_corner.get(name, name) for name in names]
        require_usable(used, accepted, f"calibration with {car.path}")
        for name, verdict in used.items():
            for sentence in verdict.doubts:
                text = f"calibration of corner {name}: {sentence}"
                warn(text, DataWarning)
        solvers = tuple(
            solver_of(car, assemblies[name], calibration.corners[name], own, session.attitude)
            for name, own in session.assemblies.items()
        )
        heading = session.steer.is_heading
        to_rack = steer_to_rack(car, assemblies) if heading else np.asarray
    prepared = Prepared(car, calibration, session, solvers, to_rack, used)
    if prepared.worth:
        warn(f"{path}: {prepared.worth}.", PriorWarning)
    return prepared


def _warn_of_extrapolation(log: xr.Dataset, prepared: Prepared, out: Collected) -> None:
    path = log.attrs.get("path", "log")
    for k, name in enumerate(out.corners):
        pulls, pose = (
            100 * float(np.mean((out.status[k] & BIT[flag]) > 0))
            for flag in ("beyond_pulls", "beyond_pose")
        )
        if _clearly_beyond(out, k, prepared._loadings["largest_pull"][k]):
            words = (
                f"{path}, corner {name}: {pulls:.3g} % of the samples have forces beyond the "
                "largest pull and wider intervals. Pull further, within the limits of strap and "
                "links, to have it covered."
            )
            warn(words, ExtrapolationWarning)
        if pose:
            beyond = _poses_beyond(log, prepared, name, out.rack)
            words = (
                f"{path}, corner {name}: {pose:.3g} % of the samples have {beyond}; forces are NaN "
                "there. State the real range in the vehicle file to have it covered."
            )
            warn(words, ExtrapolationWarning)


def _clearly_beyond(out: Collected, k: int, largest_pull: Floats) -> bool:
    """True where a sample of corner `k` exceeds the largest pull (3,) by more than its u.

    Other samples may be flagged for their noise alone; status and summary list them all the same.
    """
    at = np.flatnonzero(out.status[k] & BIT["beyond_pulls"])
    force, u = (out.arrays[f"{name}tyre_force_vehicle"][k][:, at].T for name in ("", "u_"))
    return bool(np.any(beyond_pulls(force, largest_pull) > u))


def _poses_beyond(log: xr.Dataset, prepared: Prepared, corner: str, rack: Floats) -> str:
    """Largest travel and rack shift of a wheel beyond the stated ranges, in words."""
    car = prepared.car
    found = {}
    if "travel" in log:
        travel = log["travel"].sel(corner=corner).to_numpy()
        found["travel"] = (travel, car.corners[corner].travel_range)
    steered = [s.assembly for s in prepared.solvers if s.assembly.steered]
    if any(corner == one.name for assembly in steered for one in assembly.corners):
        found["the rack's shift"] = (rack, car.steering.rack_range)
    beyond = [
        f"{name} up to {1e3 * most:.0f} mm, stated {1e3 * low:.0f} to {1e3 * high:.0f} mm"
        for name, (values, (low, high)) in found.items()
        for most in (np.nanmin(values), np.nanmax(values))
        if not low <= most <= high
    ]
    return enumerated(beyond) or "travel beyond the stated range"
