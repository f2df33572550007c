"""Collect the solved blocks and stamp them as a labelled Dataset with CF attributes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.quantities import COMPONENTS
from recon.base.status import BIT, FLAGS
from recon.planning.unknowns import MODES
from recon.reconstruction.cause import PARTS, Cause, Source
from recon.reconstruction.features import Features
from recon.reconstruction.limits import limits_of
from recon.reconstruction.solve import hidden_in_forces

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.map import Calibration
    from recon.car.vehicle import Vehicle
    from recon.reconstruction.inputs import Shared
    from recon.reconstruction.prepare import Prepared
    from recon.reconstruction.solve import Solved

Singles = NDArray[np.float32]
NOT_KNOWN = BIT["channel_flat"] | BIT["channel_clipped"] | BIT["missing_input"] | BIT["beyond_pose"]
AXES = {
    "": "tyre axes: x along the wheel's heading in the road plane, z normal to the road",
    "_intermediate": "intermediate axes: x along the car's heading, level with the road",
    "_vehicle": "vehicle axes: fixed to the body",
}


@dataclass(frozen=True, slots=True)
class Place:
    """What a corner's results rest on: its prepared unit, its causes, its wheel in the unit."""

    prepared: Prepared
    causes: tuple[Cause, ...]
    wheel: int


