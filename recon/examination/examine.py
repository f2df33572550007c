"""`examine`: test a drive before it is believed, and mark what contradicts itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from recon.base.doubt import Doubt
from recon.base.labelled import SEPARATOR, require_order, stamp, stamped
from recon.base.late import xr
from recon.base.public import public
from recon.base.status import BIT
from recon.base.threads import one_thread
from recon.examination.channel_scales import channel_scale_causes
from recon.examination.common_gains import common_gain_causes
from recon.examination.driven_causes import driven_causes
from recon.examination.every_comparison import ALARMS, TESTS
from recon.examination.exchanged_hubs import exchanged_hubs
from recon.examination.failed_gauges import failed_gauges
from recon.examination.gauge_causes import gauge_causes
from recon.examination.interrupted_channels import interrupted_channels
from recon.examination.judge import Judge
from recon.examination.late_or_unsteady_gauges import late_gauge_causes
from recon.examination.lateness import late_causes
from recon.examination.mass_causes import mass_causes
from recon.examination.momentary import momentary_doubts, outside
from recon.examination.ordinary_causes import ordinary_causes
from recon.examination.pull_causes import pull_causes
from recon.examination.stated_friction import friction_doubts
from recon.examination.steer_zero import steer_zero_causes
from recon.examination.stuck_ordinary_channels import stuck_channels
from recon.examination.tare_causes import tare_causes
from recon.examination.temperature_causes import temperature_causes
from recon.examination.term import Term, not_compared
from recon.examination.unseen import Unseen, unseen
from recon.examination.view import Part, View, view_of
from recon.examination.whole_car import against_motion
from recon.reconstruction.prepare import Prepared
from recon.reconstruction.whole_car.car_stance import stance_of
from recon.records.doubt_variables import with_doubts
from recon.records.forces import BALANCES, FORCES, require_forces
from recon.records.logs import require_conditioned
from recon.records.scratch import copied

# Every comparison of a drive, and every cause that can be named.
JUDGE = Judge(
    tests=TESTS,
    # Those that explain most first: others are hopeless sooner then.
    proposals=(
        ordinary_causes,
        channel_scale_causes,
        gauge_causes,
        common_gain_causes,
        tare_causes,
        temperature_causes,
        mass_causes,
        driven_causes,
        pull_causes,
        steer_zero_causes,
        late_causes,
        late_gauge_causes,
    ),
    alarms=ALARMS,
)


@dataclass(frozen=True, slots=True)
class Examination:
    """Doubts about a drive, the comparisons that they came from, and what these cannot see.

    A term without a size could not be compared; its `found` says why.
    """

    doubts: tuple[Doubt, ...]
    terms: tuple[Term, ...]
    view: View
    unseen: tuple[Unseen, ...]

    def __repr__(self) -> str:
        """The lines that a notebook shows: the doubts, instead of all numbers compared."""
        made = sum(bool(np.isfinite(t.size)) for t in self.terms)
        doubts = [str(doubt) for doubt in self.doubts] or ["no doubt"]
        return "\n  ".join([f"Examination: {made} of {len(self.terms)} comparisons made", *doubts])

    @property
    def compared(self) -> str:
        """Comparisons that were made, with their sizes, in words."""
        return "; ".join(
            f"{t.place}: {t.name} {t.size:.2f} (limit {t.limit:g})"
            for t in self.terms
            if np.isfinite(t.size)
        )

    @property
    def not_compared(self) -> tuple[str, ...]:
        """Comparisons that this drive does not allow, one sentence each."""
        return tuple(dict.fromkeys(t.found for t in self.terms if np.isnan(t.size)))


@public
def examine(prepared: Prepared, log: xr.Dataset, forces: xr.Dataset) -> Examination:
    """Test a drive against itself, against the car and against the day of the pulls.

    Parameters
    ----------
    prepared : Prepared
        As `prepare` returns it.
    log : Dataset (elapsed_time, gauge)
        As `condition` returns it.
    forces : Dataset (elapsed_time, corner, component)
        As `Prepared.solve` returns them. [N]

    Raises
    ------
    DataError
        The log is not conditioned or out of order, or the forces are none.
    """
    require_conditioned(log)
    require_order(log, "Take the log that these forces were made from.")
    require_forces(forces, "tyre_force", "status")
    with one_thread():
        stuck, view = stuck_channels(view_of(prepared, log))
        bad = [name for name in view.parts if prepared.verdicts[name].unusable]
        # Forces that are wrong by their calibration would put the blame on sound channels.
        judged = view.without(bad)
        until = min((doubt.start for doubt in stuck), default=np.inf)
        interrupted = interrupted_channels(judged, until)
        momentary = momentary_doubts(judged, JUDGE, until, interrupted)
        terms, of_drive = _judged(judged, (*interrupted, *momentary))
        doubts = (
            *failed_gauges(prepared, log, forces),
            *stuck,
            *_of_calibration(prepared, view),
            *friction_doubts(forces),
            *of_drive,
        )
        doubts += exchanged_hubs(log, doubts)
        terms += tuple(_not_judged(view.parts[name]) for name in bad)
        return Examination(doubts, terms, view, unseen(judged, log, view.corners))


def _judged(view: View, momentary: tuple[Doubt, ...]) -> tuple[tuple[Term, ...], tuple[Doubt, ...]]:
    """Comparisons of a drive, and all doubts: those of some stretches and those of all of it.

    Where the rest of the drive contradicts itself as well, a fault is one of the whole drive.
    """
    rest = outside(view, momentary)
    terms = JUDGE.terms(rest) if view.parts else ()
    if momentary and any(term.contradicts for term in terms):
        rest, terms = view, JUDGE.terms(view)
    doubts = JUDGE.doubts(rest, terms)
    return terms, (*(one for one in momentary if not one.is_within(doubts)), *doubts)


def _not_judged(part: Part) -> Term:
    """The comparisons that an unusable calibration leaves out, as one that was not made."""
    return not_compared(
        part.name,
        part.corners,
        "gauges and forces of a corner that is not to be used",
        f"Whether gauges, tares and forces of {part.name} agree with the rest of the car "
        "cannot be known: its calibration is not to be used. Sums over all tyres are left out too.",
    )


def _of_calibration(prepared: Prepared, view: View) -> list[Doubt]:
    """Doubts about corners whose calibration is unusable, and was accepted by name."""
    return [
        Doubt(
            corners=part.corners,
            cause="unusable calibration",
            channels=(),
            probability=1.0,
            start=view.start,
            end=view.end,
            found=f"{prepared.verdicts[name].words.rstrip('.')}.",
            do=f"Pull {name} again and calibrate.",
        )
        for name, part in view.parts.items()
        if prepared.verdicts[name].unusable
    ]


def marked(forces: xr.Dataset, examination: Examination) -> xr.Dataset:
    """The forces with their doubts, the flag `doubted`, and the comparisons that were made.

    `forces` are (elapsed_time, corner, component) [N] as `Prepared.solve` returns them; no number
    is changed.
    """
    out = flagged(forces, examination.doubts)
    against = [part.contradiction for part in examination.view.parts.values()]
    more = {"window_time": examination.view.elapsed, "contradiction": np.concatenate(against, 1)}
    order = [examination.view.corners.index(str(corner)) for corner in out["corner"].to_numpy()]
    more |= {
        "unseen_fault": np.array([one.kind for one in examination.unseen]),
        "unseen_error": np.array([one.error[order] for one in examination.unseen]),
        "unseen_gauge": np.array([[one.gauge[k] for k in order] for one in examination.unseen]),
        "unseen_size": np.array([one.size[order] for one in examination.unseen]),
    }
    more |= _balance(examination.view)
    out = out.assign(stamped(FORCES, more))
    out.attrs["compared"] = examination.compared
    out.attrs["not_compared"] = SEPARATOR.join(examination.not_compared)
    return out


def flagged(forces: xr.Dataset, doubts: Sequence[Doubt]) -> xr.Dataset:
    """The forces with doubts, all of them, and the flag `doubted` where forces are spoiled."""
    out = with_doubts(forces, doubts)
    status = copied(out["status"].to_numpy())
    elapsed, corners = out["elapsed_time"].to_numpy(), list(out["corner"].to_numpy())
    for doubt in (d for d in doubts if d.spoils):
        during = (elapsed >= doubt.start) & (elapsed <= doubt.end)
        for corner in doubt.corners:
            if corner in corners:
                status[during, corners.index(corner)] |= BIT["doubted"]
    out["status"] = stamp(FORCES["status"], status)
    return out


def _balance(view: View) -> dict[str, np.ndarray]:
    """Sums of the forces and what the motion of the body needs, for whoever draws them [N].

    The yaw moment is divided by the wheelbase.
    """
    compared = against_motion(view)
    stance = stance_of(view.prepared.car)
    if stance is None or not any(np.isfinite(c.seen - c.expected).any() for c in compared):
        return {}
    arm = np.array([1.0, 1.0, 1.0 / stance.base])
    columns = {
        "balance_by_tyres": [c.seen for c in compared],
        "balance_by_motion": [c.expected for c in compared],
        "u_balance": [c.u for c in compared],
    }
    out = {name: np.array(values).T * arm for name, values in columns.items()}
    return {"balance": np.array(BALANCES), **out}
