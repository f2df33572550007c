"""Invented days of several runs: run lists and metrics with a known effect, for the comparison."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from recon.evaluation.common.estimate import Estimate
from recon.evaluation.common.shared_errors import Measured, Sources
from recon.records.run_list import NOT_STATED, RunList

BLOCKED = "ABBA" * 3
CAUSE = ("FL pulls", "FR pulls", "FL zeros", "FL hardpoints")
SCOPE = ("calibration", "calibration", "session", "car")


def run_list(letters: str = BLOCKED, *, blocks: int = 3, **columns: Sequence[object]) -> RunList:
    """Runs of set-ups A and B in the order of the letters, in blocks of equal length."""
    n = len(letters)
    words = {
        "block": [str(i * blocks // n + 1) for i in range(n)],
        "driver": [""] * n,
        "tyre_set": [""] * n,
        "changed": [NOT_STATED] * n,
        "notes": [""] * n,
    }
    temperature = columns.pop("tyre_temperature", [np.nan] * n)
    words |= {name: list(values) for name, values in columns.items()}  # type: ignore[arg-type]
    return RunList(
        path="runs.csv",
        checksum="0" * 64,
        line=np.arange(2, n + 2),
        file=tuple(Path(f"run{i + 1}/forces.nc") for i in range(n)),
        set_up=np.array(list(letters)),
        order=np.arange(1.0, n + 1),
        tyre_temperature=np.array(temperature, dtype=float),
        set_ups=("A", "B"),
        **{name: np.array(values, dtype=str) for name, values in words.items()},
    )


def measured(
    values: np.ndarray,
    *,
    effect: Sequence[float] = (0.0, 0.0, 0.0, 0.0),
    calibration: Sequence[str] | None = None,
    tares: Sequence[str] | None = None,
    rides: Sequence[float] | None = None,
) -> list[Measured]:
    """Runs with these values (run,) or (run, metric); every cause has this share as its effect."""
    values = np.asarray(values, dtype=float)
    values = values[:, None] if values.ndim == 1 else values
    out = []
    for i, row in enumerate(values):
        by_cause = np.outer(effect, row)
        estimate = Estimate(row, by_cause, np.zeros(len(row)))
        own = Sources(
            calibration=calibration[i] if calibration else "one",
            vehicle="car",
            gauges=("FL_upper",),
            tares=tares[i] if tares else f"tares {i}",
            log=f"log {i}",
            ride=rides[i] if rides else float("nan"),
        )
        out.append(Measured(estimate, CAUSE, SCOPE, own))
    return out
