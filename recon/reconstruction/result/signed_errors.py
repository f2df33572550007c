"""Signed errors of a result, cause by cause, for sums, shares and differences of forces.

A result carries the loadings of every cause (see `causes`).  Given samples, this module turns
them into newtons per standard uncertainty of each cause; causes shared by corners and samples
keep their sign.  Standard deviations alone would not do: they add what cancels.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, shortened
from recon.base.kept_results import shared
from recon.base.labelled import place_of, require_attributes
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import BIT
from recon.base.threads import one_thread
from recon.mechanics.axes import intermediate_to_tyre, require_axes
from recon.reconstruction.estimator.sample_features import features_of, joint_mode, samples_by_mode
from recon.reconstruction.result.partners import require_partners
from recon.reconstruction.solving.solve import EXCESS_SHARE, beyond_pulls
from recon.records.forces import MAKE_AGAIN, SIGNED, require_forces

Positions = NDArray[np.int64]
STATED = {
    "tyre": "u_tyre_force",
    "intermediate": "u_tyre_force_intermediate",
    "vehicle": "u_tyre_force_vehicle",
}
RANDOM = "u_tyre_force_random"
LOADINGS = ("loading", "loading_added_intermediate", "loading_added_tyre")
# Along time: what errors depend on as they are, and what may be low-passed.
TIMED = ("hub_mode", "status", *STATED.values(), RANDOM)
ALONG = ("tyre_force_vehicle", "tyre_force_intermediate", "hub_moment", "heading", "travel", "rack")
CHUNK, TYPICAL = 8192, 500  # samples in one step, and those that show usual sizes
NODES_APART = 0.04  # s; errors keep their correlation for longer, although forces do not
LEAST_U = 1e-6  # N
PAIRS = ((0, 1), (0, 2), (1, 2))  # of components whose errors go together


@public
def signed_errors(forces: xr.Dataset, samples: Positions, axes: str = "intermediate") -> Floats:
    """Effect of every cause at some samples.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    samples : (sample,)
        Positions along `elapsed_time`.
    axes : {"tyre", "intermediate", "vehicle"}

    Returns
    -------
    ndarray (cause, sample, corner, component) [N]
        Effect per standard uncertainty of the cause; sums of squares over causes give the
        variance beside the random part.  Where forces are not known, three rows more per corner
        hold what they bring into x, y and z of those that are, without a sign.  The last three
        rows per corner, without a sign too, are the widening beyond the largest pull.

    Raises
    ------
    DataError
        The dataset is no result of `reconstruct`; the message says what it is. Or there are no
        such axes or samples.
    """
    loadings = Loadings(forces)
    require_axes(axes, "signed errors")
    samples = _positions(samples, forces)
    corners = range(forces.sizes["corner"])
    effects = np.stack([loadings.errors(k, samples, axes) for k in corners], axis=2)
    return np.concatenate([effects, *(loadings.beyond(k, samples, axes) for k in corners)])


def _positions(samples: Positions, forces: xr.Dataset) -> Positions:
    """The positions (sample,).

    Raises DataError: they are times, a mask, or not there.
    """
    at, count = np.asarray(samples), forces.sizes["elapsed_time"]
    whole = at.ndim == 1 and at.dtype.kind in "iu"
    if not whole or np.any((at < -count) | (at >= count)):
        raise DataError(
            place_of(forces),
            f"samples = {shortened(repr(samples), 100)}",
            f"positions, whole numbers from 0 to {count - 1}",
            "np.flatnonzero(mask) makes them of a mask, np.searchsorted of times.",
        )
    return at


@dataclass(frozen=True, slots=True)
class Part:
    """Loadings (cause, 3, feature) and features (feature, sample) of a corner in one mode.

    `at` (sample,) are places among the samples that were asked for; products are newtons.
    """

    at: Positions | slice
    loading: Floats
    features: NDArray[np.float32]

    def effects(self, loading: Floats) -> Floats:
        """Effects (row, sample, 3) [N] of loadings (row, 3, feature)."""
        flat = loading.reshape(-1, loading.shape[-1]) @ self.features
        shape = (*loading.shape[:2], self.features.shape[1])
        return np.swapaxes(flat.reshape(shape), 1, 2)


class Loadings:
    """The loadings of a result and what they multiply, taken out of their labels once.

    Raises DataError: the dataset is no result of `reconstruct`.
    """

    def __init__(self, forces: xr.Dataset) -> None:
        require_forces(forces, *SIGNED)
        require_attributes(forces, ("rate_Hz",), MAKE_AGAIN)
        require_partners(forces)
        there = {*STATED.values(), RANDOM} & {*forces.data_vars}
        self._of = {name: forces[name].to_numpy() for name in (*SIGNED, *map(str, there))}
        self._rate = float(forces.attrs["rate_Hz"])
        self._lost = self._with_lost()
        if self._lost.any():
            require_forces(forces, *STATED.values(), RANDOM)

    def _with_lost(self) -> NDArray[np.bool_]:
        """Corners (corner,) of which some forces are not known, or were solved without a gauge."""
        unknown = np.isnan(self._of["tyre_force_vehicle"]).all(axis=0)
        lost = unknown.any(axis=1) & ~unknown.all(axis=1)
        # Loadings are those of all gauges: what was solved without one has a rest besides.
        left_out = (self._of["status"] & BIT["gauge_left_out"]) > 0
        return np.asarray(lost | left_out.any(axis=0))

    def variable(self, name: str) -> Floats:
        """A variable of `SIGNED` (sample, ...) or (cause, ...) [any]."""
        return self._of[name]

    def within(self, part: slice, passed: Callable[[Floats], Floats] | None = None) -> Loadings:
        """The same for a part of the drive.

        `passed` is applied to the forces and to what their errors depend on, (sample, channel),
        in any unit.
        """
        one = copy(self)
        along = {name: self._of[name][part] for name in (*TIMED, *ALONG) if name in self._of}
        one._of = self._of | along
        one._lost = one._with_lost()
        if passed is not None:
            columns = [along[name].reshape(len(along[name]), -1) for name in ALONG]
            ends = np.cumsum([column.shape[1] for column in columns])[:-1]
            found = np.split(passed(np.concatenate(columns, axis=1, dtype=float)), ends, axis=1)
            one._of |= {n: v.reshape(along[n].shape) for n, v in zip(ALONG, found, strict=True)}
        return one

    def merged(self, weakest: float) -> tuple[Loadings, Floats]:
        """Loadings of few rows that stand for all causes, and shares (cause, row) [1] of causes.

        Rows whose effect is a share below `weakest` of the strongest, at features as large as
        they become in the drive and over the size of all effects on a force, are left out.
        """
        few = np.linspace(0, len(self._of["rack"]) - 1, TYPICAL).astype(np.int64)
        vehicle, level = (
            np.abs(np.nan_to_num([self._features(k, few, name) for k in range(self.corners)]))
            for name in ("tyre_force_vehicle", "tyre_force_intermediate")
        )
        sizes = [of.max(axis=-1)[:, None] for of in (vehicle, vehicle, level)]
        own = [self._of[name] * size for name, size in zip(LOADINGS, sizes, strict=True)]
        # Every force counts by its own size: what one axle knows badly must not hide another.
        square = np.sum([np.sum(of**2, axis=(0, *range(1, of.ndim - 3), -1)) for of in own], 0)
        scale = 1.0 / np.maximum(np.sqrt(square), LEAST_U)[..., None]
        effects = np.concatenate([(of * scale).reshape(len(of), -1) for of in own], axis=1)
        with one_thread():
            square, shares = np.linalg.eigh(effects @ effects.T)
            shares = shares[:, square >= weakest**2 * square[-1]]
            one = copy(self)
            one._of = self._of | {n: np.tensordot(shares.T, self._of[n], 1) for n in LOADINGS}
        return one, shares

    def errors(self, k: int, samples: Positions, axes: str = "intermediate") -> Floats:
        """Effect (cause, sample, component) [N] of every cause on corner `k`."""
        out = np.empty((self._of["loading"].shape[0], len(samples), 3))
        for part in self.parts(k, samples, axes):
            out[:, part.at] = part.effects(part.loading)
        out = self.turned(out, k, samples, axes)
        if not self._lost.any():
            return out
        unsigned = np.zeros((len(self._lost), 3, *out.shape[1:]))
        own = self._unsigned(out, k, samples, axes)
        unsigned[k, : len(own)] = own
        return np.concatenate([out, *unsigned])

    @property
    def corners(self) -> int:
        """Number of corners."""
        return len(self._lost)

    def unsigned(self, samples: Positions, axes: str, mask: Floats) -> tuple[Positions, Floats]:
        """Effects without a sign: places of rows, and these (row, sample, corner, component) [N].

        Places are among three rows per corner for what forces that are not known bring in, then
        three per corner for the widening beyond its largest pull.  Rows are times `mask` (corner,
        component) [1]; those of zeros are left out.
        """
        every, causes = range(self.corners), len(self._of["loading"])
        rows = np.zeros((6 * self.corners, len(samples), self.corners, 3))
        if self._lost.any():
            lost = [self.errors(k, samples, axes)[causes:] for k in every]
            rows[: 3 * self.corners] = np.nan_to_num(np.stack(lost, axis=2))
        for k in every:
            if self._excess(k, samples).any():
                first = 3 * (self.corners + k)
                rows[first : first + 3] = np.nan_to_num(self.beyond(k, samples, axes))
        rows *= mask
        places = np.flatnonzero(rows.any(axis=(1, 2, 3)))
        return places, rows[places]

    def variance(self, k: int, samples: Positions, slope: Floats) -> Floats:
        """Variance of a quantity of corner `k` from all fixed errors, quick enough for a whole log.

        `samples` (sample,) are positions along `elapsed_time`; `slope` (sample, component) [unit/N]
        is the change of the quantity per newton of each component, tyre axes.  The variance
        (sample,) is in the square of the quantity's unit, without the random part.
        """
        nodes = samples[self._nodes(k, samples)]
        u = self._fixed_u(k, nodes)
        correlation = [
            np.clip(between / (u[:, i] * u[:, j]), -1.0, 1.0)
            for (i, j), between in zip(PAIRS, self._covariances(k, nodes), strict=True)
        ]
        out = np.empty(len(samples))
        for start in range(0, len(samples), CHUNK):
            part = slice(start, start + CHUNK)
            by_axis = slope[part] * self._fixed_u(k, samples[part])
            own = np.sum(by_axis**2, axis=1, out=out[part])
            for (i, j), at_nodes in zip(PAIRS, correlation, strict=True):
                along = np.interp(samples[part], nodes, at_nodes)
                own += 2 * by_axis[:, i] * by_axis[:, j] * along
        return np.maximum(out, 0.0, out=out)

    def _fixed_u(self, k: int, samples: Positions) -> Floats:
        """Standard uncertainty (sample, component) [N] from all fixed errors, tyre axes."""
        stated, random = (
            component_wise(self._of[name], k, samples) for name in (STATED["tyre"], RANDOM)
        )
        return np.sqrt(np.fmax(stated**2 - random**2, LEAST_U**2))  # the least if NaN

    def _nodes(self, k: int, samples: Positions) -> Positions:
        """Places among `samples` between which errors of corner `k` keep their correlation."""
        breaks = np.flatnonzero((np.diff(samples) > 1) | (np.diff(self._modes(k, samples)) != 0))
        every = np.arange(0, len(samples), max(int(NODES_APART * self._rate), 1))
        chosen = np.zeros(len(samples), dtype=bool)
        chosen[np.concatenate([every, breaks, breaks + 1, [len(samples) - 1]])] = True
        return np.flatnonzero(chosen)

    def _covariances(self, k: int, samples: Positions) -> Floats:
        """Covariances (pair, sample) [N2] of the fixed errors of corner `k`, tyre axes; `PAIRS`."""
        out = np.empty((len(PAIRS), len(samples)))
        for part in self.parts(k, samples, "tyre"):
            # Many features have no effect: only few turn forces into tyre axes.
            used = part.loading.any(axis=(0, 1))
            own, products = np.arange(len(samples))[part.at], _products(part.loading[..., used])
            for start in range(0, len(own), CHUNK):
                some = own[start : start + CHUNK]
                features = part.features[used, start : start + CHUNK].astype(float)
                apart, xy, xz, yz = np.einsum("pfn,fn->pn", products @ features, features)
                x, y, _ = np.square(self._excess(k, samples[some])).T
                heading = self._of["heading"][samples[some], k]
                c, s = np.cos(heading), np.sin(heading)
                out[0, some] = (c**2 - s**2) * xy + c * s * (apart + y - x)
                out[1, some], out[2, some] = c * xz + s * yz, c * yz - s * xz
        return out

    def beyond(self, k: int, samples: Positions, axes: str = "intermediate") -> Floats:
        """Widening of corner `k` for forces beyond its largest pull.

        Returns
        -------
        ndarray (3, sample, corner, component) [N]
            One row per axis of the vehicle, without a sign; zero at all other corners.
        """
        rows = np.eye(3)[:, None] * self._excess(k, samples).T[..., None]
        if axes == "tyre":
            rows = np.nan_to_num(intermediate_to_tyre(rows, self._of["heading"][samples, k]))
        out = np.zeros((3, len(samples), len(self._of["largest_pull"]), 3))
        out[:, :, k] = rows
        return out

    def _excess(self, k: int, samples: Positions) -> Floats:
        """Size (sample, component) [N] of that widening."""
        force = np.nan_to_num(self._of["tyre_force_vehicle"][samples, k])
        return EXCESS_SHARE * beyond_pulls(force, self._of["largest_pull"][k].astype(float))

    def _unsigned(self, effect: Floats, k: int, samples: Positions, axes: str) -> Floats:
        """Rest of the stated variance beside `effect` (row, sample, 3) and the widening by pulls.

        Causes act by forces as large as they are, and roll, pitch and heading turn one force into
        another: what is not known has a part in both that no cause explains; (component, sample,
        3). [N]
        """
        if not self._lost[self._unit(k)].any():
            return np.zeros((0, *effect.shape[1:]))
        stated, random = (
            self._of[name][samples, k].astype(float) ** 2 for name in (STATED[axes], RANDOM)
        )
        beyond = np.sum(self.beyond(k, samples, axes)[:, :, k] ** 2, axis=0)
        left = np.nan_to_num(stated - random - np.sum(effect**2, axis=0) - beyond)
        return np.asarray(np.sqrt(np.maximum(left, 0.0)) * np.eye(3)[:, None])

    def parts(self, k: int, samples: Positions, axes: str) -> list[Part]:
        """Loadings and features of corner `k` for each mode of its hub among the samples.

        Effects are along intermediate axes until they are `turned`, or along those of the vehicle.
        """
        features, added = [self._features(k, samples)], self._of["loading_added_tyre"][:, k]
        if axes == "tyre":
            # Causes that turn the tyre axes act by the forces in intermediate ones.
            features.append(self._features(k, samples, "tyre_force_intermediate"))
        every = np.concatenate(features)
        out = []
        for m, at in samples_by_mode(self._modes(k, samples)):
            loading = self._of["loading"][:, m, k]
            if axes != "vehicle":
                loading = loading + self._of["loading_added_intermediate"][:, k]
            if axes == "tyre":
                loading = np.concatenate([loading, added], axis=-1)
            out.append(Part(at, loading, every[:, at]))
        return out

    def turned(self, effect: Floats, k: int, samples: Positions, axes: str) -> Floats:
        """Effects (row, sample, 3) [N] on corner `k`, as `parts` give them, in axes."""
        if axes != "tyre":
            return effect
        return intermediate_to_tyre(effect, self._of["heading"][samples, k])

    def _modes(self, k: int, samples: Positions) -> Positions:
        """Joint mode (sample,) of the hubs that are solved together with corner `k`."""
        return joint_mode(self._of["hub_mode"][np.ix_(samples, self._unit(k))].T.astype(np.int64))

    def _unit(self, k: int) -> Positions:
        """Positions of the corners that are solved together with corner `k`, left first."""
        partner = int(self._of["partner"][k])
        return np.array([k] if partner < 0 else sorted((k, partner)))

    def _features(
        self, k: int, samples: Positions, axes: str = "tyre_force_vehicle"
    ) -> NDArray[np.float32]:
        """Features (feature, sample) of corner `k`; those that only tied corners have are zero."""
        together = self._unit(k)
        at = np.ix_(samples, together)
        parts = [self._of[axes][at], self._of["hub_moment"][at][..., None]]
        force = np.concatenate(parts, axis=2).transpose(1, 2, 0)
        # A component that is not known has no known effect; flagged samples stay NaN.
        force[np.isnan(force).all(axis=-1)] = 0.0
        first, second, rack = self._of["feature_scale"][k]
        scale = (first, rack) if len(together) == 1 else (first, second, rack)
        found = features_of(force, self._of["travel"][at].T, self._of["rack"][samples], scale)
        out = np.zeros((self._of["loading"].shape[-1], len(samples)), dtype=found.dtype)
        out[: len(found)] = found
        return out


def component_wise(values: NDArray, k: int, samples: Positions) -> Floats:
    """Values (sample, 3) of corner `k` of values (sample, corner, 3) [any].

    The samples of a component lie beside each other in memory, as they do in a result.
    """
    if len(samples) and samples[-1] - samples[0] == len(samples) - 1:  # neighbours, by far usual
        return values[samples[0] : samples[-1] + 1, k].astype(float)
    return np.asarray(np.take(values[:, k].T, samples, axis=1).T, dtype=float)


def _products(loading: Floats) -> Floats:
    """Sums of products (4, feature, feature) [N2] over the causes of loadings (cause, 3, feature).

    Of y with itself less x with itself, then of `PAIRS`: few numbers, however many causes.
    """
    x, y, z = np.moveaxis(loading, 1, 0)
    return np.array([y.T @ y - x.T @ x, x.T @ y, x.T @ z, y.T @ z])


@shared
def loadings_of(forces: xr.Dataset) -> Loadings:
    """The loadings of a result; all answers of one drive share them."""
    return Loadings(forces)
