"""A drive thinned to some hundred short means, quick to evaluate again with a channel mended.

Every test of a drive compares numbers of a `View`.  A candidate cause is tried by a changed view:
another log, other indications of one assembly, another load at a tare.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.vehicle import Vehicle
from recon.examination.expected_indications import Expected, expected_indications
from recon.examination.inferred_acceleration import (
    shown_acceleration,
    shown_by_some,
    with_acceleration,
)
from recon.examination.thinning import thinned
from recon.reconstruction.estimator.tare_load import standing
from recon.reconstruction.inputs.samples import body_of, samples_of
from recon.reconstruction.prepare import Prepared
from recon.reconstruction.result.labelled_result import NOT_KNOWN
from recon.reconstruction.solving.solve import Samples, forces_of, forces_per_indication
from recon.reconstruction.solving.solver import Solver, usual_covariance

WINDOWS = 300  # short means that a view holds; more sharpen no comparison of a whole drive
NOISE_ALONE = 2.0  # times the noise of single samples; short means have less


@dataclass(frozen=True)
class Part:
    """One assembly of w wheels in a view of n samples.

    `zero` (gauge,) is the mean zero that was subtracted, in each gauge's unit.
    """

    solver: Solver
    samples: Samples
    zero: Floats
    # Comparisons of this assembly alone: the same in every view of its log, see `by_part`.
    worked_out: dict[Any, Any] = field(default_factory=dict, init=False, compare=False)

    @property
    def name(self) -> str:
        """Name of the corner or tied axle."""
        return self.solver.assembly.name

    @cached_property
    def corners(self) -> tuple[str, ...]:
        """Names of its corners."""
        return tuple(corner.name for corner in self.solver.assembly.corners)

    @property
    def gauges(self) -> tuple[str, ...]:
        """Names of its gauges."""
        return self.solver.gauges

    def unit_of(self, gauge: str) -> str:
        """Unit of the indications of a gauge, as the vehicle file states it."""
        return {own.name: own.unit for own in self.solver.assembly.gauges}[gauge]

    @cached_property
    def known(self) -> NDArray[np.bool_]:
        """Samples (n,) at which every gauge has a value and the pose is within its range."""
        return np.asarray(
            np.isfinite(self.samples.indication).all(axis=0)
            & ((self.samples.status & NOT_KNOWN) == 0).all(axis=0)
        )

    @cached_property
    def level(self) -> Floats:
        """Fx, Fy, Fz of every wheel without bounds, (w, 3, n) [N], in intermediate axes.

        Components that are not known hold what their priors say; NaN at samples without a value.
        """
        force, _ = forces_of(self.solver, self.samples)
        level = np.einsum("ijn,wjn->win", self.samples.turn, force[:, :3].astype(float))
        level[..., ~self.known] = np.nan
        return level

    @cached_property
    def force(self) -> Floats:
        """As `level`, (w, 3, n) [N], with NaN in components that are not known."""
        out = self.level.copy()
        out[self.solver.outputs.lost_of_wheels()] = np.nan
        return out

    @cached_property
    def heading(self) -> Floats:
        """Heading of every wheel, (w, n) [rad]."""
        table = self.solver.table
        return np.asarray(table.heading @ table.basis(self.samples.travel, self.samples.rack))

    @cached_property
    def ahead(self) -> Floats:
        """Force of every wheel along its own heading, (w, n) [N]; NaN where Fx is not known."""
        c, s = np.cos(self.heading), np.sin(self.heading)
        # A sideways force that is not known is what priors say.
        return np.asarray(c * self.force[:, 0] + s * self.level[:, 1])

    def sum_of(self, weights: Floats) -> Floats:
        """Sum (n,) [N] of the forces with `weights` (w, 3); NaN if gauges do not determine it."""
        key = "sum", weights.tobytes()
        if key not in self.worked_out:
            self.worked_out[key] = self._sum_of(weights)
        return np.asarray(self.worked_out[key])

    def _sum_of(self, weights: Floats) -> Floats:
        own, outputs = weights.ravel(), self.solver.outputs
        lost = outputs.lost_of_wheels().ravel()
        if lost.any():
            sums = np.asarray(outputs.weights).reshape(-1, own.size)[:, lost]
            share = np.linalg.lstsq(sums.T, own[lost], rcond=None)[0]
            if np.any(np.abs(share @ sums - own[lost]) > 1e-6):
                return np.full(self.level.shape[-1], np.nan)
        return own @ self.level.reshape(own.size, -1)

    @cached_property
    def usual_covariance(self) -> Floats:
        """Covariance (3 w, 3 w) [N2] of the forces at usual loads, by all causes of error."""
        return usual_covariance(list(self.solver.causes), self.solver.estimator)

    @cached_property
    def half_width(self) -> Floats:
        """Half-widths (w, 3) [N] of the 95 % intervals of the forces at usual loads."""
        return COVERAGE_FACTOR * np.sqrt(np.diag(self.usual_covariance)).reshape(-1, 3)

    @cached_property
    def standing(self) -> Floats:
        """Loads (member,) [N] of the assembly at design height, its wheels under static load."""
        estimator = self.solver.estimator
        return standing(estimator.assembly, np.array(estimator.usual_load))

    @cached_property
    def expected(self) -> Expected:
        """Indications that priors and ordinary channels allow; see `Expected`."""
        return expected_indications(self.solver, self.samples)

    @cached_property
    def residual(self) -> Floats:
        """Indications less what is known of them, (n, gauge), in each gauge's unit [mV/V]."""
        return np.asarray(self.samples.indication.T - self.expected.mean)

    @cached_property
    def misfit(self) -> Floats:
        """Square of the residual over its covariance per gauge, (n,) [1]; sound: 1 or below.

        NaN where a gauge has no value.  Source: reduced chi-square, e.g. JCGM 106, from memory.
        """
        r = np.where(np.isfinite(self.residual), self.residual, 0.0)
        square = np.einsum("ng,ngh,nh->n", r, self.expected.weight, r) / len(self.gauges)
        return np.where(self.known, square, np.nan)

    @cached_property
    def contradiction(self) -> Floats:
        """Each gauge against the others of its assembly, in standard uncertainties, (n, gauge) [1].

        The indication less what the others, priors and ordinary channels expect of it.  NaN where a
        gauge has no value.
        """
        P = self.expected.weight
        r = np.where(np.isfinite(self.residual), self.residual, 0.0)
        against = np.einsum("ngh,nh->ng", P, r) / np.sqrt(np.einsum("ngg->ng", P))
        return np.where(self.known[:, None], against, np.nan)

    def noise_alone(self, i: int) -> bool:
        """Whether gauge `i` moves no more over the drive than its noise does."""
        own = self.samples.indication[i, self.known]
        return bool(len(own) and np.std(own) < NOISE_ALONE * self.solver.session.noise[i])

    @cached_property
    def lever(self) -> Floats:
        """Change of `level` per indication of each gauge, (w, 3, gauge, n) [N/unit]."""
        per = forces_per_indication(self.solver, self.samples).astype(float)
        lever = np.einsum("ijn,wjgn->wign", self.samples.turn, per)
        lever[..., ((self.samples.status & NOT_KNOWN) != 0).any(axis=0)] = np.nan
        return lever

    @cached_property
    def leverage(self) -> Floats:
        """Change of Fx, Fy, Fz per indication of each gauge, (w, 3, gauge) [N/unit].

        Mean over the samples, intermediate axes; NaN of forces that are not known.
        """
        if not self.known.any():
            return np.full((len(self.corners), 3, len(self.gauges)), np.nan)
        out = np.mean(self.lever[..., self.known], axis=-1)
        out[self.solver.outputs.lost_of_wheels()] = np.nan
        return np.asarray(out)

    def with_indication(self, indication: Floats) -> Part:
        """The same with other indications (gauge, n), less zeros, in each gauge's unit [mV/V]."""
        return self.changed(indication, self.zero)

    def with_zero(self, zero: Floats) -> Part:
        """The same with other zeros (gauge,), in each gauge's unit [mV/V]."""
        return self.changed(self.samples.indication + (self.zero - zero)[:, None], zero)

    def changed(self, indication: Floats, zero: Floats) -> Part:
        """The same with other indications (gauge, n) less other zeros (gauge,) [mV/V]."""
        out = Part(self.solver, replace(self.samples, indication=indication), zero)
        # Poses and priors do not depend on the indications: they are worked out once.
        for name in ("expected", "lever", "leverage", *OF_CAR):
            if name in vars(self):
                vars(out)[name] = vars(self)[name]
        return out

    def with_samples(self, samples: Samples) -> Part:
        """The same with ordinary channels of another log, and these indications.

        What was worked out before holds as far as the samples are the same.
        """
        samples = replace(samples, indication=self.samples.indication)
        changed = {
            name
            for name in ("travel", "rack", "mode", "hub", "brake_torque", "status", "turn")
            if not np.array_equal(getattr(samples, name), getattr(self.samples, name), True)
        }
        out = Part(self.solver, samples, self.zero)
        holds = OF_CAR if changed - {"turn"} else ("expected", *OF_CAR) if changed else WORKED_OUT
        vars(out).update({name: vars(self)[name] for name in holds if name in vars(self)})
        return out


