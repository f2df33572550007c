"""The campaign of slips sees what is wrong, and its table counts it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.campaign.silence import main, table


@pytest.mark.slow(8)
def test_an_inverted_gauge_is_wrong_and_marked_and_a_sound_drive_is_neither(tmp_path: Path) -> None:
    assert main(tmp_path, "slips", 2, 0, "inverted") == 0
    assert main(tmp_path, "sound", 1) == 0
    inverted, sound = (
        [json.loads(line) for line in (tmp_path / f"{mode}.jsonl").read_text().splitlines()]
        for mode in ("slips", "sound")
    )
    assert all(one["wrong"] and one["wrong"] == one["marked"] for one in inverted)
    assert all(one["named"] == [True] for one in inverted)
    assert all(not one["wrong"] and not one["doubts"] for one in sound)
    counts = {line.split("  ")[0]: line.split()[-9:] for line in table(inverted).splitlines()}
    assert counts["inverted"][:6] == ["2", "0", "2", "2", "2", "2"]
