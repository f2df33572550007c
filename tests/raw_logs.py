"""Logs and tares of the small car, as they are before conditioning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

from recon.records.logs import LOG
from recon.records.sheets import Tares

RATE = 200.0
NAMES = ("G1", "G2", "G3", "G4")
THREE = ("elapsed_time", "corner", "component")


def log_of(values: np.ndarray, rate: float = RATE, **more: tuple) -> xr.Dataset:
    """A log of the small car's gauges, (sample, gauge)."""
    elapsed = np.arange(len(values)) / rate
    coords = {"elapsed_time": elapsed, "gauge": list(NAMES), "corner": ["FL", "FR"]}
    data = {"indication": (("elapsed_time", "gauge"), values), **more}
    made = xr.Dataset(data, coords=coords, attrs={"path": "drive.csv"})
    for name in made.variables:
        if name in LOG:
            made[name].attrs = LOG[str(name)].attributes
    return made


def timed(log: xr.Dataset, elapsed: np.ndarray) -> xr.Dataset:
    """The log with other times [s]."""
    return log.assign_coords(elapsed_time=("elapsed_time", elapsed, {"units": "s"}))


def tares_of(before: np.ndarray | None, after: np.ndarray | None, **changed: object) -> Tares:
    """Hanging tares of the four gauges, at 20 and 30 degC."""
    rows = [
        (when, name, value, warm)
        for when, values, warm in (("before", before, 20.0), ("after", after, 30.0))
        if values is not None
        for name, value in zip(NAMES, values, strict=True)
    ]
    when, gauge, value, warm = zip(*rows, strict=True)
    n = len(rows)
    table = Tares(
        path="zeros.csv", checksum="", line=np.arange(2, n + 2), when=np.array(when),
        gauge=np.array(gauge), state=np.full(n, "hanging"), indication=np.array(value),
        sd=np.full(n, np.nan), temperature=np.array(warm), pad_load=np.full(n, np.nan),
        time=np.full(n, np.nan),
    )  # fmt: skip
    return replace(table, **changed)


ZERO = tares_of(np.zeros(4), np.zeros(4))


def noisy(n: int = 2000, seed: int = 0) -> np.ndarray:
    return 1e-3 * np.random.default_rng(seed).standard_normal((n, 4))


def swerve(time: np.ndarray, seed: int) -> np.ndarray:
    """Lateral acceleration of an irregular drive, (sample,) [m/s2]."""
    rng = np.random.default_rng(seed)
    frequency, phase = rng.uniform(0.1, 1.5, 12), rng.uniform(0, 2 * np.pi, 12)
    return 2.0 * np.sin(2 * np.pi * np.outer(time, frequency) + phase).sum(axis=1)


def save(folder, content, name="log.csv"):
    path = folder / name
    path.write_text(content)
    return path
