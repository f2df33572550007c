"""The verdict on a calibrated corner: how it is found, and that an unusable one is refused."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest

from recon.base.errors import DataError, DataWarning, DoubtWarning, ReconWarning
from recon.base.quantities import POUND_FORCE, STANDARD_GRAVITY
from recon.calibration.applied import pulls_of
from recon.calibration.calibrate import calibrate
from recon.calibration.calibrated import Calibration, CornerCalibration, Verdict
from recon.calibration.gross_errors import GrossError
from recon.calibration.verdict import verdict_of
from recon.examination.reconstruct import reconstruct
from recon.mechanics.assembly import assembly_of
from recon.report.drive.forces_summary import forces_summary
from tests.calibrated_corners import pulled, without_slopes
from tests.days import day, unwarned
from tests.pull_sheets import rewritten


def front_left(**quality: object) -> CornerCalibration:
    corner = day().calibration.corners["FL"]
    return replace(corner, quality=replace(corner.quality, **quality))


def verdict(corner: CornerCalibration) -> Verdict:
    return verdict_of(corner, assembly_of(day().car, "FL"), day().car)


def failed(corner: CornerCalibration) -> CornerCalibration:
    wrong = replace(corner.verification, error=corner.verification.error + 300.0)
    return replace(corner, verification=wrong)


def test_an_honest_corner_is_good_without_doubts() -> None:
    found = verdict(front_left())
    assert (found.state, found.doubts) == ("good", ())
    assert found == day().calibration.corners["FL"].verdict


def test_a_failed_verification_makes_a_corner_unusable() -> None:
    found = verdict(failed(front_left()))
    assert found.state == "unusable"
    assert re.match(r"FL is not to be used, because verification failed: \d+ % of", found.words)
    assert len(found.doubts) == 1


def test_the_main_slope_is_the_gauges_own_not_its_least_known_cross_talk() -> None:
    corner = front_left()
    size = np.abs(corner.K * corner.arms)
    own = size == np.max(size, axis=1, keepdims=True)
    wide = np.diag(np.where(own, 0.0, corner.K.max() ** 2).ravel())
    more = np.concatenate([corner.covariance_by_source[:1] + wide, corner.covariance_by_source[1:]])
    unsure = verdict(replace(corner, covariance_by_source=more))
    known = re.search(r"main slopes are known to [\d.]+ %", verdict(corner).words)
    assert known is not None
    assert known.group() in unsure.words


@pytest.mark.parametrize(
    ("outside", "over_u", "state"),
    [(0.1, 2.5, "good"), (0.3, 2.5, "unusable"), (0.1, 6.0, "unusable")],
)
def test_a_verification_fails_by_many_errors_outside_or_by_large_ones(
    outside: float, over_u: float, state: str
) -> None:
    corner = front_left()
    own = corner.verification
    assert own is not None
    far = np.arange(own.error.size).reshape(own.error.shape) < outside * own.error.size
    found = replace(own, error=np.where(far, over_u, 0.5) * own.u_error)
    assert verdict(replace(corner, verification=found)).state == state


@pytest.mark.parametrize(("lack", "state"), [(2.9, "good"), (9.0, "limited"), (26.0, "unusable")])
def test_pulls_that_contradict_each_other_limit_or_spoil_a_corner(lack: float, state: str) -> None:
    found = verdict(front_left(lack_of_fit=lack))
    assert found.state == state
    assert (f"the pulls contradict each other {lack:.0f} times" in found.words) == (lack > 3)


def test_a_gauge_far_from_its_bridge_needs_held_out_pulls() -> None:
    corner = front_left()
    K = corner.K.copy()
    K[corner.gauges.index("FL_push_rod")] *= 2.0
    doubled = replace(corner, K=K)
    assert verdict(doubled).state == "limited"  # held-out pulls were measured right with this map
    found = verdict(replace(doubled, verification=None))
    assert found.state == "unusable"
    assert "because gauge FL_push_rod answers 2.0" in found.words


@pytest.mark.parametrize("count", [2, 3])
def test_many_gauges_that_answer_to_wrong_members_speak_of_the_pulls(count: int) -> None:
    corner = front_left()
    K = corner.K.copy()
    K[:count] = np.roll(K[:count], 1, axis=0)
    found = verdict(replace(corner, K=K, verification=None))
    assert found.state == "unusable"
    of_pulls = f"{count} of 6 gauges answer most to a member that is not their own; for example, ga"
    assert (of_pulls in found.words) == (count == 3)
    assert found.words.count("Channels exchanged?") == (2 if count == 2 else 0)


def test_reasons_for_forces_only() -> None:
    small = front_left()
    reached = replace(small.conditions, force_reached=np.array([300.0, 3000.0, 3500.0]))
    found = verdict(replace(small, conditions=reached))
    assert found.state == "limited"
    assert re.search(
        r"up to 0\.3 kN in x.*pulls reached only 300 N in x, and the wheel carries 1\d\d\d N",
        found.words,
    )
    kept = GrossError("inward", 36, "strap", 3065.0, 2316.25, 22.5, False)
    found = verdict(front_left(gross=(kept,)))
    assert found.state == "limited"
    assert "still in the fit (pull inward)" in found.words
    found = verdict(front_left(gross=(replace(kept, left_out=True),)))
    assert found.state == "good"


# --- use of a corner ---------------------------------------------------------------------------


def with_unusable() -> Calibration:
    corner = failed(front_left())
    corners = {**day().calibration.corners, "FL": replace(corner, verdict=verdict(corner))}
    return replace(day().calibration, corners=corners)


def test_an_unusable_corner_is_refused_unless_it_is_accepted_by_name() -> None:
    log, car = day().conditioned.isel(elapsed_time=slice(600, 640)), day().car
    calibration = with_unusable()
    assert calibration.unusable == ("FL",)
    with pytest.raises(DataError, match=r"FL is not to be used, .*(?s:.*)--accept-corner FL"):
        reconstruct(log, calibration, car)
    with pytest.raises(DataError, match="no corner 'RY' to accept"):
        reconstruct(log, calibration, car, accept_corner="RY")
    with pytest.raises(DataError, match="no corner 'RX' to accept"):
        reconstruct(log, calibration, car, accept_corner=["RX"])
    with (
        unwarned(),
        pytest.warns(DataWarning, match="calibration of corner FL: verification fai"),
        pytest.warns(DoubtWarning, match="FL: unusable calibration.*Pull FL again and calibrate"),
    ):
        found = reconstruct(log, calibration, car, accept_corner=["FL"])
    assert found["calibration_state"].sel(corner="FL") == "unusable"
    assert found["calibration_state"].sel(corner="RR") == "good"
    assert "verification failed" in found["calibration_doubt"].sel(corner="FL").item()
    lines = [line for line in forces_summary(found) if line.startswith("  calibration: ")]
    assert len(lines) == 1
    assert "FL is not to be used" in lines[0]


def test_a_calibration_without_verdicts_is_judged_when_it_is_used() -> None:
    log, car = day().conditioned.isel(elapsed_time=slice(600, 640)), day().car
    bare = {name: replace(c, verdict=None) for name, c in with_unusable().corners.items()}
    with pytest.raises(DataError, match="FL is not to be used"):
        reconstruct(log, replace(day().calibration, corners=bare), car)


def test_a_limited_corner_is_used_and_stated() -> None:
    log, car = day().conditioned.isel(elapsed_time=slice(600, 640)), day().car
    limited = replace(day().calibration.corners["FL"], verification=None, verdict=None)
    calibration = replace(day().calibration, corners={**day().calibration.corners, "FL": limited})
    with unwarned(), warnings.catch_warnings():
        found = reconstruct(log, calibration, car)
    words = found["calibration_verdict"].sel(corner="FL").item()
    assert found["calibration_state"].sel(corner="FL") == "limited"
    assert words.startswith("FL is good for these forces only: up to ")
    assert f"  calibration: {words}" in forces_summary(found)


def test_a_calibration_without_some_gauges_is_judged_anew() -> None:
    assert day().calibration.corners["FL"].without("FL_push_rod").verdict is None


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (0.4536, "if loads in lbf were written as kgf"),
        (2.205, "if loads in kgf were written as lbf"),
        (9.807, "if loads in kgf were written as N"),
        (4.448, "if loads in lbf were written as N"),
        (1000.0, "if loads in kN were written as N (1e+03), or indications in uV/V as mV/V"),
    ],
)
def test_loads_in_another_unit_are_named_as_such(factor: float, words: str) -> None:
    """Held-out pulls in the same unit agree, so that only the bridges show it."""
    corner = front_left()
    found = verdict(replace(corner, K=factor * corner.K))
    assert found.state == "unusable"
    assert words in found.words
    assert "or if tube, modulus or gauge factor of all bridges were wrong alike" in found.words
    assert len(found.doubts) == 1
    # Twin: half of what the bridges should is no pair of units, but a bridge mistaken throughout.
    assert "were written as" not in verdict(replace(corner, K=0.5 * corner.K)).words


@pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")
@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (1 / STANDARD_GRAVITY, r"9\.8 times the written strap load in .* loads in kgf .* as N "),
        (1 / POUND_FORCE, r"4\.4\d? times the written strap load in .* loads in lbf .* as N "),
        (1e-3, "times the written strap load in .* loads in kN .* as N .1e.03."),
        (0.5, None),
        (1.0, None),
    ],
)
def test_straps_in_another_unit_than_pads_are_named(factor: float, words: str | None) -> None:
    drawn, sheet = pulled("FL", 1)
    spoiled = rewritten(sheet, strap_load=factor * sheet.column("strap_load"))
    assembly = assembly_of(drawn.car, "FL")
    pulls = pulls_of(spoiled, drawn.car, assembly, "fit")
    found = verdict_of(front_left(), assembly, drawn.car, pulls)
    assert (found.state == "unusable") == (words is not None)
    if words is None:
        assert found.doubts == ()
        return
    assert re.search(words, found.words)
    assert "Correct the unit of strap_load" in found.words
    (corner,) = calibrate(spoiled, drawn.car).corners.values()
    assert re.search(words, corner.verdict.words)


@pytest.mark.filterwarnings("ignore::recon.base.errors.DataWarning")
@pytest.mark.parametrize("spoiled", [("FL", "FR"), ("FL", "FR", "RL", "RR")])
def test_an_accepted_corner_puts_no_blame_on_sound_ones(spoiled: tuple[str, ...]) -> None:
    """Forces twice as large contradict the car's mass; that says nothing about other gauges."""
    made = day().calibration.corners
    bad = {
        name: replace(failed(made[name]), K=0.5 * made[name].K, verdict=None) for name in spoiled
    }
    calibration = replace(day().calibration, corners={**made, **bad})
    with unwarned(), pytest.warns(DoubtWarning) as said:
        found = reconstruct(day().conditioned, calibration, day().car, accept_corner=spoiled)
    doubts = [str(one.message) for one in said if one.category is DoubtWarning]
    assert len(doubts) == len(spoiled)
    for name, doubt in zip(spoiled, doubts, strict=True):
        assert re.search(rf"{name}: unusable calibration\. .*\. Pull {name} again", doubt)
        assert f"tares and forces of {name} agree" in found.attrs["not_compared"]
    unseen = found["unseen_error"].isel(unseen=0, component=2)
    for corner in unseen["corner"].to_numpy():
        assert np.isnan(unseen.sel(corner=corner)) == (corner in spoiled)


