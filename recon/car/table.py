"""Loads over the ranges of travel and rack, tabulated once and evaluated at any sample.

Loads per wrench are posed at Chebyshev nodes of every travel and the rack and fitted by products
of Chebyshev polynomials of a total degree, less those that do not matter.  The degree rises
until poses in between agree to `WANTED`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.car.mechanism import assembly_of, load_arms
from recon.car.motion import Pose, pose
from recon.car.statics import member_matrix

if TYPE_CHECKING:
    from recon.car.structure import Mechanism
    from recon.car.vehicle import Vehicle

Floats = NDArray[np.float64]
Ranges = tuple[tuple[float, float], ...]
WANTED = 5e-4  # of the largest load: a twentieth of a percent, far below any gauge
LEAST_DEGREE, MOST_DEGREE = 3, 12
CHECKED = 64  # poses in between
# Products are left out that together matter less than these multiples of WANTED: their sum is an
# upper limit that poses never come near, so most is tried first.
SPARED = (8.0, 4.0, 2.0, 1.0, 0.4)
BLOCK = 4096  # samples at a time: their matrices fit into a processor's cache
WHEEL = ("x", "y", "z", "heading", "inclination", "hub_height")


@dataclass(frozen=True, slots=True)
class LoadTable:
    """Loads and wheels of one mechanism over its ranges.

    `ranges` [m] of each wheel's travel and of the rack; `powers` (basis, axis) the degrees of
    each product, `factors` the matrices whose product (input * member, basis) are their
    coefficients; `wheel_powers` and `wheels` (basis, wheel * len(WHEEL)) the same of the wheels.
    `error` is the largest deviation found at poses in between, as a share of the largest load.
    """

    name: str
    members: tuple[str, ...]
    ranges: Ranges
    powers: NDArray[np.int64]
    factors: tuple[Floats, ...]
    wheel_powers: NDArray[np.int64]
    wheels: Floats
    error: float

    def loads(self, travel: Floats, rack: Floats, wrench: Floats) -> Floats:
        """Member loads (sample, member) under wrenches about the hubs (sample, 6 * wheel).

        `travel` (sample, wheel) or (sample,), `rack` (sample,); beyond the ranges held at their
        ends. [m]
        """
        out = np.empty((len(wrench), len(self.members)))
        for first in range(0, len(wrench), BLOCK):
            part = slice(first, first + BLOCK)
            # Samples stand last, so that each product runs along memory; single precision is a
            # thousandth of the table's own error.
            by_input = self._matrices(travel[part], rack[part], np.float32)
            inputs = np.ascontiguousarray(wrench[part].T, dtype=np.float32)
            out[part] = np.einsum("in,imn->mn", inputs, by_input).T
        return out

    def matrix(self, travel: Floats, rack: Floats) -> Floats:
        """Loads per wrench about the hubs, (sample, member, 6 * wheel)."""
        return self._matrices(travel, rack, np.float64).transpose(2, 1, 0)

    def _matrices(self, travel: Floats, rack: Floats, dtype: type) -> NDArray:
        flat = self._basis(travel, rack, dtype, self.powers)
        for factor in reversed(self.factors):
            flat = factor.astype(dtype) @ flat
        return flat.reshape(-1, len(self.members), flat.shape[-1])

    def wheel(self, travel: Floats, rack: Floats) -> Floats:
        """Place of the contact [m], heading, inclination [rad], height of the hub over it [m].

        Shape (sample, wheel, len(WHEEL)), in the order of `WHEEL`.
        """
        flat = self._basis(travel, rack, np.float64, self.wheel_powers).T @ self.wheels
        return flat.reshape(len(flat), -1, len(WHEEL))

    def _basis(
        self, travel: Floats, rack: Floats, dtype: type, powers: NDArray[np.int64]
    ) -> NDArray:
        places = np.vstack([np.atleast_2d(travel.T), rack])
        return products(on_unit(places, self.ranges).astype(dtype), powers)


def on_unit(places: Floats, ranges: Ranges) -> Floats:
    """Places (axis, sample) on -1 to 1, held at the ends of their ranges."""
    low, high = np.array(ranges).T[..., None]
    span = np.where(high > low, high - low, 1.0)
    return np.clip((2 * places - low - high) / span, -1.0, 1.0)


def products(unit: NDArray, powers: NDArray[np.int64]) -> NDArray:
    """Products of Chebyshev polynomials at places (axis, sample) on -1 to 1, (basis, sample)."""
    ladders = []
    for x, used in zip(unit, powers.T, strict=True):
        ladder = [np.ones_like(x), x]
        for _ in range(int(used.max()) - 1):
            ladder.append(2 * x * ladder[-1] - ladder[-2])
        ladders.append(ladder)
    out = np.empty((len(powers), unit.shape[1]), dtype=unit.dtype)
    for k, degrees in enumerate(powers):
        lively = [ladders[axis][d] for axis, d in enumerate(degrees) if d > 0]
        out[k] = lively[0] if lively else 1.0
        for factor in lively[1:]:
            out[k] *= factor
    return out


def tabulate(car: Vehicle, corner: str) -> LoadTable:
    """Tabulate the member loads of `corner`, with its partner where an axle ties the two.

    Raises
    ------
    VehicleError
        The ranges are not reached, or no degree is fine enough.
    """
    mechanism = assembly_of(car, corner)
    ranges = tuple(car.corners[w.corner].travel_range for w in mechanism.wheels)
    steered = bool(np.any(mechanism.rack))
    ranges += (car.steering.rack_range if steered else (0.0, 0.0),)
    check = _between(ranges)
    exact = _posed(mechanism, check)
    loads = member_matrix(exact)
    scale = _scale(mechanism)
    largest = float(np.max(np.abs(loads * scale)))

    def judged(table: LoadTable) -> LoadTable:
        found = table.matrix(check[:, :-1], check[:, -1])
        return replace(table, error=float(np.max(np.abs(found - loads) * scale)) / largest)

    error = np.inf
    for degree in range(LEAST_DEGREE, MOST_DEGREE + 1):
        full = _fitted(mechanism, ranges, degree)
        for spared in SPARED:
            table = judged(_pruned(full, scale / (spared * WANTED * largest)))
            error = table.error
            if error < WANTED:
                return _factored(table, scale, judged)
    raise VehicleError(
        where=f"corner {mechanism.name}",
        found=f"loads over the ranges vary so fast that a table misses {1e2 * error:.2g} % of them",
        needed=f"loads that polynomials of degree {MOST_DEGREE} follow to {1e2 * WANTED:g} %",
        do="State shorter travel_mm or rack_mm: the mechanism comes near a dead centre.",
    )


def _scale(mechanism: Mechanism) -> Floats:
    """Weights (member, 6 * wheel) that make loads of forces and moments comparable."""
    columns = np.tile([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM], len(mechanism.wheels))
    return columns / load_arms(mechanism)[list(mechanism.members), None]


def _posed(mechanism: Mechanism, places: Floats) -> Pose:
    travel = places[:, :-1]
    return pose(mechanism, travel[:, 0] if travel.shape[1] == 1 else travel, places[:, -1])


def _between(ranges: Ranges) -> Floats:
    """Poses spread over the ranges, corners among them, (pose, axis)."""
    low, high = np.array(ranges).T
    # Multiples of irrational numbers spread evenly and never meet the nodes.
    steps = np.arange(1, CHECKED + 1)[:, None] * np.sqrt([2.0, 3.0, 5.0])[: len(ranges)] % 1.0
    ends = np.stack(np.meshgrid(*([[0.0, 1.0]] * len(ranges))), axis=-1).reshape(-1, len(ranges))
    return low + (high - low) * np.vstack([steps, ends])


def _fitted(mechanism: Mechanism, ranges: Ranges, degree: int) -> LoadTable:
    """Table of one degree with all its products."""
    nodes = np.cos(np.pi * (np.arange(degree + 2) + 0.5) / (degree + 2))
    lively = [high > low for low, high in ranges]
    axes = [nodes if moves else np.zeros(1) for moves in lively]
    unit = np.stack(np.meshgrid(*axes, indexing="ij")).reshape(len(ranges), -1)
    counts = [range(degree + 1) if moves else range(1) for moves in lively]
    every = np.stack(np.meshgrid(*counts, indexing="ij"), axis=-1).reshape(-1, len(ranges))
    powers = every[np.sum(every, axis=1) <= degree]
    low, high = np.array(ranges).T[..., None]
    at = _posed(mechanism, (0.5 * (low + high) + 0.5 * (high - low) * unit).T)
    inverse = np.linalg.pinv(products(unit, powers).T)
    loads = np.swapaxes(member_matrix(at), -1, -2)
    return LoadTable(
        name=mechanism.name,
        members=mechanism.member_names,
        ranges=ranges,
        powers=powers,
        factors=(np.ascontiguousarray((inverse @ loads.reshape(len(loads), -1)).T),),
        wheel_powers=powers,
        wheels=inverse @ _wheels_of(at),
        error=np.inf,
    )


def _pruned(full: LoadTable, weight: Floats) -> LoadTable:
    """The table less the products that together stay below one in `weight` (member, input)."""
    (table,) = full.factors
    matters = np.max(np.abs(table * weight.T.reshape(-1, 1)), axis=0)
    order = np.argsort(matters)
    kept = np.sort(order[np.cumsum(matters[order]) > 1.0])
    return replace(
        full,
        powers=full.powers[kept],
        factors=(np.ascontiguousarray(table[:, kept]),),
    )


def _factored(
    whole: LoadTable, scale: Floats, judged: Callable[[LoadTable], LoadTable]
) -> LoadTable:
    """The table as a product of two slim matrices, where that costs less and serves as well."""
    (table,) = whole.factors
    weight = scale.T.reshape(-1, 1)
    left, size, right = np.linalg.svd(table * weight, full_matrices=False)
    cheaper = int(table.size / sum(table.shape))
    for rank in range(1, cheaper):
        slim = (left[:, :rank] * size[:rank] / weight, right[:rank])
        found = judged(replace(whole, factors=slim))
        if found.error < WANTED:
            return found
    return whole


def _wheels_of(at: Pose) -> Floats:
    parts = [
        np.column_stack([w.contact, w.heading, w.inclination, w.hub[..., 2] - w.contact[..., 2]])
        for w in at.wheels
    ]
    return np.hstack(parts)
