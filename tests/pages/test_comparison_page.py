"""The page of a comparison: numbers and verdicts of the file, bands, links, names, print, keys."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import recon
from recon.analysis.comparison import compared
from recon.base.errors import DataError
from recon.evaluation.runs.course import PLACES
from recon.evaluation.runs.metrics import SHARES
from recon.report.comparison.comparison_summary import finding
from tests.pages.browser import Opened, opened
from tests.pages.test_page import CLIPPED, HOSTILE
from tests.run_days import BLOCKED, measured, run_list

METRICS = ("front_lateral_force", "cornering_force", "use_difference", "braking_force")
MEANS = np.array([3300.0, 1.1, 0.02, 0.8])
COLUMNS = {"tyre_temperature": 60 + 0.5 * np.arange(12), "driver": ["Kim"] * 12}
ARMS = ["nothing gauged" if letter == "A" else "gauged link" for letter in BLOCKED]
LENGTHS = (60.0, 20.0)  # m, of two corners


def comparison(effect: float = 0.04, **columns: Any) -> xr.Dataset:
    """Twelve runs in three blocks, with two corners that all of them went through."""
    rng = np.random.default_rng(7)
    second = np.array([letter == "B" for letter in BLOCKED])[:, None]
    noise = rng.normal(0, [0.006, 0.01, 0.2, 0.02], (12, 4))
    values = MEANS * (1 + effect * second * np.array([1, 0.8, 0, 0.6]) + noise)
    margin = columns.pop("margin", "2%")
    found = compared(
        run_list(**columns), measured(values, effect=(0.01, 0.0, 0.0, 0.0)), METRICS, margin=margin
    )
    shape = np.sin(np.pi * PLACES)
    course = values[:, 0, None, None] * np.stack([shape, 0.5 * shape])
    course[:, 1, :20] = np.nan  # outside of the gate
    arrays = {
        "course": (("run", "section", "place"), course),
        "course_length": (("run", "section"), np.outer(1 + rng.normal(0, 0.01, 12), LENGTHS)),
        "section": ["corner 1 (left)", "corner 2 (right)"],
        "profile": (("run", "share"), values[:, :1] * (0.5 + 0.5 * SHARES)),
        "share": SHARES,
    }
    given = {"course_along": "distance", "not_given": "launch_impulse: no launch in the run"}
    return found.assign(arrays).assign_attrs(given)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a comparison that found something."""
    folder = tmp_path_factory.mktemp("comparison")
    return recon.page(comparison(**COLUMNS)).write(folder / "comparison.html")


@pytest.fixture
def shown(started: Any, written: Path) -> Iterator[Opened]:
    """The page, freshly opened."""
    with opened(started, written) as one:
        yield one


def heights(one: Opened) -> tuple[list[float], list[float]]:
    """Heights in the picture: the dot of every run, and both ends of the effect [px]."""
    dots = one.ask("""() => [...Array(12).keys()]
        .map((n) => +document.querySelector(`#dot-${n + 1} .ring`).getAttribute('cy'))""")
    ends = one.ask("""() => { const line = document.querySelector('#runs-picture line.effect');
        return ['y1', 'y2'].map((name) => +line.getAttribute(name)); }""")
    return dots, ends


def test_verdict_runs_and_effect_are_those_of_the_file(shown: Opened, written: Path) -> None:
    answer = comparison(**COLUMNS)
    assert shown.said == []
    assert shown.requests == [written.as_uri()]
    first = shown.text("#sentences p").replace("\u00a0", " ")
    assert first == finding(answer).replace("+-", "± ") + " (6 + 6 runs)."
    dots, ends = heights(shown)
    values = answer["value"].to_numpy()[:, 0]
    per_px, at_zero = np.polyfit(dots, values, 1)
    np.testing.assert_allclose(per_px * np.array(dots) + at_zero, values, rtol=1e-6)
    low, high = (
        float(answer["mean"][0, 0] + answer[f"effect_{end}"][0]) for end in ("lower", "upper")
    )
    np.testing.assert_allclose(per_px * np.array(ends) + at_zero, (low, high), rtol=1e-6)
    rows = shown.page.locator("#run-table tbody tr").all_text_contents()
    for row, value, u in zip(rows, values, answer["u_value"].to_numpy()[:, 0], strict=True):
        assert f"{value:.0f} ±\u00a0{1.96 * u:.0f} N" in row
    assert "tyres" not in shown.text("#run-table thead")  # nobody filled that column in
    assert "Kim" in rows[0]


