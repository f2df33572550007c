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
