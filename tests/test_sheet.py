"""Files of pictures: resolution, replacing, and names that cannot be."""

import numpy as np
import pytest

from recon.base.errors import OutputError
from recon.report.answers.friction import plot_friction_plane
from recon.report.answers.slalom import plot_lateral_force
from recon.report.common.sheet import save_figure
from tests.made_forces import forces_of


def test_saved_picture_has_150_dots_per_inch_and_replaces_only_when_asked(tmp_path):
    from matplotlib.image import imread

    figure = plot_friction_plane(forces_of(("FL",)))
    target = tmp_path / "plane.png"
    save_figure(figure, target)
    expected = figure.get_size_inches() * 150
    np.testing.assert_allclose(imread(target).shape[1::-1], expected, atol=1)  # whole dots
    first = target.read_bytes()
    with pytest.raises(OutputError, match=r"plane\.png: this file already exists"):
        save_figure(plot_lateral_force(forces_of()), target)
    assert target.read_bytes() == first
    save_figure(plot_lateral_force(forces_of()), target, overwrite=True)
    assert target.read_bytes() != first
    assert [p.name for p in tmp_path.iterdir()] == ["plane.png"]


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("nowhere/plane.png", r"plane\.png: no folder .*nowhere"),
        ("plane.svg", r"plane\.svg: a name that ends '\.svg'; need .*\n.*plane\.png"),
    ],
)
def test_a_target_that_cannot_be_is_refused(tmp_path, name, message):
    with pytest.raises(OutputError, match=message):
        save_figure(plot_friction_plane(forces_of(("FL",))), tmp_path / name)
    assert not list(tmp_path.iterdir())