def test_every_metric_has_its_row_and_whatever_is_not_claimed_its_reason(shown: Opened) -> None:
    rows = shown.page.locator("#effects-table tbody tr").all_text_contents()
    assert len(rows) == len(METRICS)
    open_ones = shown.text("#open-list").replace("\u00a0", " ")
    for row in rows:
        name = next(m.replace("_", " ") for m in METRICS if row.startswith(m.replace("_", " ")))
        assert ("not resolved" in row) == (f"{name.capitalize()} " in open_ones), row
    assert "Use difference " in open_ones
    assert "Launch impulse: not given, no launch in the run." in open_ones


def test_a_dot_and_its_row_lead_to_each_other_by_keys(shown: Opened) -> None:
    shown.page.focus("#dot-3")
    assert "Run 3, B, block 1" in shown.page.get_attribute("#dot-3", "aria-label")
    shown.page.keyboard.press("Enter")
    assert shown.ask("() => document.querySelector('tr:target').id") == "run-3"
    shown.page.keyboard.press("Tab")  # on from the row that was reached
    assert shown.ask("() => document.activeElement.getAttribute('href')") == "#dot-3"
    shown.page.keyboard.press("Enter")
    assert shown.ask("() => document.querySelector('a:target').id") == "dot-3"


def test_bands_hold_all_runs_of_a_set_up_and_are_read_by_keys(shown: Opened) -> None:
    data = shown.ask("() => JSON.parse(document.getElementById('data').textContent).spread")
    answer = comparison()
    assert [one["name"] for one in data] == [*answer["section"].to_numpy(), "all samples, sorted"]
    second = answer["run_set_up"].to_numpy() == "B"
    place, shortest = 50, float(answer["course_length"][:, 0].min())
    assert data[0]["places"][place] == pytest.approx(0.5 * shortest, rel=1e-4)
    length = answer["course_length"].to_numpy()[:, 0]
    values = answer["value"].to_numpy()[:, 0] * np.sin(np.pi * 0.5 * shortest / length)
    for own, side in ((values[~second], 0), (values[second], 1)):
        drawn = [row[place] for row in data[0]["bands"][side]]
        np.testing.assert_allclose(drawn, (own.min(), np.median(own), own.max()), rtol=1e-3)
    assert data[1]["bands"][0][1][10] is None  # outside of the gate
    ranges = shown.page.locator("#spread-list input")
    ranges.first.focus()
    shown.page.keyboard.press("ArrowRight")
    middle = data[0]["bands"][1][1][place + 1]
    assert f"B {float(f'{middle:.4g}'):g} N" in shown.text("#spread-list output")
    assert "Every run with 'B' is higher on" in shown.text("#spread-list figcaption")


def test_no_effect_is_drawn_where_none_is_claimed(started: Any, tmp_path: Path) -> None:
    file = recon.page(comparison(changed=ARMS)).write(tmp_path / "arms.html")
    with opened(started, file) as one:
        assert one.said == []
        assert "not comparable by these runs" in one.text("#sentences")
        assert "Next: pull the car again with 'B'" in one.text("#sentences")
        assert one.page.locator("line.effect").count() == 0
        assert one.page.locator("#runs-picture a").count() == 12
        assert "not claimed" in one.text("#effects-table tbody")


def test_hostile_names_stay_text(started: Any, tmp_path: Path) -> None:
    names = [HOSTILE[n % len(HOSTILE)] for n in range(12)]
    answer = comparison(notes=names, block=[f"{HOSTILE[0]} {k // 4}" for k in range(12)])
    set_ups = np.array([HOSTILE[1], HOSTILE[2]])
    answer = answer.assign_coords(set_up=set_ups, section=[HOSTILE[0], HOSTILE[6]])
    answer["run_set_up"] = ("run", set_ups[(answer["run_set_up"].to_numpy() == "B").astype(int)])
    with opened(started, recon.page(answer).write(tmp_path / "hostile.html")) as one:
        assert one.said == []
        assert one.ask("() => window.broken") is None
        assert one.text("#title") == f"{HOSTILE[2]} against {HOSTILE[1]}"
        cells = one.page.locator("#run-table td").all_text_contents()
        assert set(names) <= set(cells)


