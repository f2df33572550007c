"""`calibrate`: from pull sheets and a car to a `Calibration`.

In: pulls to fit, pulls to verify, the car's geometry and bridges.  Out: K with covariance per
corner.  Directions and points of the pulls matter most; the fit treats them as unknown within
their stated uncertainties.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, PriorWarning, RankError, SafetyWarning, warn
from recon.base.public import public
from recon.base.threads import one_thread
from recon.calibration.applied import Pull, mean_pose, pulls_of
from recon.calibration.calibrated import (
    Calibration,
    Conditions,
    CornerCalibration,
    PullReport,
    Quality,
)
from recon.calibration.crosstalk_fit import FRICTION, signs
from recon.calibration.evidence_against import of_written_loads
from recon.calibration.gross_errors import GROSS, GrossError, fit_without_gross
from recon.calibration.hub_holding import held_otherwise
from recon.calibration.noise import noise_of
from recon.calibration.odd_lines import warn_of_odd_lines
from recon.calibration.odd_pull import lacks_without
from recon.calibration.prior import BridgePrior, bridge_prior
from recon.calibration.rank import (
    BLIND,
    Seen,
    Uncovered,
    direction_words,
    least_seen,
    prior_directions,
    pull_for,
)
from recon.calibration.same_car import facts_of
from recon.calibration.solution import JointFit
from recon.calibration.verdict import verdict_of
from recon.calibration.verify import verify_corner
from recon.car.vehicle import Vehicle
from recon.mechanics.assembly import Assembly, assemblies_of
from recon.records.held_out import require_held_out
from recon.records.sheets import PullSheet

LIMIT_SHARE = 0.5  # of a link's stated limit; a pull should stay below, common practice, no source


@public
def calibrate(
    pulls: PullSheet, car: Vehicle, *, verification: PullSheet | None = None
) -> Calibration:
    """Fit the map of every pulled corner and verify it with pulls that are not in the fit.

    Loaded straps and a jacked car can hurt people: keep out of the strap's line and from under
    the car, stay below the strap's working limit and half of the weakest link's limit, and
    follow local codes and licensed practice.

    Parameters
    ----------
    pulls : PullSheet
        Rows with purpose `fit` are fitted; rows with purpose `verify` verify.
    car : Vehicle
    verification : PullSheet, optional
        A further sheet; all its rows of purpose `verify` verify.

    Returns
    -------
    Calibration
        K (gauge, member) [unit/N] per corner with covariance and verdict; loads tension positive.

    Raises
    ------
    DataError
        No pull to fit, a tare missing, a gauge without indications or one that does not answer,
        or a verification sheet that is not held out.
    RankError
        The pulls leave a direction unseen and no bridge slope closes the map.

    Warns
    -----
    DataWarning
        Evidence against the map: pulls that contradict each other, a gauge far from its
        bridge's slope or on another member, verification outside its intervals.
    PriorWarning
        Bridge data and geometry decide a direction more than the pulls, or neither the file nor
        the pulls show the sign of a gauge.
    SafetyWarning
        A pull above the strap's working limit or half of a link's stated limit.

    References
    ----------
    .. [1] Skopinski, Aiken and Huston, Calibration of strain-gage installations in aircraft
       structures for the measurement of flight loads, NACA Report 1178, 1954: calibration by
       known loads and least squares (from memory of its abstract).
    """
    if verification is not None:
        require_held_out(pulls, verification)
    to_fit = set(pulls.corner[pulls.purpose == "fit"].tolist())
    units = [u for u in assemblies_of(car).values() if to_fit & {c.name for c in u.corners}]
    if not units:
        raise DataError(
            pulls.path,
            f"no row with purpose fit for {', '.join(car.corners)}",
            "pulls to fit",
            "Set purpose to fit in the rows that are to be fitted.",
        )
    corners = {}
    for assembly in units:
        fitted = pulls_of(pulls, car, assembly, "fit")
        at = mean_pose(fitted)
        held_out = pulls_of(pulls, car, assembly, "verify", at)
        if verification is not None:
            held_out += pulls_of(verification, car, assembly, "verify", at)
        with one_thread():
            corner = _calibrate_assembly(pulls.path, assembly, fitted, held_out)
            verdict = verdict_of(corner, assembly, car, fitted)
            if verdict.unusable:
                verdict = held_otherwise(corner, pulls.path, assembly, fitted) or verdict
        facts = facts_of(car, assembly.name)
        corners[assembly.name] = replace(corner, verdict=verdict, facts=facts)
        for sentence in verdict.doubts:
            text = f"{pulls.path}, {assembly.title}: {sentence}"
            warn(text, DataWarning)
    sources = [(car.path, car.checksum), (pulls.path, pulls.checksum)]
    if verification is not None:
        sources.append((verification.path, verification.checksum))
    return Calibration(
        vehicle=car.name,
        vehicle_checksum=car.checksum,
        created=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        sources=tuple(sources),
        corners=corners,
    )


def _calibrate_assembly(
    path: str, assembly: Assembly, fitted: list[Pull], held_out: list[Pull]
) -> CornerCalibration:
    gauges = assembly.gauges
    _require_indications(path, assembly, fitted)
    prior = bridge_prior(path, assembly, fitted)
    seen = least_seen(fitted, tuple(c.name for c in assembly.corners))
    turned = all(pull.wheel.outboard for pull in fitted)
    if not prior.closed and (seen.values[-1] < BLIND * max(seen.values[0], 1e-300) or not turned):
        _refuse(path, assembly, seen, prior, turned=turned)
    _warn_of_limits(path, assembly, fitted + held_out)
    noise = noise_of(fitted)
    # Where all loads are in another unit, each of them would seem mistyped.
    apart = not of_written_loads(fitted, assembly)
    fit, gross = fit_without_gross(fitted, prior, noise, most=GROSS if apart else float("inf"))
    if apart:
        warn_of_odd_lines(path, assembly.title, fitted, fit)
    lacks = lacks_without(path, assembly, fitted, prior, fit)
    uncovered = prior_directions(fitted, prior, fit) if prior.closed else ()
    rests = _told(path, assembly, uncovered)
    lack, dof = fit.lack_of_fit
    parts = fit.covariance_by_source()
    loops = _loops(fitted, fit)
    relative = _relative(loops, fitted, fit.noise)
    # Disagreement beyond the stated uncertainties widens the map (Birge's ratio).
    birge = max(lack, 1.0) if np.isfinite(lack) else 1.0
    stated = np.isfinite([g.slope for g in gauges])[:, None]
    result = CornerCalibration(
        corner=assembly.name,
        gauges=tuple(g.name for g in gauges),
        units=tuple(g.unit for g in gauges),
        members=assembly.members,
        arms=assembly.arms,
        K=fit.K,
        K_geometry=np.where(np.isfinite(prior.u) & stated, prior.mean, np.nan),
        sources=tuple(parts),
        covariance_by_source=birge * np.array(list(parts.values())),
        devices=fit.devices,
        gain_effect=fit.gain_effects(),
        noise=fit.noise,
        friction=_friction(loops, fitted),
        conditions=_conditions(fitted, gross),
        quality=Quality(
            hysteresis=_usual(relative),
            lack_of_fit=lack,
            dof=dof,
            singular_values=seen.values,
            weak_direction=direction_words(seen.directions[-1]),
            rests_on_prior=rests,
            gross=gross,
            pulls=_reports(fitted, fit, assembly.arms, relative, lacks),
        ),
        verification=None,
    )
    return verify_corner(result, held_out) if held_out else result


def _told(path: str, assembly: Assembly, uncovered: tuple[Uncovered, ...]) -> tuple[str, ...]:
    """Directions that no pull covers, in words, of which a note says how to pull for them."""
    rests = tuple(one.words for one in uncovered)
    if rests:
        pulls = "; ".join(dict.fromkeys(one.pull for one in uncovered))
        warn(
            f"{path}, {assembly.title}: the pulls do not cover {'; '.join(rests)}: bridge slopes "
            "and geometry are used instead, and intervals are wider. To cover that, add pulls: "
            f"{pulls}.",
            PriorWarning,
        )
    return rests


def _require_indications(path: str, assembly: Assembly, pulls: list[Pull]) -> None:
    names = [corner.name for corner in assembly.corners]
    for g, gauge in enumerate(assembly.gauges):
        if not all(np.all(np.isfinite(p.indication[:, g])) for p in pulls if g < _width(p)) or any(
            _width(p) != len(assembly.gauges) for p in pulls
        ):
            raise DataError(
                where=f"{path}, {assembly.title}, gauge {gauge.name}",
                found="no indication in some loaded rows",
                needed=f"an indication of each of the {len(assembly.gauges)} gauges of "
                f"{assembly.title} in every row of a pull of {' or '.join(names)}",
                do="Fill the cells, or take the gauge out of the vehicle file.",
            )


def _width(pull: Pull) -> int:
    return int(pull.indication.shape[1])


def _refuse(path: str, assembly: Assembly, seen: Seen, prior: BridgePrior, *, turned: bool) -> None:
    name, values, directions = seen.corner, seen.values, seen.directions
    if values[0] == 0.0:
        raise RankError(
            where=f"{path}, corner {name}",
            found=f"no pull to fit, and axle {assembly.name} ties it to its partner",
            needed="pulls of both wheels of a tied axle",
            do=f"Pull {name} too, or state tube and bridge of every gauge of the axle.",
        )
    blind = [
        direction_words(d) for v, d in zip(values, directions, strict=True) if v < BLIND * values[0]
    ]
    open_gauges = [
        g.name for g, u in zip(assembly.gauges, prior.u, strict=True) if not np.all(np.isfinite(u))
    ]
    shown = ", ".join(f"{v / values[0]:.3f}" for v in values)
    if turned:
        cure = f"Add a pull with {blind[-1]} ({pull_for(directions[-1])}), or state the tube of "
        cure += f"{open_gauges[0]} in the vehicle file."
    else:
        blind.append("turning the upright about the wheel's axis")
        cure = f"State the tube or a bench slope of {open_gauges[0]} in the vehicle file: as no "
        cure += "brake is outboard, no pull on a wheel turns its upright."
    raise RankError(
        where=f"{path}, corner {name}",
        found=f"the pulls span {6 - len(blind)} of 6 directions (singular values {shown}); not "
        f"seen: {'; '.join(blind)}; no bridge slope is known for {', '.join(open_gauges)}",
        needed="pulls in every direction, or tube and bridge (or a bench slope) of every gauge",
        do=cure,
    )


def _warn_of_limits(path: str, assembly: Assembly, pulls: list[Pull]) -> None:
    limits = {s.name: s.limit for s in assembly.supports}
    members = assembly.members
    for pull in pulls:
        force = float(np.max(np.sum(pull.load, axis=0)))
        if force > pull.force_limit:
            warn(
                f"{path}, corner {pull.corner}, pull {pull.name}: {force:.0f} N on the strap, its "
                f"working load limit is {pull.force_limit:.0f} N. Do not repeat this pull.",
                SafetyWarning,
            )
        loads = np.max(np.abs(pull.wrench() @ pull.members.T), axis=0)
        for name, load in zip(members, loads, strict=True):
            if load > LIMIT_SHARE * limits.get(name, np.inf):
                warn(
                    f"{path}, corner {pull.corner}, pull {pull.name}: link {name} saw "
                    f"{load:.0f} N, more than half of its stated limit of {limits[name]:.0f} N. "
                    "Pull less.",
                    SafetyWarning,
                )


def _conditions(pulls: list[Pull], gross: tuple[GrossError, ...]) -> Conditions:
    """Means over the pulls, and the largest force component [N] of a load in the fit."""
    out = [e.line for e in gross if e.left_out]
    kept = [p.wrench()[~np.isin(p.line_of_file, out), :3] for p in pulls]
    tares = np.array([p.taring.mean for p in pulls])
    travel, rack = mean_pose(pulls)
    return Conditions(
        travel=travel,
        rack=rack,
        temperature=float(np.mean([p.temperature for p in pulls])),
        force_reached=np.max(np.abs(np.concatenate(kept)), axis=0),
        tare=np.median(tares, axis=0),
        tare_scatter=np.std(tares, axis=0),
    )


def _loops(pulls: list[Pull], fit: JointFit) -> Floats:
    """Width of the loop of each gauge between rising and falling loads, (pull, gauge) [unit].

    What grows with the pull and what joints hold back in any pull; NaN where no load fell.
    """
    out = np.full((len(pulls), len(fit.noise)), np.nan)
    for p, (pull, sign) in enumerate(zip(pulls, signs(pulls), strict=True)):
        if ("hysteresis", p) in fit.blocks:
            widens = fit.value("hysteresis", p)[0]
            out[p] = widens * pull.peak + 2 * fit.value(*FRICTION) * sign
    return out


def _relative(loops: Floats, pulls: list[Pull], noise: Floats) -> Floats:
    """Width (pull,) [1] of `loops` (pull, gauge) relative to the peak of each pull."""
    peak = np.array([pull.peak for pull in pulls]) / noise
    return np.asarray(np.sum(loops / noise * peak, axis=1) / np.sum(peak**2, axis=1))


def _usual(values: Floats) -> float:
    """Root mean square of the `values` (n,) [any] that are known; NaN if none is."""
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else float("nan")


def _friction(loops: Floats, pulls: list[Pull]) -> Floats:
    """Half-width (gauge,) [unit] of a usual loop, of `loops` (pull, gauge); zero if none is seen.

    Root mean square over the pulls in which the load of a gauge makes its joints slip.
    """
    slipping = np.array(signs(pulls)) ** 2
    slipping[np.isnan(loops)] = 0.0
    square = np.sum(np.nan_to_num(loops) ** 2, axis=0)
    return np.asarray(0.5 * np.sqrt(square / np.maximum(np.sum(slipping, axis=0), 1e-12)))


def _reports(
    pulls: list[Pull], fit: JointFit, arms: Floats, loop: Floats, lacks: Floats
) -> tuple[PullReport, ...]:
    out = []
    main = np.max(np.abs(fit.K * arms), axis=1)  # moments by their arm, beside forces
    for p, pull in enumerate(pulls):
        corrections = fit.line_corrections(p, pull)
        peak = float(np.max(np.abs(pull.indication)))
        out.append(
            PullReport(
                name=pull.name,
                peak=float(np.max(np.sum(pull.load, axis=0))),
                angle=float(np.linalg.norm(corrections[:, 2:])),
                offset=float(np.linalg.norm(corrections[:, :2])),
                hysteresis=float(loop[p]),
                zero_return=float(np.max(np.abs(pull.taring.change)) / peak),
                influence=float(np.max(np.abs(fit.influence(p) * arms) / main[:, None])),
                lack_without=float(lacks[p]),
            )
        )
    return tuple(out)
