"""Status flags of a reconstructed sample: one table, a paragraph for each.

A flag describes one corner at one time.  Per-sample trouble is a flag, never an
exception; an ill-posed problem is an error when the reconstruction is prepared.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """One bit of `status` with its explanation."""

    name: str
    bit: int
    meaning: str


FLAGS = (
    Flag(
        "bound_active",
        1,
        "The vertical force came out negative and was held at zero. Usual causes: (a) the wheel "
        "was off the ground; (b) noise around a nearly unloaded wheel. The unbounded value stands "
        "beside it in tyre_force_unbounded; the sample never enters an estimate of grip.",
    ),
    Flag(
        "zero_or_sign_suspect",
        2,
        "The vertical force came out clearly negative while the suspension was compressed, which "
        "a wheel off the ground is not. Usual causes: (a) a zero that moved since the tare; (b) "
        "a channel with a changed sign; (c) a wrong travel channel. Look at the tares of this "
        "corner.",
    ),
    Flag(
        "channel_flat",
        4,
        "A gauge of this corner did not move for longer than its own noise allows. Usual causes: "
        "(a) broken wire; (b) logger stuck. The forces of the corner are not known there (NaN).",
    ),
    Flag(
        "channel_clipped",
        8,
        "A gauge of this corner stood at the end of its range. Usual causes: (a) amplifier gain "
        "too high; (b) zero far off. The forces of the corner are not known there (NaN).",
    ),
    Flag(
        "beyond_pulls",
        16,
        "The force is larger than the pulls reached. The map is used beyond its evidence and the "
        "interval is widened by the stated share of the excess.",
    ),
    Flag(
        "beyond_pose",
        32,
        "Travel or steer lies outside the range that the vehicle file states. The geometry is held "
        "at the edge of the range and the forces are not known there (NaN).",
    ),
    Flag(
        "wheel_locked",
        64,
        "The wheel stood still with the brake on or the car at rest: the caliper gives what the "
        "road asks for, and the line pressure is not used.",
    ),
    Flag(
        "missing_input",
        128,
        "A gauge or a needed channel has no number there (gap in the log). The forces are NaN.",
    ),
    Flag(
        "not_observable",
        256,
        "A force component of the corner is not seen by its gauges and is NaN at every sample; the "
        "result's attribute not_known gives the reason and the cheapest cure. Usual causes: (a) "
        "no gauge in the spring's path; (b) a gauge left out of the calibration.",
    ),
)

BIT = {flag.name: flag.bit for flag in FLAGS}
