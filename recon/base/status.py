"""Status flags of reconstructed samples, a paragraph for each, and the verdicts on a calibration.

A flag describes one corner at one time.  A fault in single samples sets a flag and never raises
an exception; a problem without a unique solution is an error when the reconstruction is prepared.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """One bit of `status` and its explanation for the user."""

    name: str
    bit: int
    meaning: str

    @property
    def words(self) -> str:
        """The flag for people: a standing car's wheels are flagged like locked ones."""
        words = self.name.replace("_", " ")
        return f"{words} or at rest" if self.name == "wheel_locked" else words


FLAGS = (
    Flag(
        "bound_active",
        1,
        "The estimated vertical force was negative and is set to zero. Usual causes: (a) the wheel "
        "was off the ground; (b) noise on a nearly unloaded wheel. The value before this limit is "
        "in tyre_force_unbounded. The sample is not used for friction.",
    ),
    Flag(
        "zero_or_sign_suspect",
        2,
        "The estimated vertical force was clearly negative while the suspension was compressed; "
        "a wheel off the ground hangs in droop, so something is wrong. Usual causes: (a) a zero "
        "that has moved since the tare; (b) a channel with its sign reversed; (c) a wrong travel "
        "channel. Check the tares of this corner first.",
    ),
    Flag(
        "channel_flat",
        4,
        "A gauge of this corner showed the same number for longer than its noise allows. Usual "
        "causes: (a) a broken wire; (b) a logger that stopped. The forces of this corner are not "
        "known at this sample (NaN).",
    ),
    Flag(
        "channel_clipped",
        8,
        "A gauge of this corner was at the end of its range. Usual causes: (a) amplifier gain too "
        "high; (b) a large zero offset. The forces of this corner are not known at this sample "
        "(NaN).",
    ),
    Flag(
        "beyond_pulls",
        16,
        "The force is larger than the largest pull. The calibration is extrapolated, and the "
        "interval is widened by a stated share of the excess.",
    ),
    Flag(
        "beyond_pose",
        32,
        "Travel or steer is outside the range that the vehicle file states. The geometry is not "
        "extrapolated, so the forces are not known at this sample (NaN). Correct the range in the "
        "file if the wheel can really travel there.",
    ),
    Flag(
        "wheel_locked",
        64,
        "The wheel did not turn, with the brake on or the car at rest. The brake torque is then "
        "whatever the road force requires, and the line pressure is not used.",
    ),
    Flag(
        "missing_input",
        128,
        "A gauge or another required channel has no value at this sample (gap in the log). The "
        "forces of this corner are not known there (NaN). A gap in time has one such sample at "
        "each of its ends.",
    ),
    Flag(
        "not_observable",
        256,
        "The gauges of this corner do not determine one of its force components, which is NaN at "
        "every sample. The attribute not_known of the result states the reason and the cheapest "
        "remedy. Usual causes: (a) no gauge in the load path of the spring; (b) a gauge that was "
        "left out of the calibration.",
    ),
    Flag(
        "doubted",
        512,
        "The data contradict this force: a test of the drive failed. The cause, as far as it can "
        "be named, stands in the doubts of the result (doubt_cause and doubt_found) with what to "
        "do. Usual causes: (a) exchanged or inverted channels; (b) a tare that does not belong to "
        "the drive; (c) another unit than the one stated. Do not use the force before the cause "
        "is mended.",
    ),
    Flag(
        "bridged",
        1024,
        "The logger dropped this sample of a gauge of this corner, and a straight line between the "
        "samples around it replaces it. Only gaps that the bandwidth allows are bridged; the "
        "error is at most about twice the noise of the gauge.",
    ),
    Flag(
        "gauge_left_out",
        2048,
        "A gauge of this corner had no usable value, and the forces were calculated without it. "
        "The intervals are wider, and a component that the other gauges do not determine is NaN. "
        "Usual causes: (a) a broken wire or a loose plug; (b) an amplifier at the end of its "
        "range. The gauge and the time stand in the doubts of the result.",
    ),
    Flag(
        "friction_limited",
        4096,
        "The horizontal force was larger than the stated friction limit times the vertical force, "
        "and all forces of the tyre were moved to the limit. Usual causes: (a) noise on a lightly "
        "loaded wheel; (b) a zero that has moved; (c) a limit that is too low for this tyre. The "
        "value before is in tyre_force_unbounded. The sample is not used for friction.",
    ),
)

BIT = {flag.name: flag.bit for flag in FLAGS}
# A force at a bound is no measurement.
AT_BOUND = BIT["bound_active"] | BIT["friction_limited"]

# Verdict on a calibrated corner: good; good for some forces only; not to be used.
VERDICTS = ("good", "limited", "unusable")
