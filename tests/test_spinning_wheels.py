"""Wheels that spin while the car gains speed contradict no speed, if they are driven."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from recon.base.quantities import CORNERS, STANDARD_GRAVITY
from recon.examination.motion import Motion
from recon.examination.ordinary import speeds_agree
from tests.days import day


def spun(ahead: tuple[float, float, float], unit: float = 1.0, **slip: float) -> dict[str, float]:
    """Size of each comparison of wheel speeds over three times 3 s at accelerations `ahead`.

    In the second wheels turn faster than the car rolls by their `slip`, relative.
    """
    spins = np.repeat([False, True, False], 300)
    ahead = np.repeat(ahead, 300)
    speed = np.cumsum(ahead) * 0.01
    radius = {name: corner.wheel.loaded_radius for name, corner in day().car.corners.items()}

    def channel(name: str, corner: str | None = None) -> np.ndarray:
        if name == "slope_of_speed":
            return ahead
        assert (name, corner is None) == ("wheel_speed", False)
        return unit * speed * (1 + slip.get(corner, 0.0) * spins) / radius[corner]

    motion = SimpleNamespace(
        view=SimpleNamespace(prepared=SimpleNamespace(car=day().car)),
        body=np.array([ahead, 0 * ahead, 0 * ahead + STANDARD_GRAVITY]),
        jerk=np.zeros((3, 900)),
        **{
            "channel": channel,
            "speed": speed,
            "speed_change": ahead,
            "yaw_rate": 0 * speed,
            "count": 900,
        },
        moving=speed > 4.0,
        sliding=np.zeros(900, dtype=bool),
    )
    found = list(speeds_agree(cast(Motion, motion)))
    assert len(found) == 5
    return {one.place: one.size / one.limit for one in found}


LAUNCH, OUT_OF_A_CORNER = (0.0, 4.0, -0.5), (4.0, 0.2, 0.0)


@pytest.mark.parametrize("ahead", [LAUNCH, OUT_OF_A_CORNER])
def test_driven_wheels_may_spin(ahead: tuple[float, float, float]) -> None:
    assert max(spun(ahead, RL=0.9, RR=0.7).values()) < 0.5
    assert spun(ahead, FL=0.9)["FL"] > 1  # rear wheels drive
    assert min(spun(ahead, unit=1.3)[name] for name in CORNERS) > 1
