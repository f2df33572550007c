"""A sign or a unit of an ordinary channel shows in all its comparisons together."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from recon.base.quantities import CORNERS
from recon.examination.channel_gains import LIMIT, Gain, gains_agree, gains_of
from recon.examination.view import View
from tests.spoiled_days import sound
from tests.test_channels_agree import examined, times

INCH = 25.4  # mm


def scaled(name: str, factor: float, corners: tuple[str, ...] = ()) -> View:
    """The day with a channel, or its columns of some corners, times a factor."""
    log = sound().log
    at = np.where(np.isin(CORNERS, corners), factor, 1.0) if corners else factor
    channels = (name, f"slope_of_{name}")
    return sound().with_log(
        log.assign({n: (log[n].dims, at * log[n].to_numpy(), log[n].attrs) for n in channels})
    )


def test_gains_of_a_sound_drive_are_one() -> None:
    gains = gains_of(sound())
    assert {"roll", "pitch", "steer", "travel", "hub_acceleration_RR_y"} <= set(gains)
    assert max((gain.size / gain.u) ** 2 for gain in gains.values()) < LIMIT / 2


@pytest.mark.parametrize(
    ("channel", "name", "factor", "corners"),
    [
        ("roll", "roll", -1.0, ()),
        ("pitch", "pitch", -1.0, ()),
        ("steer", "steer", -1.0, ()),
        ("roll", "roll", np.pi / 180, ()),
        ("travel", "travel", 1 / INCH, ()),
        ("travel", "travel", 0.1, ()),
        ("travel_FL", "travel", -1.0, ("FL",)),
    ],
)
def test_a_wrong_gain_is_seen_with_its_size(
    channel: str, name: str, factor: float, corners: tuple[str, ...]
) -> None:
    view = scaled(name, factor, corners)
    assert channel in {term.place for term in gains_agree(view) if term.contradicts}
    gain: Gain = gains_of(view)[channel]
    if channel == "travel":  # springs say only that it should be more
        assert 1.0 - gain.size > 1.5
    else:
        # What differs on a sound drive in proportion to a true channel is as wrong as its gain.
        assert 1.0 - gain.size == pytest.approx(1 / factor, abs=3 * gain.u + 0.3 / abs(factor))


def test_travel_in_inches_of_a_lone_corner_is_seen_by_its_spring() -> None:
    found = examined(times("travel", 1 / INCH), corners=("FL",))
    assert {doubt.cause for doubt in found.doubts} == {"other unit"}
    assert any("travel_FL" in doubt.channels for doubt in found.doubts)


def test_an_ordinary_channel_and_a_gauge_are_both_named() -> None:
    """A mended channel leaves a gauge mended that was mended before it."""

    def spoil(raw: xr.Dataset) -> None:
        times("roll", -1.0)(raw)
        times("indication", -1.0, gauge="FR_tie_rod")(raw)

    found = {(doubt.cause, doubt.channels) for doubt in examined(spoil).doubts}
    assert found == {("inverted", ("roll",)), ("inverted", ("FR_tie_rod",))}
