"""The campaign of coverage finds forces inside their limits, with and without channels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.campaign.coverage import WITHOUT, of_day, table


@pytest.mark.slow(15)
def test_forces_of_a_day_lie_in_their_limits_for_each_set_of_channels(tmp_path: Path) -> None:
    found = of_day(0, tmp_path)
    assert [one["without"] for one in found if one["shape"] == "car"] == list(WITHOUT)
    inside, over, _, u = (np.array([one["found"][k] for one in found]) for k in range(4))
    # Of one day, whose fixed errors are drawn once: more or less than 95 %.
    assert np.all(inside.mean(axis=1) > 0.85)
    assert np.all(np.sqrt(over) > 0.1)  # and not because limits are far away
    assert np.all(np.diff(u[[0, 1, 5]].mean(axis=1)) > 0)  # less known, wider
    first = table(found).splitlines()[0].split()
    assert first[:4] == ["car", "all", "but", "gauges"]
    assert float(first[5]) == pytest.approx(100 * inside[5].mean(), abs=0.1)
