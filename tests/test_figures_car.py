"""Pictures of a corner before anything is bonded: its loads, their change, what gauges know."""

import re
import subprocess
import sys
import warnings
from dataclasses import replace
from itertools import combinations

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from recon.base.errors import VehicleError
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import posed
from recon.mechanics.statics import member_matrix, road_columns
from recon.planning.combinations import NOT_KNOWN
from recon.planning.observability import observe
from recon.report.corner import plot_corner
from recon.report.knowledge import plot_knowledge
from recon.report.travel import plot_travel
from tests.shipped_mechanisms import shipped

PLAN, SIDE, REAR, LOADS = range(4)
WRENCH = (800.0, -1500.0, 2500.0)


def keeping(car, corner, members):
    """The car with that corner alone, gauges only on `members`."""
    one = car.corners[corner]
    kept = tuple(g for g in one.gauges if g.on in members)
    return replace(car, corners={corner: replace(one, gauges=kept)})


@pytest.fixture(scope="module")
def five_gauges(club_racer):
    """Front left corner alone, its push rod without a gauge."""
    bare = {"push_rod"}
    return keeping(club_racer, "FL", {g.on for g in club_racer.corners["FL"].gauges} - bare)


@pytest.fixture(scope="module")
def one_gauge(case_car):
    """Rear right corner alone with a single gauge."""
    return keeping(case_car, "RR", {"push_rod"})


@pytest.fixture(scope="module")
def bare_corner(club_racer):
    """Front left corner alone, nothing bonded yet."""
    return keeping(club_racer, "FL", ())


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


@pytest.fixture(scope="module", params=PICTURES)
def picture(request):
    """Each picture in turn, drawn without a warning of the plot library."""
    figure = PICTURES[request.param](request.getfixturevalue)
    with warnings.catch_warnings(action="error"):
        FigureCanvasAgg(figure).draw()
    return figure


def words_of(figure):
    """Every text that is seen."""
    seen = [*figure.texts, *figure.legends[0].get_texts()]
    for panel in figure.axes:
        seen += [panel._left_title, panel.xaxis.label, panel.yaxis.label, *panel.texts]
        for axis, limits in ((panel.xaxis, panel.get_xlim()), (panel.yaxis, panel.get_ylim())):
            ticks = [t for t in axis.get_major_ticks() if min(limits) <= t.get_loc() <= max(limits)]
            seen += [t.label1 for t in ticks]
    return [t for t in seen if t.get_text().strip()]


def legend_of(figure):
    return "; ".join(t.get_text() for t in figure.legends[0].get_texts())


def test_words_are_inside_the_picture_apart_and_large_enough(picture):
    words = words_of(picture)
    assert min(t.get_fontsize() for t in words) >= 8
    width, height = picture.bbox.size
    # Of an annotation the words only, without the line that leads to its point.
    boxes = [(t.get_text(), Text.get_window_extent(t)) for t in words]
    for text, box in boxes:
        assert box.x0 >= 0, text
        assert box.y0 >= 0, text
        assert box.x1 <= width, text
        assert box.y1 <= height, text
    for (one, a), (other, b) in combinations(boxes, 2):
        # One dot: text boxes carry a margin of their own beyond the ink.
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        along = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across <= 1 or along <= 1, (one, other)


def test_every_axis_has_a_unit_and_the_footer_says_axes_and_mode(picture):
    labels = [a.get_xlabel() for a in picture.axes] + [a.get_ylabel() for a in picture.axes]
    quantities = [label for label in labels if label not in {"", "combination of unknowns"}]
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
    dark, pale = (
        np.dot(to_rgb(lines[pick(loads, key=loads.get)].get_color()), [0.2126, 0.7152, 0.0722])
        for pick in (max, min)
    )
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
        "FL front left under Fx 0, Fy +2000, Fz +3000 N: most in lower front, "
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
        assert f"most change in {most},\n{max(change):.0f} N per kN" in panel.get_title(loc="left")


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


def rows_of(figure):
    return [t.get_text() for t in figure.axes[1].get_yticklabels()]


