"""Sound virtual days of the shipped cars, and how a drive of one of them ends after a slip."""

from __future__ import annotations

import os
import pickle
import warnings
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

import recon.reconstruction.prepare as preparing
from recon.base.doubt import Doubt
from recon.base.quantities import CORNERS
from recon.base.threads import one_thread
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration
from recon.calibration.same_car import facts_of
from recon.car.vehicle import Support, Vehicle
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.examination.examine import JUDGE, examine
from recon.examination.failed_gauges import failed_gauges
from recon.examination.stuck_ordinary_channels import stuck_channels
from recon.examination.view import view_of
from recon.reconstruction.from_gauges import completed
from recon.records.sheets import PullSheet, Tares
from recon.virtual.crew import virtual_pulls, virtual_verification
from recon.virtual.dampers import Damper
from recon.virtual.day import circuit_states, launch_states
from recon.virtual.drawing import VirtualCar, draw_car
from recon.virtual.drive import virtual_drive
from recon.virtual.stance import SPRING_RATE
from tests.campaign.slip_kinds import Recorded
from tests.shipped_mechanisms import shipped
from tests.slalom_course import Slalom, slalom_states
from tests.suspension_days import measured_bush_rate

CARS = ("club_racer", "wishbone_spring_on_arm", "strut", "anti_roll_bar", "solid_axle",
        "solid_axle_tubes", "case_car")  # fmt: skip
