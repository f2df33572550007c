"""Friction use as a share of a stated coefficient or of an envelope."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from recon.analysis.friction import friction_use
from recon.analysis.grip import grip
from recon.answering import answered
from recon.answers import BY_NAME
from recon.base.errors import DataError
from recon.records.results import read_result, write_result
from recon.report.answers.friction import friction_summary, plot_friction_plane
from tests.days import day
from tests.made_tyres import Three, driven, made, steady


def test_use_of_a_stated_coefficient() -> None:
    found = friction_use(made(steady(3000.0, 4000.0, 5000.0)), coefficient=1.25)
    assert_allclose(found["friction_use"], 0.8, rtol=1e-9)  # 5000 of 1.25 * 5000
    assert "reached 80 +-0 % of 1.25 Fz" in "\n".join(friction_summary(found))


def test_use_of_an_ellipse_of_two_coefficients() -> None:
    """sqrt(0.5^2 + 0.75^2) = 0.901388, exact."""
    forces = made(steady(2400.0, 3000.0, 4000.0))
    found = friction_use(forces, coefficient=1.2, lateral_coefficient=1.0)
    assert_allclose(found["friction_use"], 0.901388, rtol=1e-6)
    turned = friction_use(forces, coefficient=1.0, lateral_coefficient=1.2)
    assert not np.allclose(turned["friction_use"], 0.901388, rtol=1e-3)  # twin


@pytest.mark.parametrize("u", [(30, 0, 0), (0, 30, 0), (0, 0, 40), (20, 30, 40)])
def test_uncertainty_in_an_ellipse_against_monte_carlo(u: Three) -> None:
    forces = made(steady(), u=u)
    found = friction_use(forces, coefficient=1.3, lateral_coefficient=0.9)
    rng = np.random.default_rng(17)
    x, y, z = (steady()[0] + np.array(u) * rng.standard_normal((200_000, 3))).T
    spread = np.std(np.hypot(x / (1.3 * z), y / (0.9 * z)))
    # As for the plain ratio: first order and 200 000 draws.
    assert_allclose(found["u_friction_use"], spread, rtol=0.01)


def test_use_of_an_envelope_of_another_drive() -> None:
    """A drive with 71 % of the force reaches 71 % of the envelope, whatever the load."""
    envelope = grip(driven(0, "a weave", noise=0.005))
    soft = driven(1, "a weave", most=0.71, noise=0.005)
    found = friction_use(soft, envelope=envelope)
    highest = float(found["highest_demonstrated_use"][0])
    # The envelope leaves 2.5 % of the samples above, the highest use 1 %: a sine differs by 0.1 %.
    assert highest == pytest.approx(0.71, abs=0.015)
    words = "\n".join(friction_summary(found))
    assert "of its demonstrated envelope" in words
    assert "either spare grip or this drive never worked it" in words
    title = plot_friction_plane(soft, found).texts[0].get_text()
    assert "FL reached" in title


def test_use_of_the_own_envelope_reaches_it() -> None:
    found = friction_use(driven(2, "a weave", noise=0.005), envelope="own")
    assert float(found["highest_demonstrated_use"][0]) == pytest.approx(1.0, abs=0.02)
    assert "spare grip" not in "\n".join(friction_summary(found))


def test_the_uncertainty_of_an_envelope_is_part_of_that_of_use() -> None:
    envelope = grip(driven(0, "a weave", noise=0.005))
    wide = envelope.copy(deep=True)
    wide["u_demonstrated_force"].values[:] = 0.05 * wide["demonstrated_force"].values
    forces = driven(1, "a weave", noise=0.005)
    near, far = (friction_use(forces, envelope=e) for e in (envelope, wide))
    use = far["friction_use"].to_numpy()
    added = far["u_friction_use"].to_numpy() ** 2 - near["u_friction_use"].to_numpy() ** 2
    known = np.isfinite(use)
    own = float((envelope["u_demonstrated_force"] / envelope["demonstrated_force"]).median())
    assert_allclose(added[known], (0.05**2 - own**2) * use[known] ** 2, rtol=0.05)


def test_directions_without_an_envelope_are_not_known() -> None:
    envelope = grip(driven(0, "a weave", noise=0.005))  # left turns only
    forces = driven(1, "a weave", noise=0.005)
    forces["tyre_force"].values[::2, 0, 1] *= -1.0
    use = friction_use(forces, envelope=envelope)["friction_use"].to_numpy()[:, 0]
    right = forces["tyre_force"].to_numpy()[:, 0, 1] < 0
    assert np.isnan(use[right]).all()
    assert np.isfinite(use[~right]).any()


@pytest.mark.parametrize("value", [0.0, -1.0, np.inf])
@pytest.mark.parametrize("name", ["coefficient", "lateral_coefficient"])
def test_a_coefficient_that_is_none_is_refused(name: str, value: float) -> None:
    with pytest.raises(DataError, match=f"{name} = {value:g} N per N; need a number above zero"):
        friction_use(made(steady()), **{name: value})


def test_a_coefficient_beside_an_envelope_is_refused() -> None:
    with pytest.raises(DataError, match=r"coefficient = 1\.2 N per N and an envelope"):
        friction_use(made(steady()), coefficient=1.2, envelope="own")


def test_an_envelope_that_is_none_is_refused() -> None:
    forces = made(steady())
    with pytest.raises(DataError, match="envelope 'mine'"):
        friction_use(forces, envelope="mine")
    with pytest.raises(DataError, match="envelope 'Friction use: made up' of no tyre"):
        friction_use(forces, envelope=friction_use(forces))


def test_the_command_reads_the_envelope_of_a_file(tmp_path: Path) -> None:
    forces = write_result(day().forces, tmp_path / "forces.nc")
    made_up = grip(day().forces)
    envelope = write_result(made_up, tmp_path / "grip.nc")
    answered(BY_NAME["friction"], forces, envelope=str(envelope), out=tmp_path / "other")
    answered(BY_NAME["friction"], forces, envelope="own", out=tmp_path / "own")
    results = [read_result(tmp_path / name / "friction.nc") for name in ("other", "own")]
    assert [r.attrs["reference"] for r in results] == [
        "its demonstrated envelope",
        "its own demonstrated envelope",
    ]
    use = [r["friction_use"].to_numpy() for r in results]
    assert_allclose(use[0], use[1], rtol=1e-6)  # the same envelope, once read back
