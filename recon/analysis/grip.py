"""Grip: the envelope of the horizontal force of each tyre against its vertical force.

*Demonstrated* is what the tyre did, with the uncertainty of the measurement.  It counts as
*available* only where there is evidence that it was the limit.  Its uncertainty then also contains
how near such a tyre is to its peak, and how well the envelope repeats from one stretch of the
drive to the next.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, NoAnswerError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.base.public import public
from recon.base.words import enumerated
from recon.evaluation.common.answer_labels import (
    SEPARATOR,
    Labelled,
    answer_attributes,
    limits,
    plain,
)
from recon.evaluation.common.estimate import independent
from recon.evaluation.grip.combined_directions import Between, combined_forces, fit_all, reasons
from recon.evaluation.grip.envelope import LOWEST_LOAD, REFERENCE_LOAD, USUAL_EXPONENT, is_wide
from recon.evaluation.grip.envelope_errors import Blocks, EnvelopeErrors, errors_of
from recon.evaluation.grip.hot_and_cold import Warm
from recon.evaluation.grip.runs_of_set_up import Drives, drives_of
from recon.evaluation.grip.tyre_envelopes import DIRECTIONS, LEAST_USE, Envelope, Fit, Gate
from recon.evaluation.grip.tyre_limit_evidence import MOST_RISE, Slip, evidence_of, slip_of
from recon.records.forces import SIGNED, nothing_known, require_answerable, require_option

NEEDED = ("tyre_force", "u_tyre_force", "u_tyre_force_random", "status", *SIGNED)
BLOCK = 2.0  # s, a stretch by which repeats are counted
MOST_BLOCKS = 200  # blocks are longer in long drives
STEPS = (250.0, 500.0, 1000.0, 2000.0)  # N between the loads of the table
BELOW_HOP = 8.0  # Hz, where no sensor shows how a wheel hops: its Fz is wrong by as much as hop
# Of a force on a plateau, or of a sliding tyre: its peak may lie higher, at 95 % by no more than a
# plateau may rise.
U_LIMIT = MOST_RISE / 2
ROWS = 12  # loads in the table, about
ONE = ("corner", "direction")
OF_ENVELOPE = (
    ("reference_force", "N", "envelope at the reference load"),
    ("lowest_load", "N", "lowest vertical force near the envelope"),
    ("highest_load", "N", "highest vertical force near the envelope"),
    ("worked_time", "s", "time of hard work"),
    ("samples_used", "1", "samples that passed the gate"),
    ("blocks", "1", "blocks that came near the envelope"),
)


@public
def grip(
    forces: xr.Dataset,
    *,
    sections: xr.Dataset | None = None,
    low_load: float = LOWEST_LOAD,
    least_use: float = LEAST_USE,
    bandwidth: float | None = None,
    others: Sequence[xr.Dataset] | None = None,
) -> xr.Dataset:
    """Estimate the envelope of horizontal force against vertical force, tyre by tyre.

    Tyre axes; forces are those of the road on the tyre.  Samples at a bound never enter.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    sections : Dataset, optional
        As `find_sections` returns it; with sections of the kind `part`, only those enter, and
        they are what repeats are counted by.
    low_load : float
        Samples with less vertical force are left out. [N]
    least_use : float
        Horizontal over vertical force above which a tyre works hard. [1]
    bandwidth : float, optional
        Forces are low-passed to it first; without it they stay as they are, or are low-passed to
        8 Hz where neither acceleration nor travel of a hub was logged. [Hz]
    others : sequence of Dataset, optional
        Forces of other runs on the same set-up; their samples enter together with those of this
        run.  The attribute `tyre_temperature` [degC] of each run parts hot from cold ones.

    Returns
    -------
    Dataset
        By corner, direction and load: `demonstrated_force` and, where there is evidence of the
        limit, `available_force` [N], each with `u_`, `_lower` and `_upper`;
        `demonstrated_force_spread` [N] is the standard deviation from block to block; with other
        runs a block is a run.  By corner and direction: `exponent`, `reference_force` [N], loads
        worked, samples, and `evidence`.  By corner, pair of directions and load: `combined_force`
        [N] at 45 degrees to both and its `ellipse_share` [1].  With runs on hot and on cold tyres
        `hot_over_cold` [1] by corner and direction.

    Raises
    ------
    DataError
        No forces, a gate that makes no sense, sections together with other runs, another run of
        another car, or a run that stands there twice.
    NoAnswerError
        No tyre worked hard for long enough.
    """
    require_answerable(forces, *NEEDED)
    require_option(forces, "low_load", low_load, "N", zero=True)
    require_option(forces, "least_use", least_use, "N per N")
    require_option(forces, "bandwidth", bandwidth, "Hz")
    parts = _parts(forces, sections)
    if parts is not None and others:
        raise DataError(
            place_of(forces),
            "parts of this drive by a table of sections, and other runs",
            "one of the two",
            "Leave the table of sections out: runs are what repeats are counted by.",
        )
    for other in others or ():
        require_answerable(other, *NEEDED)
    drives = drives_of(forces, others or ())
    if _hop_not_measured(drives):
        bandwidth = bandwidth or BELOW_HOP
    gate = Gate(low_load, least_use, bandwidth, None if parts is None else parts >= 0)
    fits, pairs = fit_all(drives, gate)
    if not any(fit.envelope for fit in fits):
        raise _nothing(forces, fits, least_use)
    return _labelled(drives, fits, pairs, gate, _blocks(drives) if parts is None else Blocks(parts))


def _hop_not_measured(drives: Drives) -> list[str]:
    """Corners whose vertical force in wheel hop is not known in one of the drives."""
    found = {c for one in drives.forces for c in one.attrs.get("hop_not_measured", "").split()}
    return [name for name in corner_names(drives.forces[0]) if name in found]


def _nothing(forces: xr.Dataset, fits: list[Fit], least_use: float) -> NoAnswerError:
    """The error where no tyre worked hard for long enough."""
    most = max(fits, key=lambda fit: fit.worked)
    return nothing_known(
        forces,
        f"no tyre worked hard for long enough; the most is {most.worked:.1f} s above "
        f"{least_use:g} of its load ({forces['corner'].to_numpy()[most.corner]} {most.direction})",
        "1 s in one direction, with all three forces known",
        "Drive harder, or on a slippery road lower least_use knowingly.",
    )


def _parts(forces: xr.Dataset, sections: xr.Dataset | None) -> NDArray[np.int64] | None:
    """Number of the part of each sample (sample,), -1 outside; None if no parts are given."""
    if sections is None:
        return None
    from recon.evaluation.sections.find_sections import sections_of

    parts = sections_of(sections, "part")
    if not parts:
        return None
    time = forces["elapsed_time"].to_numpy()
    out = np.full(len(time), -1)
    for number, part in enumerate(parts):
        out[part.slice_of(time)] = number
    return out


def _blocks(drives: Drives) -> Blocks:
    """Blocks by which repeats are counted: runs where there are several, else stretches."""
    if len(drives.forces) > 1:
        return Blocks(drives.of(np.arange(drives.first[-1])), runs=True)
    time = drives.forces[0]["elapsed_time"].to_numpy()
    length = max(BLOCK, float(time[-1] - time[0]) / MOST_BLOCKS)
    return Blocks(np.asarray(((time - time[0]) // length).astype(np.int64)))


def _labelled(
    drives: Drives, fits: list[Fit], pairs: list[Between], gate: Gate, blocks: Blocks
) -> xr.Dataset:
    forces = drives.forces[0]
    known = [fit.envelope for fit in fits if fit.envelope]
    loads = _loads(known)
    warm = Warm.of(drives, gate)
    errors = iter(
        _errors(drives, [*fits, *(p.fit for p in pairs), *warm.fits], gate, loads, blocks)
    )
    own, between, by_warmth = (list(islice(errors, n)) for n in (len(fits), len(pairs), None))
    slips = [slip_of(one) for one in drives.forces]
    evidence = [_evidence(fit, slips, drives) for fit in fits]
    lacking = [reasons(pairs, fits, loads, corner_names(forces)), warm.reason]
    in_hop = []
    if hopping := _hop_not_measured(drives):
        in_hop.append(
            f"grip in wheel hop: the hubs of {enumerated(hopping)} have neither accelerometer nor "
            "travel, so that their vertical forces in hop are not known; log hub_acceleration"
        )
    answer = xr.Dataset(
        _forces(fits, own, loads, evidence, blocks)
        | _facts(fits, own, evidence)
        | combined_forces(pairs, between, fits, own, loads, runs=blocks.runs)
        | warm.ratio(by_warmth, own, loads),
        {"corner": forces["corner"], "direction": list(DIRECTIONS), "load": loads},
        answer_attributes(
            forces,
            "Grip",
            gate=_gate_words(gate),
            assumed=_assumed(known, blocks),
            not_given=[*in_hop, *_not_given(fits, own, slips, blocks), *filter(None, lacking)],
        ),
    )
    answer.attrs["references"] += "; Koenker and Bassett, Econometrica 46 (1978) 33-50"
    answer.attrs |= {
        "reference_load_N": REFERENCE_LOAD,
        "low_load_N": gate.low_load,
        "least_use": gate.least_use,
        "runs": SEPARATOR.join(place_of(one) for one in drives.forces),
        "hot_and_cold": warm.words if warm.hot else "",
    }
    answer["load"].attrs = {"units": "N", "long_name": "vertical force"}
    answer["direction"].attrs = {"long_name": "direction of the force of the road on the tyre"}
    return answer


def _errors(
    drives: Drives, fits: list[Fit], gate: Gate, loads: Floats, blocks: Blocks
) -> Iterable[EnvelopeErrors | None]:
    """Errors of the envelope of every fit; None where there is none."""
    found = iter(errors_of(drives, [f.envelope for f in fits if f.envelope], gate, loads, blocks))
    return (next(found) if fit.envelope else None for fit in fits)


def _loads(envelopes: list[Envelope]) -> Floats:
    """Round loads of the table [N], over all loads that were worked."""
    low = min(one.loads[0] for one in envelopes)
    high = max(one.loads[1] for one in envelopes)
    step = next((s for s in STEPS if (high - low) / s <= ROWS), STEPS[-1])
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step


def _evidence(fit: Fit, slips: list[Slip], drives: Drives) -> str:
    """Evidence of the limit from the first drive that shows any."""
    of = fit.envelope
    if of is None:
        return ""
    number = drives.of(of.samples.at)
    for n, (slip, forces) in enumerate(zip(slips, drives.forces, strict=True)):
        own = number == n
        at, time = of.samples.at[own] - drives.first[n], forces["elapsed_time"].to_numpy()
        words = evidence_of(slip, fit.direction, fit.corner, at, of.use[own], time)
        if words:
            return words if n == 0 else f"{words} in {place_of(forces)}"
    return ""


def _forces(
    fits: list[Fit],
    errors: list[EnvelopeErrors | None],
    loads: Floats,
    evidence: list[str],
    blocks: Blocks,
) -> Labelled:
    """Demonstrated and available force by corner, direction and load."""
    shape = (len(fits) // len(DIRECTIONS), len(DIRECTIONS), len(loads))
    value, u, spread = (np.full((len(fits), len(loads)), np.nan) for _ in range(3))
    for i, (fit, found) in enumerate(zip(fits, errors, strict=True)):
        if found is None or fit.envelope is None:
            continue
        estimate = found.of_set_up if blocks.runs else found.estimate
        force = np.exp(estimate.value[:-1])
        value[i] = np.where(fit.envelope.worked_at(loads), force, np.nan)
        u[i], spread[i] = force * estimate.u[:-1], force * found.spread[:-1]
    shown = np.array([bool(words) for words in evidence])[:, None]
    words = "horizontal force that 97.5 % of the hard-worked samples stay below"
    dims = (*ONE, "load")
    scatter = "standard deviation of the envelope over blocks"
    known = np.where(np.isnan(value), np.nan, spread)
    demonstrated = independent(value, u)
    repeats = 0.0 if blocks.runs else np.nan_to_num(spread)  # of runs, u contains it
    wider = np.sqrt(u**2 + repeats**2 + (U_LIMIT * value) ** 2)
    available = independent(np.where(shown, value, np.nan), wider)
    return (
        limits("demonstrated_force", demonstrated, dims, "N", words, shape)
        | limits("available_force", available, dims, "N", f"{words}, at the limit", shape)
        | plain("demonstrated_force_spread", known.reshape(shape), dims, "N", scatter)
    )


def _facts(fits: list[Fit], errors: list[EnvelopeErrors | None], evidence: list[str]) -> Labelled:
    """Exponent, loads, counts and evidence by corner and direction."""
    shape = (len(fits) // len(DIRECTIONS), len(DIRECTIONS))
    facts = np.array([_numbers(fit, found) for fit, found in zip(fits, errors, strict=True)]).T
    words = "evidence that the tyre was at its limit, empty if there is none"
    out = plain("evidence", np.array(evidence, dtype=str).reshape(shape), ONE, "", words)
    for (name, unit, words), values in zip(OF_ENVELOPE, facts[2:], strict=True):
        out |= plain(name, values.reshape(shape), ONE, unit, words)
    estimate = independent(facts[0], facts[1])
    words = "exponent of the envelope; of the tyre only if all loads were worked at its limit"
    return out | limits("exponent", estimate, ONE, "1", words, shape)


def _numbers(fit: Fit, found: EnvelopeErrors | None) -> tuple[float, ...]:
    """Exponent and its u, then `OF_ENVELOPE`, of one envelope."""
    of = fit.envelope
    if of is None or found is None:
        return (*[np.nan] * 5, fit.worked, fit.count, 0)
    exponent = float(found.estimate.value[-1]), float(found.estimate.u[-1])
    return (*exponent, of.law.force, *of.loads, fit.worked, fit.count, found.blocks)


def _gate_words(gate: Gate) -> str:
    words = (
        f"Fz above {gate.low_load:g} N, not at a bound, within 30 degrees of the direction; hard "
        f"work is a horizontal force above {gate.least_use:g} of Fz"
    )
    return words if gate.bandwidth is None else f"{words}; low-passed to {gate.bandwidth:g} Hz"


def _assumed(envelopes: list[Envelope], blocks: Blocks) -> Iterable[str]:
    yield "the envelope is a power law of the load"
    if not all(is_wide(one.bands.load) for one in envelopes):
        yield f"exponent {USUAL_EXPONENT:g} +-0.1 where few loads were worked hard"
    if blocks.runs:
        yield "all runs were driven on the same set-up and tyres"


def _not_given(
    fits: list[Fit], errors: list[EnvelopeErrors | None], slips: list[Slip], blocks: Blocks
) -> Iterable[str]:
    """Envelopes that are not estimated, with reason and cheapest remedy."""
    yield from (fit.reason for fit in fits if fit.reason)
    if any(found is not None and found.blocks < blocks.fewest for found in errors):
        yield (
            f"how well an envelope repeats, where fewer than {blocks.fewest} "
            f"{'runs' if blocks.runs else 'stretches'} came near it: intervals hold for "
            f"{'these runs' if blocks.runs else 'this drive'} alone; drive more runs and name "
            "them as others"
        )
    kinds = {"along": "of driving and braking", "sideways": "of cornering"}
    for kind, words in kinds.items():
        names = [slip.missing.get(kind, "") for slip in slips]
        if all(names):
            yield f"the limit {words} could not be seen: log {names[0]}"
