"""Collect the solved blocks and stamp them as a labelled Dataset with CF attributes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from recon.base.quantities import COMPONENTS
from recon.base.status import BIT, FLAGS
from recon.car.unknowns import MODES
from recon.reconstruction.causes import FEATURES, PARTS, Cause
from recon.reconstruction.limits import limits_of

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.map import Calibration
    from recon.car.vehicle import Vehicle
    from recon.reconstruction.inputs import Shared
    from recon.reconstruction.prepare import Prepared
    from recon.reconstruction.solve import Solved

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
NOT_KNOWN = BIT["channel_flat"] | BIT["channel_clipped"] | BIT["missing_input"] | BIT["beyond_pose"]
AXES = {
    "": "tyre axes: x along the wheel's heading in the road plane, z normal to the road",
    "_intermediate": "intermediate axes: x along the car's heading, level with the road",
    "_vehicle": "vehicle axes: fixed to the body",
}


@dataclass(slots=True)
class Collected:
    """Growing result: one array per quantity, (sample, corner, ...) in single precision."""

    corners: list[str]
    status: NDArray[np.uint16]
    mode: NDArray[np.int8]
    arrays: dict[str, Singles]
    u_roll: float
    u_pitch: float
    bounded: bool
    causes: dict[int, tuple[Cause, ...]] = field(default_factory=dict)
    prepared: dict[int, Prepared] = field(default_factory=dict)

    @classmethod
    def empty(cls, corners: list[str], shared: Shared, *, bounded: bool) -> Collected:
        """Arrays for every quantity; every block of every corner is put in."""
        samples = len(shared.elapsed)
        names = [f"tyre_force{a}" for a in AXES] + [f"u_tyre_force{a}" for a in AXES]
        names += [f"u_tyre_force_{part}" for part in ("random", *PARTS)]
        names += [
            f"tyre_force{a}_{end}" for a in ("", "_intermediate") for end in ("lower", "upper")
        ]
        names += ["tyre_force_unbounded"]
        shape = (samples, len(corners), 3)
        arrays = {n: np.empty(shape, dtype=np.float32) for n in names}
        arrays["hub_moment"] = np.empty(shape[:2], dtype=np.float32)
        arrays["heading"] = np.empty(shape[:2], dtype=np.float32)
        arrays["travel"] = np.empty(shape[:2], dtype=np.float32)
        return cls(
            corners,
            np.zeros((samples, len(corners)), dtype=np.uint16),
            np.zeros((samples, len(corners)), dtype=np.int8),
            arrays,
            shared.u_roll,
            shared.u_pitch,
            bounded,
        )

    def keep(self, k: int, prepared: Prepared, causes: tuple[Cause, ...]) -> None:
        """Remember what the intervals of corner `k` rest on."""
        self.prepared[k], self.causes[k] = prepared, causes

    def put(self, k: int, part: slice, block: Solved) -> None:
        """Turn one block into the three axes and store it."""
        known = (block.status & NOT_KNOWN) == 0
        level = np.einsum("nij,nj->ni", block.turn, block.force[:, :3])
        # Exactly zero in the axes in which the bound holds, not to rounding.
        level[(block.status & BIT["bound_active"]) > 0, 2] = 0.0
        free_level = np.einsum("nij,nj->ni", block.turn, block.free)
        c, s = np.cos(block.heading), np.sin(block.heading)
        values = {
            "tyre_force_vehicle": block.force[:, :3],
            "tyre_force_intermediate": level,
            "tyre_force": _turned(level, c, s),
            "tyre_force_unbounded": _turned(free_level, c, s),
        }
        values |= self._uncertainties(k, block, level, (c, s))
        for axes in ("", "_intermediate"):
            lower, upper = limits_of(
                values[f"tyre_force{axes}"],
                values[f"u_tyre_force{axes}"],
                free_level[:, 2],
                bounded=self.bounded,
            )
            values[f"tyre_force{axes}_lower"], values[f"tyre_force{axes}_upper"] = lower, upper
        for name, value in values.items():
            target = self.arrays[name][part, k]
            target[:] = value
            target[~known] = np.nan
            target[:, list(self.prepared[k].lost)] = np.nan
        self.arrays["hub_moment"][part, k] = np.where(known, block.force[:, 3], np.nan)
        self.arrays["heading"][part, k] = block.heading
        self.status[part, k] = block.status
        self.mode[part, k] = block.mode
        self.arrays["travel"][part, k] = block.travel

    def _uncertainties(
        self, k: int, block: Solved, level: Floats, angle: tuple[Floats, Floats]
    ) -> dict[str, Floats]:
        """Standard uncertainties in the three axes, and of the four parts in tyre axes."""
        c, s = angle
        late, turned = self.late(k)
        whole = block.random + block.variance.sum(axis=0) + block.late**2
        x, y, z = block.force[:, :3].T
        # The body's roll and pitch are causes of the intermediate axes, not of the vehicle's.
        attitude = np.stack(
            [
                (self.u_pitch * z) ** 2,
                (self.u_roll * z) ** 2,
                (self.u_roll * y) ** 2 + (self.u_pitch * x) ** 2,
            ],
            axis=1,
        )
        # Directions that `compressed` dropped could leave a difference below zero.
        body = np.maximum(whole - attitude, block.random)
        tyre = _turned_variance(block.random, 0.0, c, s)
        out = {
            "u_tyre_force_vehicle": np.sqrt(body),
            "u_tyre_force_intermediate": np.sqrt(whole),
            "u_tyre_force_random": np.sqrt(tyre),
        }
        for p, name in enumerate(PARTS):
            variance = _turned_variance(block.variance[p], block.xy[p], c, s)
            if late is not None and late.part == name:
                # An error of the steer moves the loads and turns the axes at once.
                effect = block.late + np.einsum("if,nf->ni", turned, level)
                variance = variance + _turned(effect, c, s) ** 2
            out[f"u_tyre_force_{name}"] = np.sqrt(variance)
            tyre = tyre + variance
        return out | {"u_tyre_force": np.sqrt(tyre)}

    def late(self, k: int) -> tuple[Cause | None, Floats]:
        """The cause that turns the tyre axes of corner `k`, and its turn (3, 3) of Fx, Fy, Fz."""
        for cause in self.causes[k]:
            if cause.steered is not None:
                return cause, cause.steered[:, 1:4]
        return None, np.zeros((3, 3))


def _turned(level: Floats, c: Floats, s: Floats) -> Floats:
    x, y = level[:, 0], level[:, 1]
    return np.stack([c * x + s * y, c * y - s * x, level[:, 2]], axis=1)


def _turned_variance(variance: Floats, xy: Floats | float, c: Floats, s: Floats) -> Floats:
    x, y = variance[:, 0], variance[:, 1]
    cross = 2 * c * s * xy
    return np.stack(
        [
            np.maximum(c**2 * x + s**2 * y + cross, 0.0),
            np.maximum(c**2 * y + s**2 * x - cross, 0.0),
            variance[:, 2],
        ],
        axis=1,
    )


def result_of(
    log: xr.Dataset, car: Vehicle, calibration: Calibration, shared: Shared, out: Collected
) -> xr.Dataset:
    """The labelled result with units, axes, flags and the loadings of every cause."""
    import xarray as xr

    dims = ("elapsed_time", "corner", "component")
    data: dict[str, tuple] = {}
    for name, array in out.arrays.items():
        data[name] = (dims[: array.ndim], array, _attributes(name))
    data["status"] = (dims[:2], out.status, _status_attributes())
    data["hub_mode"] = (
        dims[:2],
        out.mode,
        {
            "long_name": "what the hub passes to the upright about the spin axis",
            "flag_values": np.arange(len(MODES), dtype=np.int8),
            "flag_meanings": " ".join(MODES),
        },
    )
    data["rack"] = (dims[:1], shared.rack, {"units": "m", "long_name": "rack shift to the left"})
    data |= _loadings(out)
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
    reasons = [p.reason for p in out.prepared.values() if p.reason]
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
    """Causes by name: shared ones stand once, with their effect on every corner."""
    keys: dict[tuple, int] = {}
    entries: list[tuple[int, int, Cause]] = []
    for k in range(len(out.corners)):
        seen: dict[str, int] = {}
        for cause in out.causes[k]:
            # The n-th cause of a name in one corner is the n-th of that name in another.
            seen[cause.name] = seen.get(cause.name, -1) + 1
            key = (cause.name, seen[cause.name])
            entries.append((keys.setdefault(key, len(keys)), k, cause))
    shape = (len(keys), len(out.corners))
    loading = np.zeros((len(keys), len(MODES), len(out.corners), 3, FEATURES))
    turned, steered = np.zeros((*shape, 3, FEATURES)), np.zeros((*shape, 3, FEATURES))
    part = np.empty(len(keys), dtype=object)
    for i, k, cause in entries:
        loading[i, :, k] = cause.loading
        part[i] = cause.part
        if cause.turned is not None:
            turned[i, k] = cause.turned
        if cause.steered is not None:
            steered[i, k] = cause.steered
    words = {
        "units": "N",
        "comment": "per standard uncertainty of the cause and unit of the feature",
    }
    names = np.asarray([n for n, _ in keys], dtype=str)
    parts = np.asarray(list(part), dtype=str)
    scale = np.array([out.prepared[k].scale for k in range(len(out.corners))])
    pair = ("cause", "corner", "component", "feature")
    whole = ("cause", "mode", "corner", "component", "feature")
    return {
        "cause_name": (("cause",), names, {"long_name": "cause of error"}),
        "cause_part": (("cause",), parts, {"long_name": "part of the uncertainty"}),
        "loading": (whole, loading, words | {"long_name": "effect of each cause, vehicle axes"}),
        "loading_turned": (pair, turned, words | {"long_name": "more in intermediate axes"}),
        "loading_steered": (
            pair,
            steered,
            words | {"long_name": "more in tyre axes, intermediate forces"},
        ),
        "feature_scale": (
            ("corner", "pose"),
            scale,
            {"units": "m", "long_name": "scale of travel and rack in the features"},
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
