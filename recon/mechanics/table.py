"""Loads over the ranges of travel and rack, tabulated once and evaluated at any sample.

Loads per wrench are posed at Chebyshev nodes of every travel and the rack and fitted by products
of Chebyshev polynomials of a total degree.  The degree rises until poses in between agree well;
then products are left out one by one while they still agree to `WANTED`.

Members hang on few inputs each, and on few axes.  Most know one wheel's wrench only.  Where a
bar ties wheels that move apart, a wheel's members know of the other wheel through one load alone,
their leader: they follow from it and their own wheel's wrench, with coefficients of their own
travel and rack.  The leaders themselves know of each wrench only the force at which it works
along the wheel's travel.  A table is therefore a chain of parts, each with inputs that are
known before; which there are is found from the loads, to rounding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import VehicleError
from recon.base.quantities import MOMENT_ARM
from recon.base.threads import one_thread
from recon.mechanics.chebyshev import Ranges, nodes_of, on_ranges, on_unit, powers_of, products
from recon.mechanics.mechanism import assembly_of, load_arms
from recon.mechanics.motion import Pose, pose_at
from recon.mechanics.statics import member_matrix

if TYPE_CHECKING:
    from recon.car.vehicle import Vehicle
    from recon.mechanics.structure import Mechanism

Rows = list[int]
Link = tuple[Rows, Rows]  # inputs and what is found from them
WANTED = 5e-4  # of the largest load: a twentieth of a percent, far below any gauge
LEAST_DEGREE, MOST_DEGREE = 3, 12
# Shares of WANTED: taken by the fit, and with what all parts lack; the rest is for single parts.
ROOM, LEFT = 0.5, 0.95
EXACT = 1e-9  # of the largest load: rounding
LEAST_LEAD = 1e-3  # of the largest load: a leader must feel the other wheel at every pose
CHECKED = 64  # poses in between
BLOCK = 8192  # samples at a time: calls cost little, and their matrices fit into a cache
WHEEL = ("x", "y", "z", "heading", "inclination", "hub_height")


@dataclass(frozen=True, slots=True)
class Part:
    """What follows from the same few inputs.

    `inputs` and `found` are rows of what is known of a sample: the wrenches about the hubs, 6
    per wheel, the force along the travel of each wheel, and the loads of the members.
    `table` (input * found, basis) holds the coefficients of the products from `first` on.
    """

    inputs: Rows
    found: Rows
    first: int
    table: Floats

    def fill(self, known: NDArray, basis: NDArray, room: NDArray) -> None:
        """Fill in the rows `found` of `known` (row, ..., sample) with `basis` (basis, sample).

        `room` (at least input * found, sample) is written over.
        """
        used = basis[self.first : self.first + self.table.shape[1]]
        flat = np.matmul(self.table.astype(basis.dtype), used, out=room[: len(self.table)])
        by_input = flat.reshape(len(self.inputs), len(self.found), -1)
        known[self.found] = np.einsum("i...n,imn->m...n", known[self.inputs], by_input)


@dataclass(frozen=True, slots=True)
class LoadTable:
    """Loads and wheels of one mechanism over its ranges.

    `ranges` [m] of each wheel's travel and of the rack; `powers` (basis, axis) the degrees of
    each product, `parts` their coefficients, in an order in which inputs are known;
    `wheel_powers` and `wheels` (basis, wheel * len(WHEEL)) the same of the wheels.  `error` is
    the largest deviation found at poses in between, as a share of the largest load.
    """

    name: str
    members: tuple[str, ...]
    ranges: Ranges
    powers: NDArray[np.int64]
    parts: tuple[Part, ...]
    wheel_powers: NDArray[np.int64]
    wheels: Floats
    error: float

    def loads(self, travel: Floats, rack: Floats, wrench: Floats) -> Floats:
        """Member loads (sample, member) under wrenches about the hubs (sample, 6 * wheel).

        `travel` (sample, wheel) or (sample,), `rack` (sample,); beyond the ranges held at their
        ends. [m]  The loads of each member lie together in memory.
        """
        out = np.empty((len(self.members), len(wrench)))
        room: tuple[NDArray, ...] = ()
        for first in range(0, len(wrench), BLOCK):
            part = slice(first, min(first + BLOCK, len(wrench)))
            # Samples stand last, so that each product runs along memory; single precision is a
            # thousandth of the table's own error.
            rows = wrench[part].T
            if not room or room[0].shape[-1] != rows.shape[-1]:
                room = self._room(rows.shape, np.float32)
            out[:, part] = self._found(travel[part], rack[part], rows, room)
        return out.T

    def matrix(self, travel: Floats, rack: Floats) -> Floats:
        """Loads per wrench about the hubs, (sample, member, 6 * wheel)."""
        units = np.eye(6 * (len(self.ranges) - 1))[..., None]
        room = self._room((*units.shape[:-1], len(rack)), np.float64)
        return self._found(travel, rack, units, room).transpose(2, 0, 1)

    def _room(self, wrench: tuple[int, ...], dtype: type) -> tuple[NDArray, NDArray, NDArray]:
        """Arrays that every block fills anew: what is known, the basis, loads by input.

        Asked for once; block by block their memory might be given back and asked for again.
        """
        rows = wrench[0] + len(self.ranges) - 1 + len(self.members)
        largest = max(len(part.table) for part in self.parts)
        return (
            np.empty((rows, *wrench[1:]), dtype=dtype),
            np.empty((len(self.powers), wrench[-1]), dtype=dtype),
            np.empty((largest, wrench[-1]), dtype=dtype),
        )

    def _found(
        self, travel: Floats, rack: Floats, wrench: Floats, room: tuple[NDArray, ...]
    ) -> NDArray:
        """Loads (member, ..., sample) under wrenches (6 * wheel, ..., sample)."""
        known, basis, by_input = room
        products(on_unit(travel, rack, self.ranges, basis.dtype), self.powers, basis)
        known[: len(wrench)] = wrench
        for part in self.parts:
            part.fill(known, basis, by_input)
        return known[len(known) - len(self.members) :]

    def wheel(self, travel: Floats, rack: Floats) -> Floats:
        """Place of the contact [m], heading, inclination [rad], height of the hub over it [m].

        Shape (sample, wheel, len(WHEEL)), in the order of `WHEEL`.
        """
        unit = on_unit(travel, rack, self.ranges, np.float64)
        flat = products(unit, self.wheel_powers).T @ self.wheels
        return flat.reshape(len(flat), -1, len(WHEEL))


def tabulate(car: Vehicle, corner: str) -> LoadTable:
    """Tabulate the member loads of `corner`, with its partner where an axle ties the two.

    Raises
    ------
    VehicleError
        The ranges are not reached, or no degree is fine enough.
    """
    with one_thread():
        return _tabulated(car, assembly_of(car, corner).mechanism)


def _tabulated(car: Vehicle, mechanism: Mechanism) -> LoadTable:
    ranges = tuple(car.corners[w.corner].travel_range for w in mechanism.wheels)
    steered = bool(np.any(mechanism.rack))
    ranges += (car.steering.rack_range if steered else (0.0, 0.0),)
    check = _between(ranges)
    loads = member_matrix(pose_at(mechanism, check))
    scale = _scale(mechanism)
    largest = float(np.max(np.abs(loads * scale)))

    def judged(table: LoadTable) -> LoadTable:
        found = table.matrix(check[:, :-1], check[:, -1])
        return replace(table, error=float(np.max(np.abs(found - loads) * scale)) / largest)

    leaders, links = _chain(mechanism, ranges, scale / largest)
    for degree in range(LEAST_DEGREE, MOST_DEGREE + 1):
        table = judged(_fitted(mechanism, ranges, degree, leaders, links))
        if table.error < ROOM * WANTED:
            break
    if table.error < WANTED:
        return _slimmed(table, judged)
    raise VehicleError(
        where=mechanism.title,
        found="loads over the ranges vary so fast that a table misses "
        f"{1e2 * table.error:.2g} % of them",
        needed=f"loads that polynomials of degree {MOST_DEGREE} follow to {1e2 * WANTED:g} %",
        do="State shorter travel_mm or rack_mm: the mechanism comes near a dead centre.",
    )


def _scale(mechanism: Mechanism) -> Floats:
    """Weights (member, 6 * wheel) that make loads of forces and moments comparable."""
    columns = np.tile([1.0, 1.0, 1.0, MOMENT_ARM, MOMENT_ARM, MOMENT_ARM], len(mechanism.wheels))
    return columns / load_arms(mechanism)[list(mechanism.members), None]


def _between(ranges: Ranges) -> Floats:
    """Poses spread over the ranges, ends and middles among them, (pose, axis)."""
    # Multiples of irrational numbers spread evenly and never meet the nodes.
    steps = np.arange(1, CHECKED + 1)[:, None] * np.sqrt([2.0, 3.0, 5.0])[: len(ranges)]
    # What is left out shows most at the ends, one axis or all of them there.
    edges = list(product([-1.0, 0.0, 1.0], repeat=len(ranges)))
    return on_ranges(np.vstack([2 * (steps % 1.0) - 1, edges]).T, ranges)


def _known(loads: Floats, leaders: Rows) -> Floats:
    """Rows known (..., row, 6 * wheel) per wrench, from `loads` and each wheel's leader in it.

    By virtual work a load that feels a wheel's travel alone has columns in the ratio of the
    hub's small motions in travel; over that of Fz they give the force along the travel.
    """
    n = loads.shape[-1]
    along = np.zeros((*loads.shape[:-2], n // 6, n))
    for wheel, leader in enumerate(leaders):
        own = slice(6 * wheel, 6 * wheel + 6)
        along[..., wheel, own] = loads[..., leader, own] / loads[..., leader, own][..., 2:3]
    wrench = np.broadcast_to(np.eye(n), (*loads.shape[:-2], n, n))
    return np.concatenate([wrench, along, loads], axis=-2)


def _per_input(known: Floats, found: Rows, inputs: Rows) -> Floats:
    """Coefficients (..., found, input) that give rows of `known` from others of them."""
    return np.asarray(known[..., found, :] @ np.linalg.pinv(known[..., inputs, :]))


def _chain(mechanism: Mechanism, ranges: Ranges, weight: Floats) -> tuple[Rows, list[Link]]:
    """Each wheel's leader, if any, and what is found from what, in an order that can be followed.

    Told from the loads at a few poses, as shares of the largest by `weight` (member, input).
    """
    loads = member_matrix(pose_at(mechanism, nodes_of(ranges, [3] * len(ranges))[1])) * weight
    loads = loads.reshape(*(3 if high > low else 1 for low, high in ranges), *loads.shape[1:])
    n = loads.shape[-1]
    first = n + n // 6
    wheels = [list(range(k, k + 6)) for k in range(0, n, 6)]
    live = np.array([_most(loads[..., own]) > EXACT for own in wheels])
    live[0] |= ~np.any(live, axis=0)  # a member without loads needs some input, too
    inputs = {first + m: np.flatnonzero(np.repeat(w, 6)).tolist() for m, w in enumerate(live.T)}
    led = [_led(loads, np.all(live, axis=0), k) for k in range(2)] if len(wheels) == 2 else []
    leaders = [leader for leader, followers in led if followers]
    if len(leaders) == 2:
        lead, along = [first + m for m in leaders], [n, n + 1]
        known = _known(loads, leaders)
        given = _per_input(known, lead, along) @ known[..., along, :]
        if np.max(np.abs(given - known[..., lead, :])) < EXACT:
            for (_, followers), own, leader in zip(led, wheels, lead, strict=True):
                inputs |= {first + m: [*own, leader] for m in followers}
            inputs |= dict(zip([*along, *lead], [*wheels, along, along], strict=True))
    together: dict[tuple[int, ...], Rows] = {}
    for row, own in inputs.items():
        together.setdefault(tuple(own), []).append(row)
    links = [(list(own), found) for own, found in together.items()]
    return leaders, sorted(links, key=lambda link: max(link[0]))


def _led(loads: Floats, tied: NDArray[np.bool_], wheel: int) -> tuple[int, Rows]:
    """The best leader of one of two wheels, and which of the members `tied` to both follow it.

    They follow where coefficients that do not know of the other wheel's travel give their loads.
    """
    n = loads.shape[-1]
    known, first = _known(loads, []), n + n // 6
    members = list(range(first, known.shape[-2]))
    feels = np.min(np.abs(loads[..., 2::6]), axis=(0, 1, 2, 4))
    found: list[tuple[int, float, int, Rows]] = [(0, 0.0, 0, [])]
    for leader in np.flatnonzero(feels > LEAST_LEAD).tolist():
        using = [*range(6 * wheel, 6 * wheel + 6), first + leader]
        share = _per_input(known, members, using).mean(axis=1 - wheel, keepdims=True)
        follows = tied & (_most(share @ known[..., using, :] - loads) < EXACT)
        follows[leader] = False
        followers = np.flatnonzero(follows).tolist()
        found.append((len(followers), float(feels[leader]), leader, followers))
    return max(found)[2:]


def _most(loads: Floats) -> Floats:
    """Largest of each member over all nodes and inputs."""
    return np.asarray(np.max(np.abs(loads), axis=(0, *range(1, loads.ndim - 2), -1)))


def _fitted(
    mechanism: Mechanism, ranges: Ranges, degree: int, leaders: Rows, links: list[Link]
) -> LoadTable:
    """Table of one degree with all its products."""
    unit, places = nodes_of(ranges, [degree + 2] * len(ranges))
    powers = powers_of(ranges, [degree] * len(ranges))
    at = pose_at(mechanism, places)
    inverse = np.linalg.pinv(products(unit, powers).T)
    known = _known(member_matrix(at), leaders)
    parts = []
    for inputs, found in links:
        per_input = _per_input(known, found, inputs).swapaxes(1, 2)
        table = (inverse @ per_input.reshape(len(per_input), -1)).T
        parts.append(Part(inputs, found, 0, table))
    return LoadTable(
        name=mechanism.name,
        members=mechanism.member_names,
        ranges=ranges,
        powers=powers,
        parts=tuple(parts),
        wheel_powers=powers,
        wheels=inverse @ _wheels_of(at),
        error=np.inf,
    )


def _slimmed(table: LoadTable, judged: Callable[[LoadTable], LoadTable]) -> LoadTable:
    """The table less the products that it does not need, tried from what matters least."""

    def kept(some: NDArray[np.bool_]) -> LoadTable:
        parts = tuple(replace(p, table=p.table[:, some]) for p in table.parts)
        return judged(replace(table, powers=table.powers[some], parts=parts))

    some = np.ones(len(table.powers), dtype=bool)
    for one in np.argsort([kept(~one).error for one in np.eye(len(some), dtype=bool)]):
        some[one] = False
        some[one] = kept(some).error >= LEFT * WANTED
    slim = kept(some)
    # Then what one part alone can do without, the largest part first.
    for k in sorted(range(len(slim.parts)), key=lambda k: -len(slim.parts[k].table)):
        for one in np.argsort(np.max(np.abs(slim.parts[k].table), axis=0)):
            less = slim.parts[k].table.copy()
            less[:, one] = 0.0
            part = replace(slim.parts[k], table=less)
            tried = judged(replace(slim, parts=(*slim.parts[:k], part, *slim.parts[k + 1 :])))
            slim = tried if tried.error < WANTED else slim
    return judged(_trimmed(slim))


def _trimmed(table: LoadTable) -> LoadTable:
    """The same table, each part from its first to its last product only."""
    used = np.array([np.any(p.table, axis=0) for p in table.parts])
    # Products that know of one travel and the rack stand together, first those of the second
    # wheel; next to those that know of the rack alone stand what most parts use.
    moved = np.sign(table.powers[:, [0, -2]])
    side = moved @ [1, -1] + 3 * np.prod(moved, axis=1)
    order = np.argsort(side * (1 - 0.1 * np.mean(used, axis=0)), kind="stable")
    parts = []
    for part, own in zip(table.parts, used[:, order], strict=True):
        first, last = np.flatnonzero(own)[[0, -1]].tolist() if np.any(own) else (0, 0)
        slim = np.ascontiguousarray(part.table[:, order[first : last + 1]])
        parts.append(replace(part, first=first, table=slim))
    return replace(table, powers=table.powers[order], parts=tuple(parts))


def _wheels_of(at: Pose) -> Floats:
    parts = [
        np.column_stack([w.contact, w.heading, w.inclination, w.hub[..., 2] - w.contact[..., 2]])
        for w in at.wheels
    ]
    return np.hstack(parts)
