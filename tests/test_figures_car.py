"""Pictures of a corner before anything is bonded: its loads, their change, what gauges know."""

import re

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from recon.base.errors import VehicleError
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import member_matrix, road_columns
from recon.planning.observability import observe
from recon.report.car.corner import plot_corner
from recon.report.car.knowledge import plot_knowledge
from recon.report.car.travel import plot_travel
from tests.pictures import labels_of, legend_of, lightness, require_legible
from tests.shipped_mechanisms import shipped
from tests.slow_repeats import some_quick

PLAN, SIDE, REAR, LOADS = range(4)
WRENCH = (800.0, -1500.0, 2500.0)


PICTURES = {
    "rocker": lambda r: plot_corner(r("club_racer"), "FL"),
    "coil-over": lambda r: plot_corner(r("club_racer"), "RL", wrench=WRENCH, travel=-0.05),
    "steered": lambda r: plot_corner(r("case_car"), "FL", wrench=WRENCH, rack=0.02),
    "right side": lambda r: plot_corner(r("case_car"), "RR"),
    "five gauges": lambda r: plot_corner(r("five_gauges"), "FL"),
    "no force": lambda r: plot_corner(r("one_gauge"), "RR", wrench=(0.0, 0.0, 0.0)),
    "travel": lambda r: plot_travel(r("case_car"), "FL"),
    "travel of five": lambda r: plot_travel(r("five_gauges"), "FL"),
    "travel of right side": lambda r: plot_travel(r("club_racer"), "RR"),
    "knowledge of six": lambda r: plot_knowledge(observe(r("club_racer"), "RL")),
    "knowledge of five": lambda r: plot_knowledge(observe(r("five_gauges"), "FL")),
    "knowledge of three": lambda r: plot_knowledge(
        observe(r("club_racer"), "RL", gauged=("upper_fore", "toe_link", "coil_over"))
    ),
    "knowledge of none": lambda r: plot_knowledge(observe(r("bare_corner"), "FL")),
    "knowledge of one": lambda r: plot_knowledge(observe(r("one_gauge"), "RR")),
    "strut": lambda _: plot_corner(shipped("strut"), "FL", rack=0.02),
    "arm with sections": lambda _: plot_corner(shipped("wishbone_spring_on_arm"), "RR"),
    "twist beam": lambda _: plot_corner(shipped("strut"), "RL"),
    "axle of tubes": lambda _: plot_corner(shipped("solid_axle_tubes"), "RR", wrench=WRENCH),
    "bar": lambda _: plot_corner(shipped("anti_roll_bar"), "FL", travel=0.03),
    "travel of sections": lambda _: plot_travel(shipped("wishbone_spring_on_arm"), "RL"),
    "travel of an axle": lambda _: plot_travel(shipped("solid_axle_tubes"), "RL"),
    "travel of a bar": lambda _: plot_travel(shipped("anti_roll_bar"), "FR"),
    "knowledge of an axle": lambda _: plot_knowledge(observe(shipped("solid_axle"), "RL")),
    "knowledge of tubes": lambda _: plot_knowledge(observe(shipped("solid_axle_tubes"), "RR")),
    "knowledge of little": lambda _: plot_knowledge(
        observe(shipped("strut"), "RL", gauged=("beam_twist", "RL.spring"))
    ),
}


# Each kind of drawing runs always, the fullest of them where there are several.
QUICK = (
    *("rocker", "coil-over", "no force", "arm with sections", "axle of tubes"),
    *("travel of five", "travel of sections", "knowledge of five", "knowledge of none"),
    *("knowledge of tubes", "knowledge of little"),
)


@pytest.fixture(scope="module", params=some_quick(PICTURES, *QUICK))
def picture(request):
    """Each picture in turn."""
    return PICTURES[request.param](request.getfixturevalue)


def test_words_are_inside_the_picture_apart_and_large_enough(picture):
    require_legible(picture)


def test_every_axis_has_a_unit_and_the_footer_says_axes_and_mode(picture):
    quantities = [name for name in labels_of(picture) if name != "combination of unknowns"]
    assert quantities
    for label in quantities:
        assert re.search(r"\[(N|N m|mm|N per kN|N m per kN|N per N)\]$", label), label
    footer = picture.texts[-1].get_text()
    for word in ("wheel rolling", "vehicle axes", "bandwidth"):
        assert word in footer


def lines_named(panel):
    """The lines of the supports by name."""
    return {k.get_label(): k for k in panel.lines if not k.get_label().startswith("_")}


def numbers_of(panel):
    """What the labels of two lines say: {name: N}."""
    pairs = [t.get_text().split("\n") for t in panel.texts if "\n" in t.get_text()]
    return {name: float(n.replace("−", "-").removesuffix(" N")) for name, n in pairs}


