"""Pictures of what gauges know: bars, words, footer and strip."""

import numpy as np
import pytest

from recon.planning.combinations import NOT_KNOWN
from recon.planning.observability import observe
from recon.report.car.knowledge import plot_knowledge
from tests.pictures import legend_of


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
    assert "now: 5 gauges; one gauge removed; one gauge added; 1000 N" in legend_of(figure)


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


def test_footer_names_forces_known_only_together(one_gauge):
    seen = observe(one_gauge, "RR")
    (together,) = seen.combinations
    footer = plot_knowledge(seen).texts[-1].get_text()
    assert together.words.replace("-", "−") in footer
    assert "now: 1 gauge;" in legend_of(plot_knowledge(seen))


def test_strip_shows_singular_values_rank_and_what_is_measured_worst(club_racer):
    seen = observe(club_racer, "RL", gauged=("upper_fore", "toe_link", "coil_over"))
    strip = plot_knowledge(seen).axes[0]
    np.testing.assert_allclose([p.get_width() for p in strip.patches], seen.singular_values)
    said = [t.get_text() for t in strip.texts]
    assert said[:3] == [f"{v:.2f}" for v in seen.singular_values[:3]]
    assert said[3:] == ["0, not measured"] * 3
    assert strip.get_title(loc="left") == f"response to 3 of 6 unknowns; weakest to:\n{seen.weak}"


def test_six_gauges_leave_none_to_add(club_racer):
    figure = plot_knowledge(observe(club_racer, "FL"))
    assert not any(row.startswith("with ") for row in rows_of(figure))
    assert "one gauge added" not in legend_of(figure)
    title = figure.texts[0].get_text()
    assert title.startswith("FL front left: standard uncertainty with 6 gauges: Fx 7.6 N")
