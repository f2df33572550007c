"""Names on the page of a drive: the drive itself, tyres, lanes, channels and files."""

from __future__ import annotations

import numpy as np
import pytest

from recon.pages.plain_names import plain, which_drive
from tests.days import day
from tests.pages.browser import Opened


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("log hub_acceleration to replace it", "log hub acceleration to replace it"),
        ("/home/kim/day/log.csv: no speed", "log.csv: no speed"),
        (r"C:\day one\log.csv: no speed", "log.csv: no speed"),
        ("day/log.csv, line 3: x / y / z.", "log.csv, line 3: x / y / z."),
        (r"C:\day\log.csv: no speed", "log.csv: no speed"),
        ("state u_strap_gain, in N/mV", "state u_strap_gain, in N/mV"),  # a key and a unit
    ],
)
def test_channels_are_words_and_files_have_no_folder(sentence: str, expected: str) -> None:
    assert plain(sentence) == expected


def test_a_drive_is_named_by_its_log_and_day() -> None:
    forces = day().forces.isel(elapsed_time=slice(0, 10))
    assert which_drive(forces) == ""
    columns = {"input_role": ["log", "tares"], "input_file": ["day/a.csv", "day/t.csv"]}
    columns["input_checksum"] = ["0" * 64, "1" * 64]
    named = forces.assign({name: ("input", np.array(own)) for name, own in columns.items()})
    assert which_drive(named) == "a.csv, day not stated"
    assert which_drive(named.assign_attrs(log_date="2026-05-02T10:00")) == "a.csv, 2026-05-02"


def test_tyres_and_lanes_are_explained(drive: Opened) -> None:
    assert "FL front left, FR front right" in drive.text("#drive")
    assert drive.page.locator("#lane-keys li").all_text_contents() == drive.ask(
        "() => Draw.LANES.map((lane) => lane.words)"
    )


def test_causes_of_an_axle_name_both_tyres(drive: Opened) -> None:
    drive.ask("() => State.choose({ force: 'front.y' })")
    lines = drive.page.locator("#why-list li b").all_text_contents()
    node = drive.ask(
        "() => { const t = State.time[State.cursor]; const { times } = State.data.why;"
        " return times.indexOf([...times].sort((a, b) => Math.abs(a - t) - Math.abs(b - t))[0]); }"
    )
    script = "([c, n]) => Math.max(...Object.values(State.data.why.forces[c]).map((v) => v[n]))"
    most = [drive.ask(script, [f"{corner}.y", node]) for corner in ("FL", "FR")]
    assert f"{max(most):.1f} N" in lines[0]
    assert all("FL " in line and "FR " in line for line in lines)


# Of every number on the axes of the force plane: pixels of its letters, and those of them that were
# inked when it was written.
COVERED = """(wiped) => {
  const own = CanvasRenderingContext2D.prototype;
  const [fill, stroke] = [own.fillText, own.strokeText];
  const found = [];
  if (!wiped) own.strokeText = () => {};
  own.fillText = function (words, x, y) {
    if (this.canvas.id === "plane" && /^[^A-Z]+$/.test(words)) {
      const { width, height } = this.canvas;
      const beside = new OffscreenCanvas(width, height).getContext("2d");
      for (const key of ["font", "textAlign", "textBaseline"]) beside[key] = this[key];
      beside.setTransform(this.getTransform());
      beside.fillText(words, x, y);
      const [letters, there] = [beside, this].map(
        (one) => one.getImageData(0, 0, width, height).data);
      const at = [...Array(width * height).keys()].filter((i) => letters[4 * i + 3] > 128);
      found.push([at.length, at.filter((i) => there[4 * i + 3] > 64).length]);
    }
    fill.call(this, words, x, y);
  };
  window.dispatchEvent(new Event("beforeprint"));
  [own.fillText, own.strokeText] = [fill, stroke];
  return found;
}"""


def test_numbers_of_the_force_plane_are_not_covered_by_dots(drive: Opened) -> None:
    drive.page.locator("#plane").scroll_into_view_if_needed()
    found = drive.ask(COVERED, True)
    assert len(found) >= 8  # two on each of the four tyres' axes at least
    assert all(letters > 0 and covered == 0 for letters, covered in found)
    assert any(covered for _, covered in drive.ask(COVERED, False))  # twin