@dataclass(slots=True)
class Collected:
    """Growing result: one array per quantity, (corner, ..., sample) in single precision.

    `sums` holds for each sum of forces that is known while they are not its weights (corner,
    component), words, and arrays (2, sample) of value and standard uncertainty.
    """

    corners: list[str]
    status: NDArray[np.uint16]
    mode: NDArray[np.int8]
    arrays: dict[str, Singles]
    u_roll: float
    u_pitch: float
    bounded: bool
    places: list[Place] = field(default_factory=list)
    sums: list[tuple[Floats, str, Singles]] = field(default_factory=list)

    @classmethod
    def empty(cls, corners: list[str], shared: Shared, *, bounded: bool) -> Collected:
        """Arrays for every quantity; every block of every unit is put in, unit after unit."""
        shape = (len(corners), 3, len(shared.elapsed))
        names = [f"tyre_force{a}" for a in AXES] + [f"u_tyre_force{a}" for a in AXES]
        names += [f"u_tyre_force_{part}" for part in ("random", *PARTS)]
        names += [
            f"tyre_force{a}_{end}" for a in ("", "_intermediate") for end in ("lower", "upper")
        ]
        names += ["tyre_force_unbounded"]
        arrays = {n: np.empty(shape, dtype=np.float32) for n in names}
        for name in ("hub_moment", "heading", "travel"):
            arrays[name] = np.empty(shape[::2], dtype=np.float32)
        return cls(
            corners,
            np.zeros(shape[::2], dtype=np.uint16),
            np.zeros(shape[::2], dtype=np.int8),
            arrays,
            shared.u_roll,
            shared.u_pitch,
            bounded,
        )

    def keep(self, prepared: Prepared, causes: tuple[Cause, ...]) -> None:
        """Take in a unit: what the intervals of its corners rest on."""
        first = len(self.places)
        wheels = len(prepared.assembly.corners)
        self.places += [Place(prepared, causes, w) for w in range(wheels)]
        for weights, known in prepared.seen.sums:
            whole = np.zeros((len(self.corners), 3))
            whole[first : first + wheels] = weights.reshape(wheels, 3)
            values = np.empty((2, self.status.shape[1]), dtype=np.float32)
            self.sums.append((whole, known.words, values))

    def put(self, part: slice, block: Solved) -> None:
        """Turn one block of the unit taken in last into the three axes and store it."""
        wheels = len(block.free)
        first = len(self.places) - wheels
        for w in range(wheels):
            self._put_wheel(first + w, part, block.wheel(w))
        known = ((np.bitwise_or.reduce(block.status, axis=0) & NOT_KNOWN) == 0).astype(bool)
        count = len(block.sums)
        for j, (_, _, values) in enumerate(self.sums[len(self.sums) - count :]):
            values[0, part] = np.where(known, block.sums[j], np.nan)
            values[1, part] = np.where(known, block.u_sums[j], np.nan)

    def _put_wheel(self, k: int, part: slice, block: Solved) -> None:
        unknown = np.flatnonzero((block.status & NOT_KNOWN) != 0)
        level = np.einsum("ijn,jn->in", block.turn, block.force[:3])
        # Exactly zero in the axes in which the bound holds, not to rounding.
        level[2, (block.status & BIT["bound_active"]) > 0] = 0.0
        free_level = np.einsum("ijn,jn->in", block.turn, block.free)
        angle = np.cos(block.heading), np.sin(block.heading)
        values = {
            "tyre_force_vehicle": block.force[:3],
            "tyre_force_intermediate": level,
            "tyre_force": _turned(level, *angle),
            "tyre_force_unbounded": _turned(free_level, *angle),
        }
        values |= self._uncertainties(self.places[k], block, level, angle)
        for axes in ("", "_intermediate"):
            force, u = values[f"tyre_force{axes}"], values[f"u_tyre_force{axes}"]
            ends = limits_of(force.T, u.T, free_level[2], bounded=self.bounded)
            values[f"tyre_force{axes}_lower"], values[f"tyre_force{axes}_upper"] = (
                end.T for end in ends
            )
        lost = self.lost(k)
        for name, value in values.items():
            target = self.arrays[name][k, :, part]
            target[:] = value
            target[lost] = np.nan
            target[:, unknown] = np.nan
        moment = self.arrays["hub_moment"][k, part]
        moment[:] = block.force[3]
        moment[unknown] = np.nan
        self.arrays["heading"][k, part] = block.heading
        self.arrays["travel"][k, part] = block.travel
        self.status[k, part] = block.status
        self.mode[k, part] = block.mode

    def lost(self, k: int) -> list[int]:
        """Components of corner `k` that the gauges do not see."""
        place = self.places[k]
        own = range(3 * place.wheel, 3 * place.wheel + 3)
        return [j - own.start for j in place.prepared.seen.lost if j in own]

    def _uncertainties(
        self, place: Place, block: Solved, level: Singles, angle: tuple[Singles, Singles]
    ) -> dict[str, Singles]:
        """Standard uncertainties in the three axes, and of the four parts in tyre axes."""
        c, s = angle
        late = turning(place.causes)
        whole = block.random + block.variance.sum(axis=0) + block.late**2
        x, y, z = np.square(block.force[:3])
        roll, pitch = np.float32(self.u_roll**2), np.float32(self.u_pitch**2)
        # The body's roll and pitch are causes of the intermediate axes, not of the vehicle's.
        attitude = np.array([pitch * z, roll * z, roll * y + pitch * x])
        # Directions that `compressed` dropped could leave a difference below zero.
        body = np.maximum(whole - attitude, block.random)
        hidden = place.prepared.hidden_by_wheel[place.wheel]
        whole = whole + hidden_in_forces(hidden, block.turn)
        squares = (c**2, s**2, 2 * c * s)
        tyre = _turned_variance(block.random, None, squares)
        out = {
            "u_tyre_force_vehicle": np.sqrt(body),
            "u_tyre_force_intermediate": np.sqrt(whole),
            "u_tyre_force_random": np.sqrt(tyre),
        }
        for p, name in enumerate(PARTS):
            variance = _turned_variance(block.variance[p], block.xy[p], squares)
            if name == "assumption":
                variance += hidden_in_forces(hidden, _turned(block.turn, c, s))
            if late is not None and late.part == name:
                # An error of the steer moves the loads and turns the axes at once.
                effect = block.late + _own_turn(late, place) @ level
                variance += _turned(effect, c, s) ** 2
            out[f"u_tyre_force_{name}"] = np.sqrt(variance)
            tyre += variance
        return out | {"u_tyre_force": np.sqrt(tyre)}


def turning(causes: tuple[Cause, ...]) -> Cause | None:
    """The cause that turns the tyre axes, where there is one."""
    return next((cause for cause in causes if cause.steered is not None), None)


def _own_turn(cause: Cause, place: Place) -> Singles:
    """Turn (3, 3) of Fx, Fy, Fz by a cause of the steer."""
    assert cause.steered is not None
    first = Features.force(place.wheel, 0)
    rows = slice(3 * place.wheel, 3 * place.wheel + 3)
    return cause.steered[rows, first : first + 3].astype(np.float32)


def _turned(level: Singles, c: Singles, s: Singles) -> Singles:
    """Intermediate to tyre axes, (3, ..., sample)."""
    x, y, z = level
    return np.array([c * x + s * y, c * y - s * x, z])


