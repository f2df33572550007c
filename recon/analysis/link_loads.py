"""Loads of the links: largest tension and compression, all links at once, cycles, and limits.

Gate: every sample with known forces, low-passed to the bandwidth.  The loads follow from forces,
geometry and unsprung mass, so a link needs no gauge.  What is compared with the strength of a tube
is the far end of the 95 % interval.  Nothing here is a clearance: a competent professional decides.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import NoAnswerError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import BIT
from recon.base.threads import one_thread
from recon.car.bridges import Tube
from recon.car.vehicle import Support, Vehicle
from recon.conditioning.filters import noise_left, require_bandwidth
from recon.conditioning.lower_rate import SAMPLES
from recon.evaluation.common.answer_labels import answer_attributes, limits, plain
from recon.evaluation.common.estimate import Estimate
from recon.evaluation.links.load_errors import OWN, ForceErrors, link_errors
from recon.evaluation.links.loads_in_drive import DrivenLinks, car_of, links_of
from recon.evaluation.links.loads_per_force import Inputs
from recon.evaluation.links.margins import limits_of_links, tube_of
from recon.evaluation.links.rainflow import cycle_ranges
from recon.evaluation.sections.find_sections import in_parts
from recon.reconstruction.causes.cures import description_of
from recon.reconstruction.result.signed_errors import RANDOM, STATED
from recon.records.forces import SIGNED, require_answerable, require_option

BANDWIDTH = 25.0  # Hz; twice the hop of a wheel, common practice, no source
BINS = 16  # of ranges of cycles
DIRECTIONS = ("tension", "compression")
# What errors of the forces follow from.
NEEDED = (
    *(*SIGNED, *STATED.values(), RANDOM),
    *("largest_pull", "u_hub_moment", "hub_moment_correlation", "cause_name", "cause_part"),
)
HUB_MOMENT = "hub moment"  # as a cause is named without its corner
NO_CLEARANCE = "not a clearance: a competent professional decides"


@public
def link_loads(
    forces: xr.Dataset,
    *,
    vehicle: Vehicle | None = None,
    bandwidth: float = BANDWIDTH,
    sections: xr.Dataset | None = None,
) -> xr.Dataset:
    """Largest loads of every link with intervals, all links at those instants, and cycles.

    Tension is positive, compression negative.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    vehicle : Vehicle
        The car with which the forces were reconstructed: its hardpoints, masses and tubes.
    bandwidth : float
        Forces are low-passed to it; faster loads are not seen. [Hz]
    sections : Dataset, optional
        Of `find_sections`; parts that were given by hand restrict the samples.

    Returns
    -------
    Dataset
        `peak_load` (link, direction) [N] with `u_`, `_lower`, `_upper` and `peak_time` [s];
        `limit` (link, direction) [N] with `limit_kind`, and `utilisation` [1], the peak over it;
        `yield_load` and `column_load` (link,) [N] where tube and yield strength are stated;
        `case_load` (case, link) [N], all links at the instant of each peak; `cycles` (link,
        cycle_range) with the ranges [N]; `samples_used` (corner,).

    Raises
    ------
    DataError
        No forces, no vehicle or another one than that of the forces, or a bandwidth that cannot
        be filtered.
    NoAnswerError
        No link in the corners with gauges, or no corner with known forces.
    """
    require_answerable(forces, *NEEDED)
    do = f"Leave it out for the usual {BANDWIDTH:g} Hz."
    require_option(forces, "bandwidth", bandwidth, "Hz", do=do)
    car, rate = car_of(forces, vehicle), float(forces.attrs["rate_Hz"])
    band = min(require_bandwidth(bandwidth, rate, place_of(forces)), forces.attrs["bandwidth_Hz"])
    chosen = in_parts(forces[SAMPLES].to_numpy(), sections)
    names = corner_names(forces)
    assemblies = dict.fromkeys((car.axle_of(n) or car.corners[n]).name for n in names)
    with one_thread():
        every = [links_of(forces, car, name, band, chosen) for name in assemblies]
        driven = [links for links in every if len(links.load)]
        if not driven:
            raise NoAnswerError(
                place_of(forces),
                f"no link in {', '.join(assemblies)}",
                "links, or springs with a gauge",
                "Loads of other bodies are those of their sections; see `recon check`.",
            )
        if not any(np.isfinite(d.load).any() for d in driven):
            raise NoAnswerError(
                place_of(forces),
                "no corner with three known forces",
                "the forces of all wheels of an assembly",
                f"Link loads need all three forces: {forces.attrs.get('not_known', '')}",
            )
        return _labelled(forces, car, driven, chosen, band)


# --- what is said of them ----------------------------------------------------------------------


def _labelled(
    forces: xr.Dataset,
    car: Vehicle,
    driven: list[DrivenLinks],
    chosen: NDArray[np.bool_],
    band: float,
) -> xr.Dataset:
    names = [name for d in driven for name in d.link_map.names]
    supports = [support for d in driven for support in d.link_map.supports]
    peaks = [d.peaks() for d in driven]
    at = np.unique(np.concatenate([p[p >= 0] for p in peaks]))
    loads = _estimates(forces, car, driven, at, band)
    place = np.searchsorted(at, np.concatenate(peaks))  # (link, direction)
    links = np.arange(len(names))[:, None]
    known = np.concatenate(peaks) >= 0
    peak = loads.at(
        [int(i) for i in (place * len(names) + links).clip(0, loads.value.size - 1).ravel()]
    )
    peak = Estimate(np.where(known.ravel(), peak.value, np.nan), peak.by_cause, peak.noise)
    time = forces[SAMPLES].to_numpy()[driven[0].positions[at]]
    two, shape = ("link", "direction"), known.shape
    words = "largest load of the link, tension positive"
    tubes = [tube_of(car, name, support) for name, support in zip(names, supports, strict=True)]
    data: dict[str, Any] = limits("peak_load", peak, two, "N", words, shape)
    when = np.where(known, time[place.clip(0, len(at) - 1)], np.nan)
    data |= plain("peak_time", when, two, "s", "elapsed time of the largest load")
    data |= limits_of_links(supports, tubes, peak, shape)
    cases = (len(at), len(names))
    words = "load of every link at the same instant, tension positive"
    data |= limits("case_load", loads, ("case", "link"), "N", words, cases)
    data |= plain("case_time", time, ("case",), "s", "elapsed time of the case")
    words = "links that have their largest tension or compression in the case"
    largest = np.array([_of_case(names, place, known, c) for c in range(len(at))], dtype=str)
    data |= plain("case_of", largest, ("case",), "", words) | _cycles(driven)
    used = [_used(driven, corner) for corner in corner_names(forces)]
    data |= plain("samples_used", used, ("corner",), "1", "samples with known loads")
    return xr.Dataset(
        data,
        coords={"link": names, "direction": list(DIRECTIONS), "corner": forces["corner"]},
        attrs=_attributes(forces, names, supports, tubes, known, chosen, band)
        | {"widest": _widest(forces, names, peak)},
    )


def _used(driven: list[DrivenLinks], corner: str) -> int:
    """Samples with a known load of any link of the corner's assembly."""
    for links in driven:
        if corner in [c.name for c in links.link_map.assembly.corners]:
            return int(np.isfinite(links.load).any(axis=0).sum())
    return 0


