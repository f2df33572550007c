"""A share of the campaign: spoiled files end in a result or in one error of ours.

DEVELOPERS.md has the command for the whole of it.  Here hypothesis draws the ways, so that a file
that breaks something is reported as the simplest one that does.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from tests.campaign.judge import NotFiniteError, require_finite, verdict_of
from tests.campaign.kinds import KINDS, files_of
from tests.campaign.results import RESULT_KINDS
from tests.campaign.texts import TEXT_KINDS

SHARE = {"vehicles": 200, "pulls": 200, "tares": 300, "logs": 120, "maps": 300, "forces": 25,
         "calibrations": 40}  # fmt: skip


@pytest.mark.slow(4)
@pytest.mark.parametrize("name", KINDS)
def test_spoiled_files_end_well(name: str, tmp_path: Path) -> None:
    files = files_of(name, tmp_path)

    @seed(1)
    @settings(
        max_examples=SHARE[name],
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(random=st.randoms(use_true_random=False))
    def end_well(random: Random) -> None:
        path = files.write(random)
        far = random.randrange(files.share) == 0
        verdict = verdict_of(lambda: files.door(path, far))
        assert not verdict.fault, f"{verdict.kind}: {verdict.place}"

    end_well()


@pytest.mark.slow(4)
@pytest.mark.parametrize("name", TEXT_KINDS)
def test_sound_texts_are_read(name: str, tmp_path: Path) -> None:
    """What is spoiled was sound before, else the campaign would look at refusals alone."""
    kind = TEXT_KINDS[name]
    for text in kind.texts(tmp_path):
        path = tmp_path / f"sound.{kind.ending}"
        path.write_text(text, encoding="utf-8")
        verdict = verdict_of(lambda path=path: kind.door(path, far=True))
        assert verdict.kind == "sound", verdict.place


@pytest.mark.slow(4)
@pytest.mark.parametrize("name", RESULT_KINDS)
def test_sound_results_are_read(name: str, tmp_path: Path) -> None:
    kind = RESULT_KINDS[name]
    path = tmp_path / "sound.nc"
    path.write_bytes(kind.sound(tmp_path))
    verdict = verdict_of(lambda: kind.door(path, far=True))
    assert verdict.kind == "sound", verdict.place


def test_the_judge_sees_faults() -> None:
    def never() -> None:
        while True:
            pass

    assert verdict_of(lambda: 1 / 0).kind == "ZeroDivisionError"
    assert verdict_of(lambda: {"a": (1.0, float("inf"))}).kind == "not finite"
    assert verdict_of(never, seconds=1).kind == "too long"
    with pytest.raises(NotFiniteError, match=r"\[1\] holds -inf"):
        require_finite((0.0, float("-inf")))
