"""Wheels slower than the car rolls: held against its speed, but not where they may hang."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.test_channels_agree import examined


@pytest.mark.parametrize("unloaded", [True, False])
def test_only_a_wheel_that_a_turn_unloads_may_hang_slow(unloaded: bool) -> None:
    """The inner rear wheel of a front-drive car locks, and hangs slow until it is down again."""

    def slow(raw: xr.Dataset) -> None:
        ahead, aside, _ = raw["acceleration"].transpose("component", ...)
        at = aside > 4.0 if unloaded else np.hypot(ahead, aside) < 1.5
        raw["wheel_speed"].loc[{"corner": "RL"}] *= xr.where(at, 0.6, 1.0)

    doubts = [str(doubt) for doubt in examined(slow).doubts]
    assert not doubts if unloaded else "wheel speed of RL" in doubts[0]