def test_knowledge_shows_now_without_each_and_with_each_further(five_gauges):
    seen = observe(five_gauges, "FL", noise=12.0)
    figure = plot_knowledge(seen)
    rows = rows_of(figure)
    assert rows[0] == "now"
    assert rows[1:6] == [f"without {m.replace('_', ' ')}" for m in seen.without]
    assert rows[6:] == ["with push rod"]
    expected = np.array([seen.u, *seen.without.values(), *seen.with_.values()])
    for k, panel in enumerate(figure.axes[1:]):
        bars = [p.get_width() for p in panel.patches]
        np.testing.assert_allclose(bars, np.minimum(expected[:, k], 3 * NOT_KNOWN))
        assert panel.get_xscale() == "log"
        assert panel.get_xlabel() == f"standard uncertainty of F{'xyz'[k]} [N]"
        assert len({(p.get_hatch(), p.get_facecolor()) for p in panel.patches}) == 3
        said = [t.get_text() for t in panel.texts]
        for words, u in zip(said, expected[:, k], strict=True):
            if u > NOT_KNOWN:
                assert words == "not known"
            else:
                # Two digits below 10 N, whole newtons above.
                assert float(words.removesuffix(" N")) == pytest.approx(u, abs=0.5, rel=0.05)
    assert "noise 12 N" in figure.texts[-1].get_text()
    assert "now: 5 gauges; without one of them; with one more; 1000 N" in legend_of(figure)


def test_what_is_not_known_is_said_in_words_with_its_cure(club_racer):
    seen = observe(club_racer, "FL", gauged=("upper_front", "upper_rear", "tie_rod"))
    figure = plot_knowledge(seen)
    lost = ", ".join(force.name for force in seen.lost)
    title = figure.texts[0].get_text()
    assert title == f"FL front left: {lost} not known; cheapest cure: gauge push rod"
    vertical = figure.axes[3]
    assert vertical.get_title(loc="left") == "Fz: now not known"
    assert vertical.texts[0].get_text() == "not known"
    cured = rows_of(figure).index("with push rod")
    assert vertical.texts[cured].get_text().endswith(" N")
    limit = next(k for k in vertical.lines if k.get_xdata()[0] == NOT_KNOWN)
    assert limit.get_linestyle() == "--"
    # Bars of what is not known end in the panel, left of the words.
    right = vertical.transData.inverted().transform(vertical.transAxes.transform((0.99, 0)))[0]
    assert max(p.get_width() for p in vertical.patches) == 3 * NOT_KNOWN < right


def test_forces_known_only_together_are_told_in_the_footer(one_gauge):
    seen = observe(one_gauge, "RR")
    (together,) = seen.combinations
    footer = plot_knowledge(seen).texts[-1].get_text()
    assert together.words.replace("-", "−") in footer
    assert "now: 1 gauge;" in legend_of(plot_knowledge(seen))


def test_strip_shows_singular_values_rank_and_what_is_seen_least(club_racer):
    seen = observe(club_racer, "RL", gauged=("upper_fore", "toe_link", "coil_over"))
    strip = plot_knowledge(seen).axes[0]
    np.testing.assert_allclose([p.get_width() for p in strip.patches], seen.singular_values)
    said = [t.get_text() for t in strip.texts]
    assert said[:3] == [f"{v:.2f}" for v in seen.singular_values[:3]]
    assert said[3:] == ["0, not seen"] * 3
    assert strip.get_title(loc="left") == f"rank 3 of 6; seen least:\n{seen.weak}"


def test_six_gauges_leave_none_to_add(club_racer):
    figure = plot_knowledge(observe(club_racer, "FL"))
    assert not any(row.startswith("with ") for row in rows_of(figure))
    assert "with one more" not in legend_of(figure)
    assert figure.texts[0].get_text().startswith("FL front left: 6 gauges know Fx to 7.6 N")


def test_no_plot_library_is_loaded_until_a_picture_is_wanted():
    code = (
        "import sys, recon.report.corner, recon.report.knowledge; "
        "print(sorted({'matplotlib', 'xarray', 'pandas', 'scipy'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_settings_of_the_plot_library_stay_untouched(request):
    before = dict(matplotlib.rcParams)
    for name in ("rocker", "travel", "knowledge of five"):
        PICTURES[name](request.getfixturevalue)
    assert dict(matplotlib.rcParams) == before