DAMPING_RATIO = 0.45  # of the body on its springs; common practice, no source
RATE = 100.0  # Hz
HALF = 1.96  # standard uncertainties in a half-width
SELDOM = 0.05  # share of a drive during which a force may be wrong without counting


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive with nothing wrong in it; `truth` is for the judge only."""

    log: xr.Dataset
    tares: Tares
    truth: xr.Dataset


@dataclass(frozen=True, slots=True)
class SoundDay:
    """A car, its calibration and its drives: a slalom, and a launch or a circuit."""

    name: str
    car: Vehicle
    calibration: Calibration
    drives: tuple[Drive, ...]

    def recorded(self, drive: int, corners: list[str]) -> Recorded:
        """What was recorded in a drive, with some assemblies calibrated and logged alone."""
        kept = {name: self.calibration.corners[name] for name in corners}
        gauges = [gauge for fitted in kept.values() for gauge in fitted.gauges]
        own = self.drives[drive]
        calibration = replace(self.calibration, corners=kept)
        return Recorded(own.log.sel(gauge=gauges), own.tares, calibration)


def sound_day(name: str, seed: int, folder: Path) -> SoundDay:
    """A day of a shipped car, drawn anew; kept in a folder for the next time."""
    path = folder / f"{name}_{seed}.pickle"
    if path.exists():
        found: SoundDay = pickle.loads(path.read_bytes())
        return _without_rates(found)
    with warnings.catch_warnings(), one_thread():
        warnings.simplefilter("ignore")
        day = _made(name, seed)
    part = path.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps(day))
    part.rename(path)
    return _without_rates(day)


def _without_rates(day: SoundDay) -> SoundDay:
    """The day of a car whose file states no rate of springs: those of virtual corners have none."""
    corners = {
        name: replace(corner, supports=tuple(_without_rate(s) for s in corner.supports))
        for name, corner in day.car.corners.items()
        if name in day.calibration.corners
    }
    car = replace(day.car, corners=day.car.corners | corners)
    fitted = {
        name: replace(own, facts=facts_of(car, name))
        for name, own in day.calibration.corners.items()
    }
    return replace(day, car=car, calibration=replace(day.calibration, corners=fitted))


def _without_rate(support: Support) -> Support:
    return replace(support, compliance=np.nan) if support.kind == "spring" else support


def _made(name: str, seed: int) -> SoundDay:
    rng = np.random.default_rng([77, CARS.index(name), seed])
    crew = crew_at_work(name, rng)
    calibration = crew.calibrated
    # Where hubs are not logged, their motion follows from the force of springs and dampers.
    damper = Damper(2 * DAMPING_RATIO * np.sqrt(SPRING_RATE * 0.25 * crew.drawn.truth.mass))
    slalom = partial(slalom_states, wish=Slalom(damper=damper))
    other = partial((circuit_states, launch_states)[seed % 2], damper=damper)
    drives = [
        Drive(*virtual_drive(crew.drawn, states(crew.drawn, rng, rate=RATE), rng))
        for states in (slalom, other)
    ]
    return SoundDay(name, crew.car, calibration, tuple(drives))


@dataclass(frozen=True, slots=True)
class Crew:
    """A drawn car as it is and as its crew describes it, with its pulls and verification."""

    drawn: VirtualCar
    car: Vehicle
    pulls: PullSheet
    checks: PullSheet

    @property
    def calibrated(self) -> Calibration:
        """Calibration of the assemblies whose pulls suffice."""
        calibration = calibrate(self.pulls, self.car, verification=self.checks)
        corners = calibration.corners.items()
        usable = {n: c for n, c in corners if n not in calibration.unusable}
        return replace(calibration, corners=usable)


def crew_at_work(name: str, rng: np.random.Generator) -> Crew:
    """Draw a shipped car and calibrate it."""
    drawn = draw_car(shipped(name), rng)
    car = _with_bushes(drawn.car, drawn)
    return Crew(drawn, car, virtual_pulls(drawn, None, rng), virtual_verification(drawn, rng))


def _with_bushes(car: Vehicle, drawn: VirtualCar) -> Vehicle:
    """Bushes as the crew measured them, where the file has nothing."""
    corners = dict(car.corners)
    for unit, elastic in drawn.elastic.items():
        for wheel in elastic.wheels:
            part = corners[wheel.corner]
            if part.bush_rate == 0.0:
                rate = 50.0 * round(measured_bush_rate(drawn, unit) / 50.0)
                corners[wheel.corner] = replace(part, bush_rate=rate, u_bush_rate=25.0)
    return replace(car, corners=corners)


def shape_of(day: SoundDay, rng: np.random.Generator) -> tuple[str, list[str]]:
    """Half of the drives with the whole car, the others with one axle or one corner alone."""
    there, draw = list(day.calibration.corners), rng.random()
    if draw < 0.5:
        return "car", there
    end = str(rng.choice(["F", "R"]))
    own = [name for name in there if name[0].upper() == end] or there
    if draw < 0.75 and len(own) > 1:
        own = [str(rng.choice(own))]
    return ("axle" if len(own) > 1 or own[0] not in CORNERS else "corner"), own


@dataclass(frozen=True, slots=True)
class Ended:
    """How a drive ended: its doubts, and by how many half-widths its forces are wrong.

    `excess` (corner, component) is exceeded for a twentieth of the drive, `error` the same in N.
    """

    corners: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    excess: np.ndarray
    error: np.ndarray
    unseen: np.ndarray = field(default_factory=lambda: np.zeros(0))
    terms: tuple[Any, ...] = ()

    @property
    def wrong(self) -> set[str]:
        """Corners whose forces are wrong by more than three half-widths."""
        return {c for c, own in zip(self.corners, self.excess, strict=True) if own.max() > 3.0}

    @property
    def marked(self) -> set[str]:
        return {corner for doubt in self.doubts for corner in doubt.corners}

    @property
    def foretold(self) -> set[str]:
        """Corners whose errors are as large as those that the drive says it may hide."""
        within = self.error <= self.unseen * 1.2  # sizes hold for small faults
        within |= self.excess <= 3.0
        return {c for c, own in zip(self.corners, within, strict=True) if own.all()}


def ended(car: Vehicle, recorded: Recorded, truth: xr.Dataset, *, named: bool = True) -> Ended:
    """Reconstruct and examine a drive, and compare it with the truth.

    Causes are looked for only if they are to be `named`, or where forces are wrong without a mark;
    otherwise a comparison that fails is a doubt.  What a drive may hide is worked out where no mark
    is found.
    """
    with warnings.catch_warnings(), one_thread():
        warnings.simplefilter("ignore")
        log = condition(recorded.log, car, recorded.tares)
        log = completed(log, recorded.calibration, car)
        prepared = preparing.prepare(recorded.calibration, car, log)
        forces = prepared.solve(log)
        stuck, view = stuck_channels(view_of(prepared, log))
        terms = JUDGE.terms(view)
        failed = (*failed_gauges(prepared, log, forces), *stuck)
        judge = JUDGE if named else replace(JUDGE, proposals=())
        corners = tuple(map(str, forces["corner"].to_numpy()))
        out = Ended(
            corners, (*failed, *judge.doubts(view, terms)), *_errors(forces, truth), terms=terms
        )
        if not named and out.doubts and out.wrong - out.marked:
            out = replace(out, doubts=(*failed, *JUDGE.doubts(view, terms)))
        if out.wrong - out.marked:
            found = examine(prepared, log, forces)
            order = [found.view.corners.index(corner) for corner in corners]
            most = np.max([one.error[order] for one in found.unseen], axis=0)
            out = replace(out, unseen=most)
        return out


def _errors(forces: xr.Dataset, truth: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    """Error over half-width, and error [N], of each force, exceeded for a share `SELDOM`."""
    true = truth["tyre_force_intermediate"].sel(corner=forces["corner"]).to_numpy()
    flat = true.reshape(len(true), -1)
    true = low_pass(flat, forces.attrs["bandwidth_Hz"], forces.attrs["rate_Hz"]).reshape(true.shape)
    error = np.abs(forces["tyre_force_intermediate"].to_numpy() - true)
    over = error / (HALF * forces["u_tyre_force_intermediate"].to_numpy())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # forces that are not known
        found = [np.nanquantile(values, 1.0 - SELDOM, axis=0) for values in (over, error)]
    return np.nan_to_num(found[0]), np.nan_to_num(found[1])
