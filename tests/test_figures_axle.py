"""Pictures of axles and of sections: both wheels, moments in their own unit, what is left out."""

import re
from dataclasses import replace

import numpy as np
import pytest

from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import load_matrix, road_columns, section_matrix
from recon.planning.observability import observe
from recon.report.car.corner import plot_corner
from recon.report.car.knowledge import plot_knowledge
from recon.report.car.travel import plot_travel
from tests.shipped_mechanisms import shipped

PLAN, SIDE, REAR, LOADS, MOMENTS = range(5)
WRENCH = (800.0, -1500.0, 2500.0)


def values_of(car, corner, wrench, **pose):
    """Loads of all rows and sections by name where the force acts at that corner alone."""
    at = posed(assembly_of(car, corner), pose.get("travel", 0.0), pose.get("rack", 0.0))
    k = 6 * [w.corner for w in at.mechanism.wheels].index(corner)
    road = road_columns(at, hub_passes_spin=False)[:, k : k + 3] @ wrench
    values = np.concatenate([load_matrix(at) @ road, section_matrix(at) @ road])
    return dict(zip(at.mechanism.row_names, values, strict=True))


def bars_of(panel):
    """Width of each bar by the second line of its name."""
    rows = [t.get_text().split("\n")[1] for t in panel.get_yticklabels()]
    return dict(zip(rows, (p.get_width() for p in panel.patches), strict=True))


def words_in(panel):
    return [t.get_text() for t in panel.texts]


@pytest.mark.parametrize("corner", ["RL", "RR"])
def test_an_axle_is_drawn_whole_and_loaded_at_one_wheel(corner):
    car = shipped("solid_axle_tubes")
    figure = plot_corner(car, corner, wrench=WRENCH, travel=0.02)
    expected = values_of(car, corner, WRENCH, travel=0.02)
    rear = figure.axes[REAR]
    hubs = [k.get_xdata()[0] for k in rear.lines if k.get_marker() == "+"]
    np.testing.assert_allclose(sorted(hubs), [-720, 720], atol=5)  # of the file, a little roll
    for name in ("RL.lower_link", "RR.lower_link", "cross_link"):
        words = name.replace("_", " ").replace(".", " ")
        (said,) = (t for t in words_in(rear) if t.startswith(f"{words}\n"))
        number = said.split("\n")[1].replace("−", "-").removesuffix(" N")
        assert float(number) == pytest.approx(expected[name], abs=0.5)  # whole newtons
    title = figure.texts[0].get_text()
    assert title.startswith(
        f"axle rear under Fx +800, Fy −1500, Fz +2500 N at {corner}: largest load in"
    )
    assert f"force of the road on the tyre at {corner} alone" in figure.texts[-1].get_text()


@pytest.mark.parametrize(("corner", "other"), [("RL", "RR"), ("RR", "RL")])
def test_the_side_view_of_an_axle_shows_the_half_that_is_loaded(corner, other):
    side = plot_corner(shipped("solid_axle"), corner).axes[SIDE]
    drawn = {k.get_label() for k in side.lines if not k.get_label().startswith("_")}
    assert {f"{corner}.spring", f"{corner}.lower_link", "cross_link"} <= drawn
    assert not any(name.startswith(other) for name in drawn)
    assert not any(words.startswith(other) for words in words_in(side))
    assert side.get_title(loc="left").endswith(f"the half of {corner}")


def test_moments_stand_apart_in_their_unit():
    car = shipped("strut")
    figure = plot_corner(car, "RL", wrench=WRENCH)
    expected = values_of(car, "RL", WRENCH)
    assert figure.axes[MOMENTS].get_xlabel() == "moment [N m]"
    assert figure.axes[LOADS].get_xlabel().endswith("[N]")
    forces, moments = bars_of(figure.axes[LOADS]), bars_of(figure.axes[MOMENTS])
    assert forces["RL_arm_axial"] == pytest.approx(expected["RL.arm:RL_arm_axial"])
    for name in ("torsion", "upright_near", "level_far"):
        assert moments[f"RL_arm_{name}"] == pytest.approx(expected[f"RL.arm:RL_arm_{name}"])
    assert moments["no gauge"] == pytest.approx(expected["beam_twist"])
    assert len(moments) == 11
    assert any(words.endswith(" N m") for words in words_in(figure.axes[MOMENTS]))


def test_sections_are_bars_across_the_body_at_their_stations():
    """The tubes run along y: seen from above and behind, the bars stand across it."""
    figure = plot_corner(shipped("solid_axle_tubes"), "RL")
    for view in (PLAN, REAR):
        panel = figure.axes[view]
        bars = [np.array(k.get_data()) for k in panel.lines if k.get_path_effects()]
        assert len(bars) == 4
        along = 1 if view == PLAN else 0
        for bar in bars:
            np.testing.assert_allclose(np.ptp(bar[along]), 0, atol=1e-9)
            assert np.ptp(bar[1 - along]) > 40
        stations = sorted(float(bar[along].mean()) for bar in bars)
        np.testing.assert_allclose(stations, [-640, -560, 560, 640])
        assert {f"section {letter}" for letter in "ABCD"} <= set(words_in(panel))
    legend = [t.get_text() for t in figure.legends[0].get_texts()]
    assert "gauged section of a body" in legend