@pytest.mark.filterwarnings("ignore::recon.base.errors.ReconWarning")
@pytest.mark.parametrize(
    ("unit", "size"), [("lbf", POUND_FORCE), ("kgf", STANDARD_GRAVITY), ("kN", 1e3)]
)
def test_all_loads_in_another_unit_are_said_once(unit: str, size: float) -> None:
    """No load is called mistyped then, and no verification failed: all that follows from it."""
    drawn, sheet = pulled("FL", 1)
    loads = {name: sheet.column(name) / size for name in ("strap_load", "pad_load")}
    spoiled = rewritten(sheet, **loads)
    (corner,) = calibrate(spoiled, drawn.car, verification=None).corners.values()
    (doubt,) = corner.verdict.doubts
    both = rf"times the written strap load in .* and .* times the written pad load .* in {unit} "
    assert re.search(both, doubt)
    assert "Correct the unit of strap_load and pad_load" in doubt
    assert corner.quality.gross == ()
    assert corner.verdict.words == f"FL is not to be used, because {doubt.rstrip('.')}"


def test_a_common_factor_of_all_loads_is_said_to_be_unknown_without_bridges() -> None:
    drawn, sheet = pulled("FL", 1)
    bare = without_slopes(drawn.car)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)
        (corner,) = calibrate(sheet, bare).corners.values()
    unknown = r"cannot be known here: a wrong unit or gain that all .* pads before the drive"
    assert re.search(rf"; {unknown}$", corner.verdict.words)
    assert "cannot be known" not in verdict(front_left()).words  # twin: bridges would show it