def loads_of(car, corner, wrench, travel=0.0, rack=0.0):
    """Loads of the members at the upright by name. [N]"""
    at = posed(assembly_of(car, corner), travel, rack)
    matrix = (member_matrix(at) @ road_columns(at, hub_passes_spin=False))[:, :3]
    names = [at.mechanism.supports[m] for m in at.mechanism.members]
    return dict(zip(names, matrix @ wrench, strict=True))


def test_every_view_and_the_bars_show_the_loads_of_the_members(any_corner):
    car, corner = any_corner
    expected = loads_of(car, corner.name, WRENCH, travel=0.03)
    figure = plot_corner(car, corner.name, wrench=WRENCH, travel=0.03)
    forces = dict(zip(("Fx", "Fy", "Fz"), WRENCH, strict=True))
    for panel, axes in zip(figure.axes[:3], ("xy", "xz", "yz"), strict=True):
        shown = numbers_of(panel)
        for name, load in expected.items():
            assert shown[name.replace("_", " ")] == pytest.approx(load, abs=0.5)  # whole newtons
        assert {k: v for k, v in shown.items() if k in forces} == {
            f"F{a}": forces[f"F{a}"] for a in axes
        }
    names = [t.get_text().split("\n")[0] for t in figure.axes[LOADS].get_yticklabels()]
    widths = dict(zip(names, (p.get_width() for p in figure.axes[LOADS].patches), strict=True))
    for name, load in expected.items():
        assert widths[name.replace("_", " ")] == pytest.approx(load)


def test_loads_along_the_drawn_lines_balance_the_force_at_the_contact(any_corner):
    """Another route than virtual work: the forces on the upright add up to nought."""
    car, corner = any_corner
    pose = {"travel": 0.04, "rack": 0.015 if corner.steered else 0.0}
    figure = plot_corner(car, corner.name, wrench=WRENCH, **pose)
    plan, side = (lines_named(figure.axes[k]) for k in (PLAN, SIDE))
    total = np.array(WRENCH)
    for name, load in loads_of(car, corner.name, WRENCH, **pose).items():
        ends = np.column_stack([*plan[name].get_data(), side[name].get_ydata()])
        along = ends[1] - ends[0]
        total = total + load * along / np.linalg.norm(along)
    # Loads up to 5 kN, directions exact to the pose's 1e-12 m.
    np.testing.assert_allclose(total, 0.0, atol=1e-6)


def test_gauged_members_are_solid_and_bare_ones_dashed(five_gauges):
    figure = plot_corner(five_gauges, "FL")
    for panel in figure.axes[:3]:
        styles = {name: line.get_linestyle() for name, line in lines_named(panel).items()}
        assert {name for name, style in styles.items() if style != "-"} == {"push_rod", "spring"}
    rows = [t.get_text() for t in figure.axes[LOADS].get_yticklabels()]
    assert "push rod\nno gauge" in rows
    assert "tie rod\nFL_tie_rod" in rows
    bars = dict(zip(rows, figure.axes[LOADS].patches, strict=True))
    assert bars["push rod\nno gauge"].get_linestyle() == "--"
    assert bars["tie rod\nFL_tie_rod"].get_linestyle() == "-"
    assert "dashed: no gauge" in legend_of(figure)


def test_tension_and_compression_differ_by_sign_shade_and_side(club_racer):
    figure = plot_corner(club_racer, "FL")
    lines, shown = lines_named(figure.axes[PLAN]), numbers_of(figure.axes[PLAN])
    loads = {name: shown[name.replace("_", " ")] for name in lines}
    assert min(loads.values()) < 0 < max(loads.values())
    assert len({lines[n].get_color() for n, load in loads.items() if load > 0}) == 1
    assert len({lines[n].get_color() for n, load in loads.items() if load < 0}) == 1
    dark, pale = (lightness(lines[pick(loads, key=loads.get)].get_color()) for pick in (max, min))
    assert pale - dark > 0.1  # of the way from black to white, as a grey print shows it
    by_load = sorted(loads, key=lambda n: abs(loads[n]))
    widths = [lines[n].get_linewidth() for n in by_load]
    assert widths == sorted(widths)
    assert widths[-1] > 2 * widths[0]
    assert "compression" in figure.axes[LOADS].get_xlabel()
    assert "compression −" in legend_of(figure)


def test_views_share_one_scale_and_look_the_same_way(case_car):
    figure = plot_corner(case_car, "RR", travel=0.02)
    FigureCanvasAgg(figure).draw()
    scales = []
    for panel in figure.axes[:3]:
        box = panel.get_window_extent()
        scales += [np.ptp(panel.get_xlim()) / box.width, np.ptp(panel.get_ylim()) / box.height]
        assert panel.xaxis.get_inverted()  # forward and left lie to the left
    np.testing.assert_allclose(scales, scales[0], rtol=1e-9)  # rounding
    assert figure.axes[PLAN].yaxis.get_inverted()  # seen from above with forward to the left
    assert not figure.axes[SIDE].yaxis.get_inverted()
    assert figure.axes[PLAN].get_xlim() == figure.axes[SIDE].get_xlim()