@pytest.mark.parametrize(
    ("file", "corner", "words"),
    [
        ("strut", "FL", {"sliding direction"}),
        ("strut", "RL", {"pivot axis", "torsion axis"}),
        ("club_racer", "RL", set()),
    ],
)
def test_the_legend_names_the_joints_that_are_there(file, corner, words):
    legend = plot_corner(shipped(file), corner).legends[0]
    kinds = ("pivot", "sliding", "torsion")
    assert {t.get_text() for t in legend.get_texts() if t.get_text().startswith(kinds)} == words


def test_a_split_that_is_not_stated_is_reported_as_not_known():
    car = shipped("solid_axle")
    bare = {
        name: replace(c, supports=tuple(replace(s, compliance=np.nan) if s.kind == "link" else s
                                        for s in c.supports))
        for name, c in car.corners.items()
    }  # fmt: skip
    rear = car.axles["rear"]
    links = tuple(replace(s, compliance=np.nan) for s in rear.supports)
    open_ = replace(car, corners=bare, axles={"rear": replace(rear, supports=links)})
    figure = plot_corner(open_, "RL")
    assert "RL upper link\nsplit not known" in words_in(figure.axes[PLAN])
    assert "split not known" in words_in(figure.axes[LOADS])


def test_curves_of_a_split_that_nobody_stated_are_left_out_by_name():
    car = shipped("anti_roll_bar")
    front = car.axles["front"]
    soft = tuple(replace(s, compliance=np.nan) for s in front.supports)
    figure = plot_travel(replace(car, axles={"front": replace(front, supports=soft)}), "FL")
    vertical = figure.axes[2]
    assert "FL coil over (not known)" in words_in(vertical)
    assert vertical.get_title(loc="left").startswith("per kN of Fz FL: ")
    assert "nan" not in " ".join(p.get_title(loc="left") for p in figure.axes)


def test_panels_without_any_curve_still_span_the_travel():
    car = shipped("anti_roll_bar")
    front = car.axles["front"]
    soft = tuple(replace(s, compliance=np.nan) for s in front.supports)
    corners = {
        n: replace(c, supports=tuple(replace(s, compliance=np.nan) for s in c.supports))
        for n, c in car.corners.items()
    }
    open_ = replace(car, corners=corners, axles={"front": replace(front, supports=soft)})
    figure = plot_travel(open_, "FL")
    bare = [p for p in figure.axes if "split between" in p.get_title(loc="left")]
    assert bare
    for panel in bare:
        assert panel.get_xlim() == pytest.approx((-55.0, 55.0))


def test_loads_that_are_written_as_nought_are_neither_tension_nor_compression():
    figure = plot_corner(shipped("anti_roll_bar"), "FL", wrench=(0.0, 0.0, 0.1))
    bars = figure.axes[LOADS].patches
    assert min(p.get_width() for p in bars) < 0 < max(p.get_width() for p in bars)
    assert len({p.get_edgecolor() for p in bars}) == 1
    assert figure.texts[0].get_text().endswith("N at FL")  # no largest load is named


def curves_of(panel):
    return [k for k in panel.lines if len(k.get_xdata()) > 2]


def test_travel_of_an_axle_is_that_of_both_wheels_and_of_one_alone():
    car = shipped("solid_axle")
    figure = plot_travel(car, "RR")
    assert len(figure.axes) == 6
    together, alone = figure.axes[2], figure.axes[5]  # per kN of Fz
    assert together.get_xlabel() == "travel of both wheels, bump positive [mm]"
    assert alone.get_xlabel() == "travel of RR alone, RL at 0, bump positive [mm]"
    names = [t.get_text() for t in together.texts]
    assert "cross link" in names  # gauged, though no member
    k = names.index("RL lower link")
    for panel, partner in ((together, 0.055), (alone, 0.0)):
        at = posed(assembly_of(car, "RR"), np.array([partner, 0.055]))
        load = load_matrix(at) @ road_columns(at, hub_passes_spin=False)[:, 8]
        row = at.mechanism.row_names.index("RL.lower_link")
        assert curves_of(panel)[k].get_ydata()[-1] == pytest.approx(1000 * load[row], rel=1e-6)
        middle = curves_of(panel)[k].get_ydata()[20]
        assert middle == pytest.approx(values_of(car, "RR", (0, 0, 1000.0))["RL.lower_link"])


def test_travel_shows_moments_beneath_forces():
    figure = plot_travel(shipped("wishbone_spring_on_arm"), "RL")
    units = [re.search(r"\[(.*)\]", panel.get_ylabel())[1] for panel in figure.axes]
    assert units == ["N per kN"] * 3 + ["N m per kN"] * 3
    assert [len(curves_of(panel)) for panel in figure.axes] == [1] * 3 + [5] * 3


def test_knowledge_of_an_axle_has_six_forces():
    seen = observe(shipped("solid_axle"), "RR")
    figure = plot_knowledge(seen)
    assert len(figure.axes) == 7
    heads = [panel.get_title(loc="left").split(":")[0] for panel in figure.axes[1:]]
    assert heads == ["Fx RL", "Fy RL", "Fz RL", "Fx RR", "Fy RR", "Fz RR"]
    for k, panel in enumerate(figure.axes[1:]):
        shown = [p.get_width() for p in panel.patches]
        assert shown[0] == pytest.approx(min(seen.u[k], 3000.0))
        assert len(shown) == 1 + len(seen.without)
    rows = [t.get_text() for t in figure.axes[4].get_yticklabels()]
    assert rows[-1] == "without cross link"
    assert figure.texts[0].get_text() == "axle rear: Fy RL, Fy RR not known"
    assert "lateral force of RL and RR only as a sum" in figure.texts[-1].get_text()