def _of_case(names: list[str], place: NDArray, known: NDArray, case: int) -> str:
    """Links whose largest tension or compression falls into the case, in words."""
    found = np.argwhere((place == case) & known)
    return ", ".join(f"{names[link]} {DIRECTIONS[way]}" for link, way in found)


def _estimates(
    forces: xr.Dataset, car: Vehicle, driven: list[DrivenLinks], at: NDArray[np.int64], band: float
) -> Estimate:
    """Loads of all links at the instants `at` of the kept samples, last dimension links."""
    inputs_of = [d.inputs(at) for d in driven]
    piece = _piece(forces, driven, inputs_of, at)
    errors = ForceErrors.of(piece)
    left = noise_left(band, forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"])
    random = np.nan_to_num(piece[RANDOM].to_numpy().astype(float))
    causes, noise = [], []
    for d, inputs in zip(driven, inputs_of, strict=True):
        causes.append(link_errors(d.link_map, inputs, errors, car.tyre, d.by_dampers))
        noise.append(left * d.link_map.noise(inputs, random, errors.corners))
    value = np.concatenate([d.load[:, at] for d in driven]).T
    by_cause = np.concatenate(causes, axis=2)
    spread = np.concatenate(noise, axis=1)
    return Estimate(value.ravel(), by_cause.reshape(len(by_cause), -1), spread.ravel())


def _piece(
    forces: xr.Dataset, driven: list[DrivenLinks], inputs_of: list[Inputs], at: NDArray[np.int64]
) -> xr.Dataset:
    """Forces at the instants `at`, low-passed where their errors depend on them."""
    positions = driven[0].positions[at]
    piece = forces[list(NEEDED)].isel({SAMPLES: positions}).copy(deep=True)
    corners = corner_names(forces)
    for d, inputs in zip(driven, inputs_of, strict=True):
        for k, corner in enumerate(d.link_map.assembly.corners):
            own = corners.index(corner.name)
            piece["tyre_force_vehicle"].values[:, own] = inputs.force[k, :3].T
            piece["hub_moment"].values[:, own] = inputs.force[k, 3]
            piece["travel"].values[:, own] = inputs.travel[k]
    return piece


def _cycles(driven: list[DrivenLinks]) -> dict[str, Any]:
    """Cycles of every link by range; the smallest ranges are left out."""
    found = [cycle_ranges(load) for d in driven for load in d.load]
    largest = max((float(ranges.max()) for ranges, _ in found if len(ranges)), default=0.0)
    edges = np.linspace(0.0, max(largest, 1.0) * (1 + 1e-9), BINS + 1)
    counts = [np.histogram(r, edges, weights=c)[0] if len(r) else np.zeros(BINS) for r, c in found]
    about = f"rainflow, ASTM E1049-85; ranges under {edges[1]:.0f} N are not counted"
    dims, text = ("cycle_range",), "range, from tension to compression"
    many = np.array(counts)[:, 1:]
    return (
        plain("cycles", many, ("link", *dims), "1", "cycles of the load", comment=about)
        | plain("range_lower", edges[1:-1], dims, "N", f"least {text}")
        | plain("range_upper", edges[2:], dims, "N", f"largest {text}")
    )


# --- words ------------------------------------------------------------------------------------


def _attributes(
    forces: xr.Dataset,
    names: list[str],
    supports: list[Support],
    tubes: list[Tube | None],
    known: NDArray[np.bool_],
    chosen: NDArray[np.bool_],
    band: float,
) -> dict[str, Any]:
    missing = [name for name, one in zip(names, known[:, 0], strict=True) if not one]
    without = [
        name
        for name, s, tube in zip(names, supports, tubes, strict=True)
        if s.kind == "link" and (tube is None or not s.yield_strength > 0)
    ]
    not_given = []
    for corner, share in _beyond_range(forces, chosen).items():
        not_given.append(
            f"loads of {corner} at {share:.3g} % of the samples, with travel or steer beyond the "
            "range in the vehicle file: the largest load may be among them; state the real range "
            "there and reconstruct again"
        )
    if missing:
        not_given.append(
            f"load of {', '.join(missing)}: it is a damper (rate 0), not all forces of its wheels "
            "are known, or no compliance says how supports share the load; see not_known of the "
            "forces, or run `recon check`"
        )
    if without:
        not_given.append(
            f"strength of {_some(without)}: state tube_outside_diameter_mm, tube_wall_mm and "
            "yield_strength_MPa in its table of the vehicle file"
        )
    attributes = answer_attributes(
        forces,
        "Link loads",
        gate=f"all samples with known forces, low-passed to {band:.4g} Hz",
        assumed=(
            "links are straight, with a pin at each end, and loaded along their axis",
            "welds, bends, wear, threads, rod ends and impacts above the bandwidth are left out",
        ),
        not_given=not_given,
    )
    return attributes | {"bandwidth_Hz": float(band), "caution": NO_CLEARANCE}


def _beyond_range(forces: xr.Dataset, chosen: NDArray[np.bool_]) -> dict[str, float]:
    """Percentage of the samples `chosen` (sample,) beyond the stated poses, where there are any."""
    beyond = (forces["status"].to_numpy() & BIT["beyond_pose"]) > 0
    beyond &= chosen[:, None]
    share = 100 * beyond.sum(axis=0) / np.count_nonzero(chosen)
    return {corner: s for corner, s in zip(corner_names(forces), share, strict=True) if s > 0}


def _widest(forces: xr.Dataset, names: list[str], peak: Estimate) -> str:
    """The peak with the largest uncertainty, and most of where it comes from."""
    worst = int(np.nanargmax(peak.u))
    causes = [*forces["cause_name"].to_numpy().astype(str)]
    parts = [*forces["cause_part"].to_numpy().astype(str)]
    effects = peak.by_cause[: len(causes), worst]
    # What the hubs' moments do to the loads themselves stands behind the causes of the forces.
    own = peak.by_cause[-OWN * forces.sizes["corner"] :: OWN, worst]
    causes += [HUB_MOMENT] * len(own)
    parts += ["assumption"] * len(own)
    owners = tuple({name.partition(" ")[0] for name in names})
    share: dict[tuple[str, str], float] = {}
    for name, part, effect in zip(causes, parts, [*effects, *own], strict=True):
        described = description_of(name, part, owners)
        key = described.words, described.of
        share[key] = share.get(key, 0.0) + float(effect**2 / peak.u[worst] ** 2)
    words, of = max(share, key=lambda key: share[key])
    link, way = names[worst // len(DIRECTIONS)], DIRECTIONS[worst % len(DIRECTIONS)]
    return (
        f"widest interval: {link} {way}, u = {peak.u[worst]:.0f} N, {100 * share[words, of]:.0f} % "
        f"of its square from {words}: {of}"
    )


def _some(names: list[str]) -> str:
    rest = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return ", ".join(names[:4]) + rest
