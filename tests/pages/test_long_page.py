"""The page of a long drive: the outline at once, samples where they are looked at."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from recon.pages import packed, series, story
from recon.pages.page import page
from tests.days import day
from tests.pages.browser import Opened, opened

PIECE = 1024  # samples; small enough for a few pieces of a short drive
STRETCHES = """async ([name, n]) => {
  const heads = ["force", "half", "skew"].map((kind) => State.heads(kind, name)[0]);
  const force = await Force.made(name, heads, State.heads("outline", name)[0]);
  const ends = (built) => Decode.extremes(built, n * 256, (n + 1) * 256);
  const seen = () => [...ends(force.levels), ends(force.under)[0], ends(force.over)[1]];
  const outline = seen();
  const before = force.has(n * 256, n * 256 + 1);
  await force.need(n * 256, n * 256 + 1);
  return { outline, before, exact: seen(), there: force.has(n * 256, n * 256 + 1), step: force.step,
    elsewhere: force.has(0, State.time.length) };
}"""
SETTLED = "() => Strips.has(0, State.time.length)"


@pytest.fixture(scope="module")
def long_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short drive that counts as long."""
    with pytest.MonkeyPatch.context() as change:
        change.setattr(series, "LONG", 1000)
        change.setattr(packed, "PIECE", PIECE)
        whole = page(day().forces, answers=())
    return whole.write(tmp_path_factory.mktemp("long") / "drive.html")


@pytest.fixture
def long(started: Any, long_page: Path) -> Any:
    with opened(started, long_page) as one:
        yield one


def test_the_outline_has_the_extremes_that_the_samples_turn_out_to_have(long: Opened) -> None:
    forces = day().forces
    part = slice(3 * 256, 4 * 256)
    found = long.ask(STRETCHES, ["FR.y", 3])
    assert not found["before"]
    assert found["there"]
    assert not found["elsewhere"]  # other pieces are not worked out unasked
    value, low, high = (
        forces[name].to_numpy()[part, 1, 1].astype(float)
        for name in ("tyre_force", "tyre_force_lower", "tyre_force_upper")
    )
    expected = np.array([value.min(), value.max(), low.min(), high.max()])
    np.testing.assert_allclose(found["outline"], expected, atol=0.51 * found["step"])
    np.testing.assert_allclose(found["exact"], expected, atol=0.51 * found["step"] + 2.1)


@pytest.mark.parametrize("place", ["first", "last"])
def test_the_cursor_finds_its_piece_and_the_table_its_values(long: Opened, place: str) -> None:
    forces = day().forces
    assert forces.sizes["elapsed_time"] > PIECE
    at = 100 if place == "first" else forces.sizes["elapsed_time"] - 100
    time = f"{float(forces['elapsed_time'][at]):.3f} s"
    long.ask("(at) => State.move(at)", at)
    long.page.wait_for_function(
        "(t) => document.getElementById('reading-name').textContent.includes(t)", arg=time
    )
    row = long.page.locator("#reading tbody tr").first.text_content()
    shown = float(row.split("(front left)")[1].split("±")[0].replace("\u2212", "-"))
    step = long.ask("async () => (await State.getForce('FL.x')).step")
    assert shown == pytest.approx(float(forces["tyre_force"][at, 0, 0]), abs=0.51 * step + 0.5)


def test_all_samples_are_there_after_a_while_and_nothing_is_said(long: Opened) -> None:
    forces = day().forces
    long.page.wait_for_function(SETTLED)
    force = long.ask(
        """async () => { const force = await State.getForce("RL.z");
        return { value: Array.from(force.value), step: force.step }; }"""
    )
    expected = forces["tyre_force"].to_numpy()[:, 2, 2]
    np.testing.assert_allclose(force["value"], expected, atol=0.51 * force["step"])
    long.page.wait_for_selector("#peaks tbody tr")  # largest values of the whole window
    assert long.said == []


@pytest.mark.parametrize(("count", "open_"), [(40, True), (41, False)])
def test_a_long_list_of_sections_is_folded(
    started: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, count: int, open_: bool
) -> None:
    """It had pushed the forces eight screens down."""
    make = story.section_list

    def many(sections: xr.Dataset, forces: xr.Dataset) -> list[dict[str, Any]]:
        one = make(sections, forces)[0]
        return [one | {"name": f"straight {n}"} for n in range(count)]

    monkeypatch.setattr("recon.pages.page.section_list", many)
    file = page(day().forces, answers=()).write(tmp_path / "drive.html")
    with opened(started, file) as one:
        assert one.ask("() => document.getElementById('section-fold').open") is open_
        assert f"{count} sections" in one.text("#section-fold summary")
