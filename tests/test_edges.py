"""Steps of one gauge alone, in a log whose gauges all follow three loads."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import xarray as xr

from recon.examination.edges import BLOCK, FEWEST, edges

RATE, SECONDS, AT = 200.0, 20.0, 8.0
GAUGES = [f"g{k}" for k in range(FEWEST)]


def log() -> xr.Dataset:
    rng = np.random.default_rng(7)
    time = np.arange(0.0, SECONDS, 1.0 / RATE)
    loads = np.array([np.sin(w * time) for w in (0.1, 0.3, 0.9)])
    values = (rng.normal(size=(FEWEST, 3)) @ loads).T + rng.normal(0.0, 1e-3, (len(time), FEWEST))
    over = ("elapsed_time", "gauge")
    flags = np.zeros(values.shape, np.uint16)
    out = xr.Dataset(
        {"indication": (over, values), "gauge_status": (over, flags)},
        coords={"elapsed_time": time, "gauge": GAUGES},
    )
    return out.assign_attrs(rate=RATE)


def stepped(count: int, until: float = np.inf) -> xr.Dataset:
    """The log with a step of the first gauges for a while."""
    out = log()
    time = out["elapsed_time"].to_numpy()
    out["indication"].values[(time >= AT) & (time < until), :count] += 0.1
    return out


def test_a_step_of_one_gauge_is_found_where_it_is() -> None:
    (edge,) = edges(stepped(1), GAUGES)
    assert edge.gauge == GAUGES[0]
    assert edge.time == pytest.approx(AT, abs=1.5 * BLOCK)


def test_a_fault_that_begins_at_once_may_end_in_a_smaller_step() -> None:
    out = log()
    time = out["elapsed_time"].to_numpy()
    out["indication"].values[time >= AT + 3.0, 0] -= 0.008
    assert edges(out, GAUGES) == ()  # alone it might be chance
    out["indication"].values[time >= AT, 0] += 0.1
    assert [round(edge.time - AT) for edge in edges(out, GAUGES)] == [0, 3]


def flagged() -> xr.Dataset:
    out = stepped(1)
    out["gauge_status"].values[round(AT * RATE), 0] = 1
    return out


@pytest.mark.parametrize(
    ("made", "gauges"),
    [
        (log, GAUGES),
        (lambda: stepped(FEWEST), GAUGES),  # a kerb
        (lambda: stepped(1, AT + BLOCK), GAUGES),  # a knock
        (lambda: stepped(1), GAUGES[1:]),  # too few are left to know how they change together
        (flagged, GAUGES),  # left out already
    ],
)
def test_nothing_else_is_an_edge(made: Callable[[], xr.Dataset], gauges: list[str]) -> None:
    assert edges(made(), gauges) == ()
