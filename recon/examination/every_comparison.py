"""Every comparison that a drive is put to."""

from __future__ import annotations

from collections.abc import Iterator

from recon.examination.channel_gains import gains_agree
from recon.examination.gauge_causes import gauges_agree
from recon.examination.late_or_unsteady_gauges import single_gauges_agree
from recon.examination.lateness import gauges_on_time
from recon.examination.loads import loads_agree
from recon.examination.ordinary import channels_agree
from recon.examination.single_faults import single_faults_absent
from recon.examination.tares import tares_agree, tares_return, zeros_hold
from recon.examination.temperature_causes import temperatures_agree
from recon.examination.term import Test
from recon.examination.view import View
from recon.examination.wheels import wheels_agree
from recon.examination.whole_car import sums_agree

# The quick ones first: whoever asks whether any comparison contradicts need not wait for all.
TESTS: tuple[Test, ...] = (
    gauges_agree,
    single_gauges_agree,
    tares_agree,
    tares_return,
    sums_agree,
    wheels_agree,
    loads_agree,
    channels_agree,
    gains_agree,
    single_faults_absent,
    gauges_on_time,
    zeros_hold,
    temperatures_agree,
)
# Their terms have no count, and so say nothing for or against a cause.
ALARMS: tuple[Test, ...] = (zeros_hold, gains_agree, single_faults_absent)


def contradictions(view: View) -> Iterator[tuple[str, str]]:
    """Place and name of each comparison that contradicts."""
    terms = (term for test in TESTS for term in test(view))
    return ((term.place, term.name) for term in terms if term.contradicts)