OF_CAR = ("usual_covariance", "half_width", "standing")  # what the prepared car decides alone
WORKED_OUT = tuple(name for name, value in vars(Part).items() if isinstance(value, cached_property))


@dataclass(frozen=True)
class View:
    """A thinned drive: its log, ready to be solved, and its assemblies by name.

    The `whole` drive (elapsed_time, ...) lasts from `start` to `end` [s].
    """

    prepared: Prepared
    whole: xr.Dataset
    log: xr.Dataset
    parts: dict[str, Part]
    start: float
    end: float
    # Comparisons that depend on the log alone: the same for every change of an assembly.
    kept: dict[Any, Any] = field(default_factory=dict, compare=False)
    # What several comparisons of this very view share.
    worked_out: dict[str, Any] = field(default_factory=dict, init=False, compare=False)

    @cached_property
    def elapsed(self) -> Floats:
        """Middle of each short mean, (n,) [s]."""
        return np.asarray(self.log.variables["elapsed_time"].to_numpy())

    @cached_property
    def corners(self) -> tuple[str, ...]:
        """Names of the corners, in the order of `force`."""
        return tuple(corner for part in self.parts.values() for corner in part.corners)

    @cached_property
    def force(self) -> dict[str, Floats]:
        """Fx, Fy, Fz by corner, (3, n) [N], intermediate axes, without bounds."""
        return {
            corner: part.force[k]
            for part in self.parts.values()
            for k, corner in enumerate(part.corners)
        }

    @cached_property
    def _logged_corners(self) -> list[str]:
        return corner_names(self.log) if "corner" in self.log.variables else []

    def channel(self, name: str, corner: str | None = None) -> Floats | None:
        """Values of an ordinary channel (n, ...) [SI unit], None if it is not logged."""
        key = f"channel {name} {corner}"
        if key not in self.kept:
            self.kept[key] = self._channel(name, corner)
        found: Floats | None = self.kept[key]
        return found

    def u_clock(self, name: str) -> float:
        """Standard uncertainty [s] of the clock of a channel on that of the gauges."""
        return float(self.log[name].attrs.get("u_clock", 0.0)) if name in self.log else 0.0

    def _channel(self, name: str, corner: str | None) -> Floats | None:
        # A channel that was inferred has its uncertainty beside it, and is no evidence.
        if name not in self.log or f"u_{name}" in self.log:
            return None
        values = self.log.variables[name]
        out = values.values
        if corner is not None:
            if corner not in self._logged_corners:
                return None
            out = out.take(self._logged_corners.index(corner), values.dims.index("corner"))
        return out if np.isfinite(out).any() else None

    def whole_until(self, time: float) -> xr.Dataset:
        """The samples of the whole drive before a time [s]."""
        if time >= self.end:
            return self.whole
        count = int(np.searchsorted(self.whole["elapsed_time"].to_numpy(), time))
        return self.whole.isel(elapsed_time=slice(count))

    def with_part(self, part: Part, *, mended: bool = True) -> View:
        """The same with another state of one assembly; `mended`, with the acceleration it shows."""
        parts, old = self.parts | {part.name: part}, self.parts[part.name].samples
        other = part.samples.hub is old.hub and part.samples.indication is not old.indication
        if mended and other and shown_by_some(self.log, [own.solver for own in parts.values()]):
            parts = self._accelerated(parts)
        return replace(self, parts=parts)

    def _accelerated(self, parts: dict[str, Part]) -> dict[str, Part]:
        """Other assemblies of the drive, with the acceleration of the body that they show."""
        before, after = (
            [(own.solver, own.samples) for own in of.values()] for of in (self.parts, parts)
        )
        car = self.prepared.car
        shown = [shown_acceleration(every, car, self.elapsed) for every in (before, after)]
        every = zip(parts.items(), with_acceleration(after, self.log, *shown), strict=True)
        return {name: own.with_samples(samples) for (name, own), samples in every}

    def with_car(self, car: Vehicle) -> View:
        """The same drive of another car, of which its comparisons are worked out again."""
        parts = {n: part.with_indication(part.samples.indication) for n, part in self.parts.items()}
        return replace(self, prepared=replace(self.prepared, car=car), parts=parts, kept={})

    def without(self, names: Collection[str]) -> View:
        """The same drive without some assemblies, as if they had no gauges."""
        if not names:
            return self
        kept = tuple(s for s in self.prepared.solvers if s.assembly.name not in names)
        parts = {solver.assembly.name: self.parts[solver.assembly.name] for solver in kept}
        prepared = replace(self.prepared, solvers=kept)
        return replace(self, prepared=prepared, parts=parts, kept={})

    def but(self, left_out: NDArray[np.bool_]) -> View:
        """The same drive without the short means that are `left_out` (n,)."""
        if not left_out.any():
            return self
        short = self.log.isel(elapsed_time=~left_out)
        return replace(self, log=short, parts=_parts(self.prepared, short), kept={})

    def with_log(self, log: xr.Dataset) -> View:
        """The same drive with another thinned log."""
        parts = {}
        for (name, own), (_, samples) in zip(
            self.parts.items(), _solver_samples(self.prepared, log), strict=True
        ):
            # Indications and zeros stay as they are here: they may be mended already.
            parts[name] = own.with_samples(samples)
        return replace(self, log=log, parts=parts, kept={})