def test_in_a_notebook_links_stay_in_the_frame(started: Any, tmp_path: Path) -> None:
    made = recon.page(comparison())
    assert len(repr(made)) < 200
    notebook = tmp_path / "notebook.html"
    notebook.write_text(f"<!doctype html><title>notebook</title>{made._repr_html_()}", "utf-8")
    outer = started.new_page(viewport={"width": 900, "height": 1000})
    outer.goto(notebook.as_uri())
    frame = outer.frames[1]
    frame.wait_for_selector("html[data-ready]")
    frame.click("#contents a >> text=Not claimed")
    assert frame.url == "about:srcdoc#open"
    frame.click("#dot-5")
    assert frame.evaluate("() => document.querySelector('tr:target').id") == "run-5"
    assert frame.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    outer.close()


@pytest.mark.parametrize("width", [320, 390])
def test_nothing_is_wider_than_the_screen(started: Any, written: Path, width: int) -> None:
    with opened(started, written, width) as one:
        assert one.ask("() => document.documentElement.scrollWidth") <= width
        # Tables too: on a phone each row is a list, with the column's head beside each value.
        wider = "e => e.scrollWidth > e.clientWidth + 1"
        assert (
            one.ask(f"() => [...document.querySelectorAll('.scroll')].filter({wider}).length") == 0
        )
        head = one.ask("() => document.querySelector('#effects-table td').dataset.head")
        assert head == one.ask(
            "() => document.querySelectorAll('#effects-table th')[1].textContent"
        )
        assert one.ask("() => Math.max(...[...document.querySelectorAll('svg text')].map((e) => "
                       "e.getBoundingClientRect().right))") <= width  # fmt: skip


def test_it_prints_without_clipped_text(shown: Opened, tmp_path: Path) -> None:
    shown.page.emulate_media(media="print")
    shown.page.set_viewport_size({"width": 718, "height": 1000})  # A4 with margins
    assert shown.ask(CLIPPED) == []
    assert not shown.page.locator("#spread-list input").first.is_visible()
    shown.page.pdf(path=tmp_path / "comparison.pdf", format="A4")
    assert (tmp_path / "comparison.pdf").read_bytes().count(b"/Type /Page\n") <= 6


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_open_checker_of_accessibility_finds_no_violation(shown: Opened, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    shown.page.emulate_media(color_scheme=scheme)
    found = Axe().run(shown.page).response["violations"]
    assert [(v["id"], [n["html"][:80] for n in v["nodes"][:3]]) for v in found] == []


def test_sections_or_a_car_beside_a_comparison_are_refused() -> None:
    answer = comparison()
    with pytest.raises(DataError, match=r"page of 'Comparison of 'B' with 'A'.*: sections, a veh"):
        recon.page(answer, sections=answer)


def test_runs_without_levels_or_courses_have_no_bands() -> None:
    bare = comparison().drop_vars(["course", "course_length", "profile"])
    assert '"spread": []' in recon.page(bare).html


def test_every_calibration_names_its_runs() -> None:
    values = 3300 + 10.0 * np.arange(12)
    runs = measured(values, calibration=["0" * 64 if x == "A" else "1" * 64 for x in BLOCKED])
    text = recon.page(compared(run_list(changed=ARMS), runs, METRICS[:1])).html
    for number, of in ((1, "1, 4 to 5, 8 to 9, 12"), (2, "2 to 3, 6 to 7, 10 to 11")):
        digits = str(number - 1) * 12
        box = f'"what": "calibration {number}", "file": "runs {of}", "checksum": "{digits}"'
        assert box in text


def test_bands_of_a_launch_are_forces_and_not_impulses() -> None:
    values = 7000 * (1 + 0.01 * np.random.default_rng(1).normal(size=12))
    found = compared(run_list(), measured(values), ("launch_impulse",))
    assumed = found.assign_attrs(assumed="/home/kim/day/runs.csv: driver not stated")
    text = recon.page(assumed).html
    assert '"sample": {"name": "forward force", "unit": "N"}' in text
    assert "taken into account: runs.csv: driver not stated" in text


def test_a_probability_of_one_is_a_hundred_percent() -> None:
    same = np.tile([1.0, 1.0, 2.0, 2.0], 3)  # both set-ups have the same runs in every block
    text = recon.page(compared(run_list(), measured(same), METRICS[:1])).html
    assert r'"chance": ["100\u00a0%", "100\u00a0%"]' in text


def test_a_comparison_of_an_older_version_is_refused() -> None:
    with pytest.raises(DataError, match=r"(?s)without run_log; need .*Run `recon compare` again"):
        recon.page(comparison().drop_vars("run_log"))
