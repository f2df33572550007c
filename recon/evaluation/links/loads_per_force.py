"""Loads of all links of an assembly from the forces of its tyres, over travel and rack.

    s = G(q) B x - G(q) m f,

with x the forces and moments at the contact centres, B what of them reaches the wheel centre (the
hub passes no moment about the spin axis but T), m the unsprung mass and f the specific force of the
hub.  Gauged or not, every link has a row, and so has a spring with a gauge.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import DTypeLike, NDArray

from recon.base.arrays import Floats
from recon.car.vehicle import Support, Vehicle
from recon.mechanics.assembly import Assembly
from recon.mechanics.chebyshev import Ranges, nodes_of, on_unit, powers_of, products
from recon.mechanics.motion import Pose, pose
from recon.mechanics.statics import load_matrix
from recon.planning.unknowns import MODES, reference_of, tyre_columns
from recon.reconstruction.estimator.linear_estimator import (
    FORCE_ROWS,
    KNOWN_ROWS,
    loads_of,
    rows_of_wheels,
)

DEGREE = 5  # of products of travels and rack; a test compares loads with those of exact poses
FINE_DEGREE = 8  # where loads are subtracted that nearly cancel
SPARE_NODES = 1  # beyond the degree, so that the fit averages
BLOCK = 1 << 13  # samples; fits the cache


@dataclass(frozen=True, slots=True)
class Inputs:
    """Forces and motion of an assembly of w wheels, from which its link loads follow.

    `force` (w, 4, sample) Fx, Fy, Fz [N] and T [N m], `hub` (w, 3, sample) specific force of the
    hub [m/s2], both in vehicle axes; `travel` (w, sample), `rack` (sample,) [m]; `mode` (w, sample)
    of the hubs, see `MODES`.
    """

    force: Floats
    hub: Floats
    travel: Floats
    rack: Floats
    mode: NDArray[np.int64]

    def part(self, samples: slice | NDArray) -> Inputs:
        """The samples at positions (sample,) [1]."""
        return Inputs(*(getattr(self, name)[..., samples] for name in self.__dataclass_fields__))

    def rows(self, dtype: DTypeLike) -> NDArray:
        """Forces [N, N m], then specific forces [m/s2], (7 w, sample)."""
        flat = [values.reshape(-1, len(self.rack)) for values in (self.force, self.hub)]
        return np.concatenate(flat, dtype=dtype, casting="same_kind")


@dataclass(frozen=True)
class LinkMap:
    """Loads of the links of one assembly.

    `rows` are the places of its links among the rows of `load_matrix`; `columns` (6 w, 6 w) the
    means of tyre moments that follow forces.
    """

    assembly: Assembly
    rows: tuple[int, ...]
    columns: Floats
    rack_range: tuple[float, float]

    @classmethod
    def of(cls, car: Vehicle, assembly: Assembly) -> LinkMap:
        """The map of an assembly of the car."""
        from scipy.linalg import block_diag

        loads = [reference_of(car, corner).vertical for corner in assembly.corners]
        return cls(
            assembly=assembly,
            rows=tuple(_rows(assembly)),
            columns=np.asarray(block_diag(*(tyre_columns(car.tyre, load) for load in loads))),
            rack_range=car.steering.rack_range if assembly.steered else (0.0, 0.0),
        )

    @property
    def supports(self) -> tuple[Support, ...]:
        """The links themselves."""
        owner = self.assembly.mechanism.owner
        return tuple(self.assembly.supports[owner[r]] for r in self.rows)

    @property
    def names(self) -> tuple[str, ...]:
        """Corner or axle and link, such as 'FL tie_rod'."""
        own = [s.name for s in self.supports]
        if not self.assembly.tied:
            return tuple(f"{self.assembly.name} {name}" for name in own)
        corners = [corner.name for corner in self.assembly.corners]
        return tuple(
            name.replace(".", " ", 1)
            if name.partition(".")[0] in corners
            else f"{self.assembly.name} {name}"
            for name in own
        )

    def per_unknown(self, posed: Pose, mode: tuple[str, ...]) -> tuple[Floats, Floats]:
        """Loads per unknown (..., link, 6 w) and per specific force of the hubs (..., link, 3 w).

        `mode` is one of `MODES` per wheel.
        """
        members = load_matrix(posed)[..., self.rows, :]
        per_unknown, at_hub = loads_of(posed, self.columns, mode, members)
        mass = np.repeat([corner.unsprung_mass for corner in self.assembly.corners], 3)
        return per_unknown, -mass * at_hub

    def direct(self, posed: Pose, mode: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """The same at poses whose last axis are samples with these modes (w, sample)."""
        unknowns, hubs = [], []
        for pattern in self._patterns:
            own = self._of(mode, pattern)[:, None, None]
            if not own.any():
                continue
            per_unknown, at_hub = self.per_unknown(posed, pattern)
            unknowns.append(np.where(own, per_unknown, 0.0))
            hubs.append(np.where(own, at_hub, 0.0))
        return np.sum(unknowns, axis=0), np.sum(hubs, axis=0)

    def loads(self, inputs: Inputs) -> NDArray[np.float32]:
        """Loads (link, sample) [N], tension positive; NaN where an input is not known."""
        return self.applied(self._tables, DEGREE, inputs)

    def applied(self, tables: list[Floats], degree: int, inputs: Inputs) -> NDArray[np.float32]:
        """Loads (..., link, sample) [N] by tables (..., link, 7 w, basis) of that degree."""
        unit = on_unit(inputs.travel.T, inputs.rack, self._ranges, np.float32)
        powers = powers_of(self._ranges, [degree] * len(self._ranges))
        shape = tables[0].shape[:-2]
        out = np.empty((*shape, len(inputs.rack)), dtype=np.float32)
        every = [table.reshape(-1, table.shape[-1]).astype(np.float32) for table in tables]
        for begin in range(0, len(inputs.rack), BLOCK):
            part = slice(begin, begin + BLOCK)
            given = inputs.part(part)
            basis, rows = products(unit[:, part], powers), given.rows(np.float32)
            for pattern, flat in zip(self._patterns, every, strict=True):
                held = self._of(given.mode, pattern)
                own = slice(None) if held.all() else np.flatnonzero(held)
                some = rows[:, own]
                if some.size:
                    per_row = (flat @ basis[:, own]).reshape(*shape, *some.shape)
                    out[..., part][..., own] = np.einsum("...rn,rn->...n", per_row, some)
        return out

    def per_force(self, travel: Floats, rack: Floats, mode: NDArray[np.int64]) -> Floats:
        """Loads per force, moment and specific force (link, 7 w, sample) [N/N, N/(N m), kg].

        As rows of `Inputs` stand; at `travel` and `mode` (w, sample) and `rack` (sample,).
        """
        ranges = tuple((float(np.min(own)), float(np.max(own))) for own in (*travel, rack))
        unit = on_unit(travel.T, rack, ranges, float)
        basis = products(unit, powers_of(ranges, [FINE_DEGREE] * len(ranges)))
        tables = self.tables(FINE_DEGREE, ranges=ranges)
        out = np.empty((*tables[0].shape[:-1], len(rack)))
        for pattern, table in zip(self._patterns, tables, strict=True):
            own = self._of(mode, pattern)
            out[..., own] = table @ basis[:, own]
        return out

    @property
    def _patterns(self) -> list[tuple[str, ...]]:
        """Modes of the hubs that load links differently, in every combination."""
        return list(product(self._modes, repeat=len(self.assembly.corners)))

    @property
    def _modes(self) -> tuple[str, ...]:
        """A brake loads links as half-shafts do, but for the propeller shaft of a live axle."""
        live = any(corner.final_drive for corner in self.assembly.corners)
        return MODES if live else tuple(mode for mode in MODES if mode != "braked")

    def _of(self, mode: NDArray[np.int64], pattern: tuple[str, ...]) -> NDArray[np.bool_]:
        """Samples (sample,) whose hubs' modes (w, sample) are those of the pattern."""
        known = np.array([MODES.index(m if m in self._modes else "rolling") for m in MODES])
        wanted = np.array([MODES.index(m) for m in pattern])
        return np.asarray(np.all(known[mode] == wanted[:, None], axis=0))

    @property
    def _ranges(self) -> Ranges:
        return (*(corner.travel_range for corner in self.assembly.corners), self.rack_range)

    @cached_property
    def _tables(self) -> list[Floats]:
        return self.tables(DEGREE)

    def tables(
        self,
        degree: int,
        points: Floats | None = None,
        centres: Floats | None = None,
        ranges: Ranges | None = None,
    ) -> list[Floats]:
        """Loads per input (..., link, 7 w, basis) [N/N, kg] for each pattern of modes.

        Products of travels and rack up to the total `degree`; `points` and `centres` as of `pose`,
        with leading axes of their own.  `ranges` [m] are those of the vehicle if omitted.
        """
        ranges = ranges or self._ranges
        unit, places = nodes_of(ranges, [degree + SPARE_NODES] * len(ranges))
        powers = powers_of(ranges, [degree] * len(ranges))
        fit = np.linalg.pinv(products(unit, powers))  # (node, basis)
        mechanism = self.assembly.mechanism
        posed = pose(mechanism, places[:, :-1], places[:, -1], points=points, centres=centres)
        out = []
        for pattern in self._patterns:
            per_unknown, at_hub = self.per_unknown(posed, pattern)
            known = rows_of_wheels(KNOWN_ROWS, per_unknown.shape[-1])
            both = np.concatenate([per_unknown[..., known], at_hub], axis=-1)
            out.append(np.einsum("nb,...nli->...lib", fit, both))
        return out

    def noise(self, inputs: Inputs, random: Floats, corners: list[str]) -> Floats:
        """Standard uncertainty (sample, link) [N] of the loads from noise of the forces.

        `random` (sample, corner, 3) [N] is that of every force, corners in the order of `corners`.
        """
        posed = pose(self.assembly.mechanism, inputs.travel.T, inputs.rack)
        unknown, _ = self.direct(posed, inputs.mode)
        own = [corners.index(corner.name) for corner in self.assembly.corners]
        forces = unknown[..., rows_of_wheels(FORCE_ROWS, unknown.shape[-1])]
        each = forces * random[:, own].reshape(len(random), 1, -1)
        return np.asarray(np.sqrt(np.sum(each**2, axis=-1)))

    def lowered(self, k: int, step: float) -> LinkMap:
        """The map with the contact of wheel `k` lower by `step` [m]."""
        mechanism = self.assembly.mechanism
        wheels = list(mechanism.wheels)
        wheels[k] = replace(wheels[k], radius=wheels[k].radius + step)
        moved = replace(mechanism, wheels=tuple(wheels))
        return replace(self, assembly=replace(self.assembly, mechanism=moved))


def _rows(assembly: Assembly) -> Iterator[int]:
    """Rows of all links, and of springs with a gauge: other springs may share with a bar."""
    for row, place in enumerate(assembly.mechanism.owner):
        support = assembly.supports[place]
        if support.kind == "link" or (support.kind == "spring" and support.name in assembly.gauged):
            yield row
