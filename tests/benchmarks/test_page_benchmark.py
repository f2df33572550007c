"""Size and speed of the page of a long drive, in a browser; on request: `-m benchmark -s`."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from recon.pages.page import page
from recon.reconstruction.signed import RANDOM, STATED
from recon.records.forces import FACTS, SIGNED
from tests.days import day
from tests.pages.browser import browser, opened

SAMPLES = 1_200_000
KEPT = {
    *SIGNED, *STATED.values(), RANDOM, *FACTS, "tyre_force", "tyre_force_lower", "largest_pull",
    "tyre_force_upper", "cause_name", "cause_part", "cause_gauge", "speed", "acceleration",
}  # fmt: skip
MOVE = """async (count) => {
  const begin = performance.now();
  for (let i = 0; i < count; i += 1) State.move((i * 7919) % State.time.length);
  return (performance.now() - begin) / count;
}"""
ZOOM = """async () => {
  const begin = performance.now();
  State.show(600000, 600500);
  return performance.now() - begin;
}"""


def long_drive() -> xr.Dataset:
    """The day's drive again and again, with noise of its own so that it does not pack too well."""
    forces = day().forces
    forces = forces[[name for name in forces.data_vars if name in KEPT]]
    times = -(-SAMPLES // forces.sizes["elapsed_time"])
    long = xr.concat([forces] * times, "elapsed_time", data_vars="minimal", coords="minimal")
    long = long.isel(elapsed_time=slice(0, SAMPLES))
    rate = float(forces.attrs["rate_Hz"])
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(long["tyre_force"].shape, dtype=np.float32)
    noise *= long[RANDOM].to_numpy()
    for end in ("", "_lower", "_upper"):
        long[f"tyre_force{end}"] = long[f"tyre_force{end}"] + noise
    attributes = {name: forces[name].attrs for name in forces.variables}
    for name, own in attributes.items():
        long[name].attrs = own
    long = long.assign_coords(elapsed_time=("elapsed_time", np.arange(SAMPLES) / rate))
    long["elapsed_time"].attrs = attributes["elapsed_time"]
    return long


@pytest.mark.benchmark
def test_a_page_of_twelve_hundred_thousand_samples(tmp_path: Path) -> None:
    forces = long_drive()
    begin = time.perf_counter()
    file = page(forces, answers=()).write(tmp_path / "long.html")
    made = time.perf_counter() - begin
    size = file.stat().st_size
    with browser() as started:
        begin = time.perf_counter()
        with opened(started, file) as one:
            ready = time.perf_counter() - begin
            move, zoom = one.ask(MOVE, 200), one.ask(ZOOM)
    sys.stdout.write(
        f"\npage of {SAMPLES} samples: made in {made:.1f} s, {size / 1e6:.1f} MB, "
        f"ready after {ready:.2f} s, cursor {move:.1f} ms, zoom to full rate {zoom:.0f} ms\n"
    )
    assert size <= 8 * SAMPLES * 12
