"""The page in a browser: no request, numbers of the file, keys, names, print, small screens."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import recon
from recon.base.errors import DataError, OutputError
from recon.pages.page import page
from tests.days import day
from tests.made_forces import forces_of
from tests.pages.browser import Opened, opened

SERIES = """async (name) => {
  const force = await State.getForce(name);
  const plain = (values) => Array.from(values, (v) => (Number.isFinite(v) ? v : null));
  return { step: force.step, value: plain(force.value), lower: plain(force.lower),
    upper: plain(force.upper) };
}"""
CLIPPED = """() => [...document.querySelectorAll('p, li, h1, h2, h3, pre, td, span')]
  .filter((e) => e.offsetParent && !e.matches('#boxes li') && // its arrow stands outside
     e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0)
  .map((e) => e.textContent.slice(0, 60))"""
HOSTILE = (
    "</script><script>window.broken=1</script>", "<img src=x onerror=window.broken=1>", "\"'`",
    "a\u2028b\u2029c", "--><!--", "&lt;b&gt;", "]]>", "\\u003c/script>", "${window.broken=1}",
    "é漢🏁",
)  # fmt: skip


def numbers(values: list[float | None]) -> np.ndarray:
    return np.array([np.nan if v is None else v for v in values], dtype=float)


def test_it_opens_from_disk_without_a_word_or_a_request(drive: Opened, written: Path) -> None:
    assert drive.said == []
    pictures = [url for url in drive.requests if url.startswith("data:")]
    assert [url for url in drive.requests if url not in pictures] == [written.as_uri()]


def test_its_policy_forbids_what_it_does_not_hold(drive: Opened) -> None:
    drive.ask("() => fetch('https://example.org/x').catch(() => 0)")
    drive.ask("""() => { const s = document.createElement('script');
        s.textContent = 'window.broken = 1'; document.body.append(s); }""")
    assert drive.ask("() => window.broken") is None
    assert sum("Content Security Policy" in text for text in drive.said) >= 2


@pytest.mark.parametrize("corner", [0, 3])
def test_values_and_limits_are_those_of_the_file_to_the_stated_step(
    drive: Opened, corner: int
) -> None:
    forces = day().forces
    name = str(forces["corner"].to_numpy()[corner])
    for i, axis in enumerate("xyz"):
        found = drive.ask(SERIES, f"{name}.{axis}")
        step = found["step"]
        assert step <= 20.0
        assert f"{step:g}" in drive.text("#steps")
        value = forces["tyre_force"].to_numpy()[:, corner, i]
        np.testing.assert_allclose(numbers(found["value"]), value, atol=0.51 * step)
        for end in ("lower", "upper"):
            expected = forces[f"tyre_force_{end}"].to_numpy()[:, corner, i]
            np.testing.assert_allclose(numbers(found[end]), expected, atol=0.51 * step + 2.1)


def test_the_table_follows_the_cursor(drive: Opened) -> None:
    forces = day().forces
    drive.ask("() => State.move(700)")
    row = drive.page.locator("#reading tbody tr").first.text_content()
    step = drive.ask(SERIES, "FL.x")["step"]
    shown = float(row.split("(front left)")[1].split("±")[0].replace("\u2212", "-"))
    assert shown == pytest.approx(float(forces["tyre_force"][700, 0, 0]), abs=0.51 * step + 0.5)
    assert f"{float(forces['elapsed_time'][700]):.3f} s" in drive.text("#reading-name")


def test_every_view_is_reached_by_keys(drive: Opened) -> None:
    page_ = drive.page
    page_.focus("#strips")
    at = drive.ask("() => State.cursor")
    page_.keyboard.press("ArrowRight")
    assert drive.ask("() => State.cursor") == at + 1
    page_.keyboard.press("Shift+ArrowLeft")
    assert drive.ask("() => State.cursor") < at
    whole = drive.ask("() => State.last - State.first")
    for _ in range(20):
        page_.keyboard.press("+")
    assert drive.ask("() => State.last - State.first") == 20  # down to single samples
    page_.keyboard.press("0")
    assert drive.ask("() => State.last - State.first") == whole
    page_.keyboard.press("-")
    page_.keyboard.press("Home")
    assert drive.ask("() => State.cursor") == 0
    page_.keyboard.press(".")
    words = drive.text("#section-list button")
    start = drive.ask("() => State.data.sections[0].start")
    assert drive.ask("() => State.time[State.first]") == pytest.approx(max(start - 0.2, 0), abs=0.3)
    assert words == drive.ask("() => State.data.sections[0].name")
    page_.keyboard.press("z")
    page_.keyboard.press("3")
    assert page_.locator("#why-force").input_value() == "RL.z"
    page_.keyboard.press("?")
    assert page_.locator("#help").is_visible()
    listed = drive.text("#help-list")
    for words in ("zoom in", "whole drive", "section after", "play"):
        assert words in listed
    page_.keyboard.press("Escape")
    assert not page_.locator("#help").is_visible()
    assert drive.said == []


def test_a_click_on_a_section_shows_it(drive: Opened) -> None:
    drive.page.locator("#section-list button").nth(1).click()
    one = drive.ask("() => State.data.sections.filter((s) => !s.parent)[1]")
    first, last = drive.ask("() => [State.time[State.first], State.time[State.last]]")
    assert first <= one["start"] <= one["end"] <= last


def test_play_runs_at_true_speed(drive: Opened) -> None:
    drive.page.clock.install(time=0)
    drive.page.clock.pause_at(1000)  # only this test moves it on, however busy the machine is
    drive.ask("() => State.move(0)")
    drive.page.evaluate("() => document.querySelector('#play').click()")
    drive.page.clock.run_for(600)
    drive.page.evaluate("() => document.querySelector('#play').click()")
    assert drive.ask("() => State.time[State.cursor]") == pytest.approx(0.6, abs=0.04)
    assert drive.page.get_attribute("#play", "aria-pressed") == "false"


def test_causes_at_the_cursor_add_up_to_the_interval(drive: Opened) -> None:
    forces = day().forces
    node = drive.ask("() => State.data.why.times.length >> 1")
    time = drive.ask("(n) => State.data.why.times[n]", node)
    own = drive.ask("(n) => Object.values(State.data.why.forces['FR.y']).map((v) => v[n])", node)
    at = int(np.argmin(np.abs(forces["elapsed_time"].to_numpy() - time)))
    u = float(forces["u_tyre_force"][at, 1, 1])
    assert 0.9 * u < np.sqrt(np.sum(np.square(own))) <= 1.01 * u
    drive.ask("(t) => { State.choose({ force: 'FR.y' }); State.move(State.place(t)); }", time)
    shown = [
        float(text.split(" N:")[0])
        for text in drive.page.locator("#why-list b").all_text_contents()
    ]
    named = shown[:-1]  # all other causes together come last
    assert named == sorted(named, reverse=True)
    assert "all other causes" in drive.page.locator("#why-list b").last.text_content()
    assert sorted(shown, reverse=True) == pytest.approx(
        sorted((v for v in own if v), reverse=True), abs=0.051
    )


def test_two_hundred_hostile_names_stay_text(started: Any, tmp_path: Path) -> None:
    names = [f"{HOSTILE[n % len(HOSTILE)]} {n}" for n in range(200)]
    forces = day().forces.isel(elapsed_time=slice(0, 400)).copy()
    forces.attrs["vehicle"] = forces.attrs["title"] = HOSTILE[0] + HOSTILE[3]
    forces.attrs["not_known"] = HOSTILE[1]
    forces["assumption"] = ("assumption", np.array(names), {"long_name": "values assumed"})
    file = page(forces).write(tmp_path / "hostile.html")
    with opened(started, file) as one:
        assert one.said == []
        assert one.ask("() => window.broken") is None
        assert one.text("#title") == HOSTILE[0] + HOSTILE[3]
        texts = one.page.locator("#fact-list li").all_text_contents()
        assert set(names) <= set(texts)
        assert HOSTILE[1] in texts


def made(corners: tuple[str, ...], unknown: tuple[int, ...] = ()) -> xr.Dataset:
    """Some corners of the day, with components (all corners) that are not known."""
    forces = day().forces.isel(elapsed_time=slice(0, 600)).copy(deep=True)
    forces = forces.sel(corner=list(corners))
    forces["partner"] = ("corner", np.full(len(corners), -1), forces["partner"].attrs)
    for name in [n for n in forces if str(n).startswith(("tyre_force", "u_tyre_force"))]:
        for i in unknown:
            forces[name].values[:, :, i] = np.nan
    return forces


@pytest.mark.parametrize(
    ("corners", "unknown", "words"),
    [
        (("FL",), (), "known within"),
        (("FL", "FR"), (1,), "(all three only at none)"),
        (("RL", "RR"), (0, 2), "(all three only at none)"),
    ],
    ids=["one corner", "Fy not known", "only Fy known"],
)
def test_a_part_of_the_car_or_of_the_forces(
    started: Any, tmp_path: Path, corners: tuple[str, ...], unknown: tuple[int, ...], words: str
) -> None:
    file = page(made(corners, unknown)).write(tmp_path / "part.html")
    with opened(started, file) as one:
        assert one.said == []
        assert words in one.text("#sentences")
        assert one.page.locator("#choices input").count() == len(corners)
        row = one.page.locator("#reading tbody tr").first.text_content()
        assert row.count("not known") >= len(unknown)
        assert "NaN" not in one.text("body > main")


def test_forces_of_which_nothing_is_known_are_refused() -> None:
    with pytest.raises(DataError, match="no longitudinal or lateral force of any corner is known"):
        page(made(("FL",), (0, 1, 2)))
    with pytest.raises(DataError, match="Forces made up"):
        page(forces_of())


def test_a_page_is_written_whole_and_replaced_on_request(tmp_path: Path) -> None:
    whole = recon.page(day().forces.isel(elapsed_time=slice(0, 400)))
    file = whole.write(tmp_path / "drive.html")
    with pytest.raises(OutputError, match=r"drive\.html: this file already exists"):
        whole.write(file)
    assert whole.write(file, overwrite=True).read_text(encoding="utf-8") == whole.html
    frame = whole._repr_html_()
    assert frame.startswith("<iframe srcdoc=")
    assert "<script" not in frame


@pytest.mark.parametrize("width", [320, 390, 1200])
def test_nothing_is_wider_than_the_screen(started: Any, written: Path, width: int) -> None:
    with opened(started, written, width) as one:
        assert one.ask("() => document.documentElement.scrollWidth") <= width


def test_it_prints_without_clipped_text(drive: Opened, tmp_path: Path) -> None:
    drive.page.emulate_media(media="print")
    drive.page.set_viewport_size({"width": 718, "height": 1000})  # A4 with margins
    assert drive.ask(CLIPPED) == []
    assert not drive.page.locator("#choices").is_visible()
    assert drive.page.locator("#brief").is_visible()
    assert drive.page.locator("#answers .caveat").first.is_visible()
    drive.ask("() => window.dispatchEvent(new Event('beforeprint'))")
    for canvas in ("#strips canvas", "#plane", "#car"):  # drawn anew for the sheet, not squeezed
        one = drive.ask(
            "(s) => { const c = document.querySelector(s);"
            " return [c.clientWidth / c.width, c.clientHeight / c.height]; }",
            canvas,
        )
        assert one[0] == pytest.approx(one[1], rel=0.03)
    drive.ask("() => window.dispatchEvent(new Event('afterprint'))")
    assert drive.ask("() => document.documentElement.className") == ""
    drive.page.pdf(path=tmp_path / "drive.pdf", format="A4")
    assert (tmp_path / "drive.pdf").read_bytes().startswith(b"%PDF")


LIGHTNESS = """(s) => {
  const c = document.querySelector(s);
  const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
  let [sum, count] = [0, 0];
  for (let i = 0; i < d.length; i += 4) {
    if (d[i + 3] > 250) { sum += d[i] + d[i + 1] + d[i + 2]; count += 3; }
  }
  return sum / count;
}"""


def test_words_above_the_forces_are_not_cut(drive: Opened) -> None:
    rows = """() => { const c = document.querySelector('#strips canvas');
        const all = c.getContext('2d').getImageData(0, 0, c.width, 20).data;
        return [...Array(20).keys()].map((y) =>
          all.slice(4 * c.width * y, 4 * c.width * (y + 1)).some((v) => v > 0)); }"""
    inked = drive.ask(rows)
    assert not inked[0]
    assert any(inked)  # twin


@pytest.mark.parametrize("canvas", ["#strips canvas", "#plane"])
def test_pictures_are_light_on_a_dark_page_and_dark_on_paper(drive: Opened, canvas: str) -> None:
    light = drive.ask(LIGHTNESS, canvas)
    drive.page.emulate_media(color_scheme="dark")
    drive.page.wait_for_timeout(100)
    dark = drive.ask(LIGHTNESS, canvas)
    assert dark > light + 10
    drive.ask("() => window.dispatchEvent(new Event('beforeprint'))")
    assert drive.ask(LIGHTNESS, canvas) == pytest.approx(light, abs=10)
    drive.ask("() => window.dispatchEvent(new Event('afterprint'))")
    assert drive.ask(LIGHTNESS, canvas) == pytest.approx(dark, abs=10)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_open_checker_of_accessibility_finds_no_violation(drive: Opened, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    drive.page.emulate_media(color_scheme=scheme)
    found = Axe().run(drive.page).response["violations"]
    assert [(v["id"], [n["html"][:80] for n in v["nodes"][:3]]) for v in found] == []


@pytest.mark.slow(4)
def test_the_page_of_a_slalom_is_small(written: Path) -> None:
    forces = day().forces
    assert written.stat().st_size < 3e6
    longer = page(forces.isel(elapsed_time=slice(0, 1500)))
    more = written.stat().st_size - len(longer.html.encode())
    assert more <= 8 * 12 * (forces.sizes["elapsed_time"] - 1500)