def _turned_variance(
    variance: Singles, xy: Singles | None, squares: tuple[Singles, Singles, Singles]
) -> Singles:
    """Variances (3, sample) in tyre axes; `squares` are c^2, s^2 and 2 c s of the heading."""
    cc, ss, cs = squares
    x, y, z = variance
    out = np.array([cc * x + ss * y, cc * y + ss * x, z])
    if xy is not None:
        cross = cs * xy
        out[0] += cross
        out[1] -= cross
        np.maximum(out[:2], 0.0, out=out[:2])
    return out


def result_of(
    log: xr.Dataset, car: Vehicle, calibration: Calibration, shared: Shared, out: Collected
) -> xr.Dataset:
    """The labelled result with units, axes, flags and the loadings of every cause."""
    import xarray as xr

    dims = ("elapsed_time", "corner", "component")
    data: dict[str, tuple] = {}
    for name, array in out.arrays.items():
        data[name] = (dims[: array.ndim], np.moveaxis(array, -1, 0), _attributes(name))
    data["status"] = (dims[:2], out.status.T, _status_attributes())
    data["hub_mode"] = (
        dims[:2],
        out.mode.T,
        {
            "long_name": "what the hub passes to the upright about the spin axis",
            "flag_values": np.arange(len(MODES), dtype=np.int8),
            "flag_meanings": " ".join(MODES),
        },
    )
    data["rack"] = (dims[:1], shared.rack, {"units": "m", "long_name": "rack shift to the left"})
    data |= _loadings(out)
    data |= _sums(out)
    result = xr.Dataset(
        data,
        coords={
            "elapsed_time": (
                "elapsed_time",
                shared.elapsed,
                {"units": "s", "long_name": "elapsed time"},
            ),
            "corner": (
                "corner",
                np.asarray(out.corners, dtype=str),
                {"long_name": "corner of the car"},
            ),
            "component": ("component", np.asarray(COMPONENTS, dtype=str), {"long_name": "axis"}),
        },
    )
    result.attrs = _provenance(log, car, calibration)
    reasons = dict.fromkeys(p.prepared.seen.reason for p in out.places if p.prepared.seen.reason)
    result.attrs["not_known"] = "; ".join(reasons)
    return result


def _attributes(name: str) -> dict[str, str]:
    if name == "hub_moment":
        words = "moment of the hub on the upright about the spin axis"
        note = "a feature of the uncertainty model, not a result"
        return {"units": "N m", "long_name": words, "comment": note}
    if name == "travel":
        return {"units": "m", "long_name": "travel as used, bump positive"}
    if name == "heading":
        return {"units": "rad", "long_name": "heading of the wheel against the car, left positive"}
    axes = next((a for a in ("_intermediate", "_vehicle") if a in name), "")
    kind = "force of the road on the tyre"
    if name.startswith("u_"):
        kind = f"standard uncertainty of the {kind}"
        part = name.removeprefix(f"u_tyre_force{axes}").strip("_")
        kind += f", part {part}" if part else ", total"
    for end in ("lower", "upper"):
        if name.endswith(end):
            kind = f"{end} 95 % limit of the {kind}"
    if name.endswith("unbounded"):
        kind += " without the bound Fz >= 0"
    out = {"units": "N", "long_name": f"{kind}, {AXES[axes]}"}
    if name == "tyre_force":
        out["ancillary_variables"] = "u_tyre_force tyre_force_lower tyre_force_upper status"
    return out


def _status_attributes() -> dict[str, object]:
    return {
        "long_name": "status of the sample",
        "standard_name": "quality_flag",
        "flag_masks": np.array([f.bit for f in FLAGS], dtype=np.uint16),
        "flag_meanings": " ".join(f.name for f in FLAGS),
        "comment": " | ".join(f"{f.name}: {f.meaning}" for f in FLAGS),
    }


