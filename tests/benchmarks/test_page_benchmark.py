"""Size and speed of the page of a long drive, in a browser; on request: `-m benchmark -s`."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from recon.pages.page import page
from recon.reconstruction.result.signed_errors import RANDOM, STATED
from recon.records.forces import FACTS, SIGNED, VERDICT
from tests.days import day
from tests.pages.browser import browser, opened

SAMPLES = 1_200_000
KEPT = {
    *SIGNED, *STATED.values(), RANDOM, *FACTS, *VERDICT, "tyre_force", "largest_pull",
    "tyre_force_lower", "tyre_force_upper", "cause_name", "cause_part", "cause_gauge", "speed",
    "acceleration",
}  # fmt: skip
MOVE = """async (count) => {
  const begin = performance.now();
  for (let i = 0; i < count; i += 1) State.move((i * 7919) % State.time.length);
  return (performance.now() - begin) / count;
}"""
# Until the samples themselves are drawn.
ZOOM = """async () => {
  const begin = performance.now();
  State.show(600000, 600500);
  while (!Strips.has(600000, 600501)) await new Promise((done) => setTimeout(done, 1));
  await new Promise(requestAnimationFrame);
  return performance.now() - begin;
}"""
MOST_BYTES = 9.5e6
MOST_OF_SHORT = 4.0  # time to the first picture, by that of a page of 15 s


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


def ready(started: Any, file: Path) -> float:
    """Time until a page shows its first picture and the values at the cursor [s], best of three."""
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        with opened(started, file):
            times.append(time.perf_counter() - begin)
    return min(times)


@pytest.mark.benchmark
def test_a_page_of_twelve_hundred_thousand_samples(tmp_path: Path) -> None:
    forces = long_drive()
    begin = time.process_time()
    file = page(forces, answers=()).write(tmp_path / "long.html")
    made = time.process_time() - begin
    size = file.stat().st_size
    short = page(day().forces, answers=()).write(tmp_path / "short.html")
    with browser() as started:
        long_ready, short_ready = ready(started, file), ready(started, short)
        with opened(started, file) as one:
            zoom, move = one.ask(ZOOM), one.ask(MOVE, 200)
    sys.stdout.write(
        f"\npage of {SAMPLES} samples: made in {made:.1f} s of the processor, {size / 1e6:.1f} MB, "
        f"ready after {long_ready:.2f} s ({long_ready / short_ready:.1f} of a short page), cursor "
        f"{move:.1f} ms, zoom to full rate {zoom:.0f} ms\n"
    )
    assert size <= MOST_BYTES
    assert long_ready <= MOST_OF_SHORT * short_ready
