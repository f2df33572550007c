"""Summaries in words: numbers that are none are told as such."""

from __future__ import annotations

from recon.analysis.friction import friction_use
from recon.base.status import BIT
from recon.report.friction import friction_summary
from tests.days import day


def test_a_tyre_without_enough_samples_has_no_highest_use() -> None:
    forces = day().forces.copy(deep=True)
    forces["status"].values[99:, 2] = BIT["bound_active"]
    lines = friction_summary(friction_use(forces))
    assert lines[3].startswith("  RL: highest demonstrated not known, fewer than 100 known samples")
    assert "nan" not in "\n".join(lines)
    assert "highest demonstrated 0" in lines[4] or "highest demonstrated 1" in lines[4]