def _loadings(out: Collected) -> dict[str, tuple]:
    """Causes by source: shared ones stand once, with their effect on every corner."""
    keys: dict[Source, int] = {}
    entries: list[tuple[int, int, Cause]] = []
    for k, place in enumerate(out.places):
        for cause in place.causes:
            entries.append((keys.setdefault(cause.source, len(keys)), k, cause))
    modes, _, features = np.max([p.causes[0].loading.shape for p in out.places], axis=0)
    shape = (len(keys), len(out.places), 3, features)
    loading = np.zeros((len(keys), modes, *shape[1:]))
    turned, steered = np.zeros(shape), np.zeros(shape)
    part = np.empty(len(keys), dtype=object)
    for i, k, cause in entries:
        own = slice(3 * out.places[k].wheel, 3 * out.places[k].wheel + 3)
        m, _, f = cause.loading.shape
        loading[i, :m, k, :, :f] = cause.loading[:, own]
        part[i] = cause.part
        if cause.turned is not None:
            turned[i, k, :, :f] = cause.turned[own]
        if cause.steered is not None:
            steered[i, k, :, :f] = cause.steered[own]
    words = {
        "units": "N",
        "comment": "per standard uncertainty of the cause and unit of the feature",
    }
    # A lone corner has no second travel; the rack's scale stands last.
    scales = [p.prepared.scale for p in out.places]
    scale = np.array([[s[0], s[1] if len(s) > 2 else np.nan, s[-1]] for s in scales])
    partner = [
        k + 1 - 2 * p.wheel if len(p.prepared.assembly.corners) > 1 else -1
        for k, p in enumerate(out.places)
    ]
    pair = ("cause", "corner", "component", "feature")
    whole = ("cause", "mode", "corner", "component", "feature")
    return {
        **_cause_labels(list(keys), list(part)),
        "loading": (whole, loading, words | {"long_name": "effect of each cause, vehicle axes"}),
        "loading_turned": (pair, turned, words | {"long_name": "more in intermediate axes"}),
        "loading_steered": (
            pair,
            steered,
            words | {"long_name": "more in tyre axes, intermediate forces"},
        ),
        "partner": (
            ("corner",),
            np.array(partner, dtype=np.int16),
            {"long_name": "position of the corner that an axle ties to this one, -1 for none"},
        ),
        "feature_scale": (
            ("corner", "pose"),
            scale,
            {"units": "m", "long_name": "scale of travel and rack in the features"},
        ),
    }


def _cause_labels(sources: list[Source], parts: list[str]) -> dict[str, tuple]:
    names, scopes = (np.asarray([getattr(s, n) for s in sources], str) for n in ("name", "scope"))
    scope = "keeps its value over one session, one calibration or for this car"
    return {
        "cause_name": (("cause",), names, {"long_name": "cause of error"}),
        "cause_scope": (("cause",), scopes, {"long_name": scope}),
        "cause_part": (
            ("cause",),
            np.asarray(parts, str),
            {"long_name": "part of the uncertainty"},
        ),
    }


def _sums(out: Collected) -> dict[str, tuple]:
    """Sums of forces that are known where the forces are not, in intermediate axes."""
    if not out.sums:
        return {}
    values = np.stack([values for _, _, values in out.sums], axis=-1)
    words = np.asarray([words for _, words, _ in out.sums], dtype=str)
    over = ("elapsed_time", "known_sum")
    named = {"units": "N", "ancillary_variables": "u_sum_of_forces sum_weight"}
    return {
        "known_sum": (
            ("known_sum",),
            words,
            {"long_name": "what is known together, at usual load"},
        ),
        "sum_of_forces": (over, values[0], named | {"long_name": "sum of forces known together"}),
        "u_sum_of_forces": (
            over,
            values[1],
            {"units": "N", "long_name": "standard uncertainty of the sum of forces"},
        ),
        "sum_weight": (
            ("known_sum", "corner", "component"),
            np.array([weights for weights, _, _ in out.sums]),
            {"long_name": "share of each force in the sum", "units": "1"},
        ),
    }


def _provenance(log: xr.Dataset, car: Vehicle, calibration: Calibration) -> dict[str, object]:
    return {
        "title": f"Tyre forces of {car.name}",
        "source": "strain gauges on suspension links, reconstructed",
        "institution": "not stated",
        "references": "ISO 8855:2011 for axes; JCGM 100:2008 for uncertainty",
        "comment": "Forces are those of the road on the tyre. A bound in contact is a flag, "
        "never a measurement.",
        "vehicle": car.name,
        "vehicle_checksum": car.checksum,
        "log_checksum": str(log.attrs.get("checksum", "")),
        "calibration_created": calibration.created,
        "calibration_sources": "; ".join(f"{p} {c}" for p, c in calibration.sources),
        "bandwidth_Hz": float(log.attrs.get("bandwidth", np.nan)),
        "rate_Hz": float(log.attrs.get("rate", np.nan)),
        "assumptions": " | ".join(car.assumed),
        "format": 1,
    }