def arrows_of(panel):
    return np.array([np.subtract(t.xy, t.xyann) for t in panel.texts if t.get_text() == ""])


def test_arrows_are_as_long_as_the_forces_and_nought_has_none(club_racer):
    figure = plot_corner(club_racer, "RL", wrench=(-1000.0, 0.0, 2000.0))
    [[back, up_in_plan]] = arrows_of(figure.axes[PLAN])
    along, upright = arrows_of(figure.axes[SIDE])
    assert back < 0 == up_in_plan
    np.testing.assert_allclose(along, [back, 0.0])
    np.testing.assert_allclose(upright, [0.0, -2 * back])
    assert numbers_of(figure.axes[PLAN])["Fy"] == 0


def test_the_wheel_stands_on_the_ground_beneath_the_contact(club_racer):
    at = posed(assembly_of(club_racer, "FL"), 0.03)
    panel = plot_corner(club_racer, "FL", travel=0.03).axes[SIDE]
    ground = next(k for k in panel.lines if k.get_xdata()[0] == 0 and k.get_xdata()[1] == 1)
    np.testing.assert_allclose(ground.get_ydata(), 1000 * at.wheels[0].contact[2])
    wheel = panel.patches[0].get_xy()
    # Camber tips the drawn width of the tyre, 190 mm, by some 2 degrees: a few millimetres.
    np.testing.assert_allclose(wheel[:, 1].min(), 1000 * at.wheels[0].contact[2], atol=5.0)


def test_title_of_a_corner_states_force_and_largest_load(five_gauges):
    loads = loads_of(five_gauges, "FL", (0.0, 2000.0, 3000.0))
    title = plot_corner(five_gauges, "FL").texts[0].get_text()
    assert title == (
        "FL front left under Fx 0, Fy +2000, Fz +3000 N: largest load in lower front, "
        f"{loads['lower_front']:.0f} N tension"
    )
    footer = plot_corner(five_gauges, "FL", travel=-0.02, rack=0.01).texts[-1].get_text()
    assert "travel −20 mm (bump positive), rack +10 mm (left positive)" in footer


@pytest.mark.parametrize("plot", [plot_corner, plot_travel])
def test_a_corner_that_the_car_has_not_is_refused(plot, five_gauges, club_racer):
    with pytest.raises(VehicleError, match=r"club_racer\.toml: no corner 'FI'.*'F[LR]' \(did you"):
        plot(club_racer, "FI")
    with pytest.raises(VehicleError, match=r"no corner 'RR'; need one of FL\."):
        plot(five_gauges, "RR")


def curves_of(panel):
    """Curves over travel, without the lines at nought and the marks beside the names."""
    return [k for k in panel.lines if len(k.get_xdata()) > 2]


def test_curves_over_travel_are_the_loads_per_kilonewton(any_corner):
    car, corner = any_corner
    figure = plot_travel(car, corner.name)
    assert len(figure.axes) == 3
    for k, panel in enumerate(figure.axes):
        curves = curves_of(panel)
        for travel, sample in zip((*corner.travel_range, 0.0), (0, -1, 20), strict=True):
            loads = loads_of(car, corner.name, 1000.0 * np.eye(3)[k], travel=travel)
            np.testing.assert_allclose(curves[0].get_xdata()[sample], 1000 * travel, atol=1e-9)
            shown = [curve.get_ydata()[sample] for curve in curves]
            # Newton's method ends at 1e-12 m, of arms of some 0.1 m.
            np.testing.assert_allclose(shown, list(loads.values()), rtol=1e-7, atol=1e-6)
        assert [t.get_text() for t in panel.texts] == [n.replace("_", " ") for n in loads]
        change = [np.ptp(c.get_ydata()) for c in curves]
        most = list(loads)[int(np.argmax(change))].replace("_", " ")
        title = panel.get_title(loc="left")
        assert f"largest change in {most},\n{max(change):.0f} N per kN" in title


def test_curves_differ_by_marker_and_bare_members_are_dashed(five_gauges, club_racer):
    figure = plot_travel(five_gauges, "FL")
    for panel in figure.axes:
        curves = curves_of(panel)
        assert len({c.get_marker() for c in curves}) == len(curves) == 6
        assert [c.get_linestyle() for c in curves] == ["-"] * 5 + ["--"]
        # The mark beside a name is that of its curve.
        marks = [k for k in panel.lines if len(k.get_xdata()) == 1]
        assert [m.get_marker() for m in marks] == [c.get_marker() for c in curves]
    assert legend_of(figure) == "solid: gauged; dashed: no gauge"
    assert legend_of(plot_travel(club_racer, "FL")) == "solid: gauged"


def test_settings_of_the_plot_library_stay_untouched(request):
    before = dict(matplotlib.rcParams)
    for name in ("rocker", "travel", "knowledge of five"):
        PICTURES[name](request.getfixturevalue)
    assert dict(matplotlib.rcParams) == before