def view_of(prepared: Prepared, log: xr.Dataset, windows: int = WINDOWS) -> View:
    """Thin a conditioned log (elapsed_time, gauge) to short means spread over the drive."""
    short, elapsed = thinned(log, windows), log["elapsed_time"].to_numpy()
    start, end = float(elapsed[0]), float(elapsed[-1])
    return View(prepared, log, short, _parts(prepared, short), start, end)


def at_samples(view: View, rows: NDArray[np.int64]) -> View:
    """The same drive at the samples `rows` (n,) of the whole of it.

    Short means smooth what changes quickly, wheel hop above all.
    """
    short = view.whole.isel(elapsed_time=rows)
    return replace(view, log=short, parts=_parts(view.prepared, short), kept={})


def _parts(prepared: Prepared, log: xr.Dataset) -> dict[str, Part]:
    """Assemblies by name, with their samples of a thinned log."""
    zeros = log.get("zero")
    parts = {}
    for solver, samples in _solver_samples(prepared, log):
        gauges = list(solver.gauges)
        zero = np.full(len(gauges), np.nan)
        if zeros is not None:
            zero = zeros.sel(gauge=gauges).to_numpy()
        parts[solver.assembly.name] = Part(solver, samples, zero)
    return parts


def _solver_samples(prepared: Prepared, log: xr.Dataset) -> Iterator[tuple[Solver, Samples]]:
    body = body_of(log, prepared.car, prepared.session, prepared.to_rack)
    for solver in prepared.solvers:
        yield solver, samples_of(log, prepared.car, solver, body)
