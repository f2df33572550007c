"""Long series as small text: rounded to a stated step, as differences, deflated, in base64."""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats, runs

PIECE = 2**16  # samples; a multiple of the stretches in which scripts look for extremes
LEVEL = 6  # of deflate: higher levels gain 1 % and take three times as long
LARGEST = 2**14  # of a difference between neighbours, in steps
FINE = 1 / 1000  # of the range of a channel: finer than any screen


@dataclass(frozen=True, slots=True)
class Packed:
    """One series: `head` describes it, `text` holds its samples.

    The text is in pieces of `piece` samples, with spaces between them, so that a reader needs only
    the pieces that it shows.  It inflates a piece to low bytes followed by high bytes of
    differences, adds them up from the piece's own of `firsts` on, and multiplies by `step`;
    samples in `gaps` (first, last) are not known.  Differences 0, -1, 1, -2, 2 ... are numbered in
    this order, so that the high bytes of small ones say nothing: signs cost their bit once.
    """

    head: dict[str, Any]
    text: str


def packed(values: ArrayLike, step: float) -> Packed:
    """Pack a series (sample,), NaN where it is not known, rounded to `step` [unit of the series].

    The step grows until differences fit; the head says what it became.
    """
    series = np.asarray(values, dtype=float)
    known = np.isfinite(series)
    filled = _filled(series, known)
    while True:
        whole = np.rint(filled / step).astype(np.int64)
        change = np.diff(whole)
        if not change.size or np.abs(change).max() < LARGEST:
            break
        step *= 2
    pieces = [whole[start : start + PIECE] for start in range(0, len(whole), PIECE)]
    head = {
        "count": len(series),
        "piece": PIECE,
        "firsts": [int(piece[0]) for piece in pieces],
        "step": step,
        "gaps": [[first, last - 1] for first, last in runs(~known)],
    }
    return Packed(head, " ".join(_text(np.diff(piece).astype("<i2")) for piece in pieces))


def packed_states(states: NDArray[np.uint8]) -> Packed:
    """Pack small whole numbers (sample,), one byte each [1]."""
    data = zlib.compress(np.asarray(states, dtype=np.uint8).tobytes(), LEVEL)
    return Packed({"count": len(states)}, base64.b64encode(data).decode("ascii"))


def _text(change: NDArray[np.int16]) -> str:
    numbered = (change << 1) ^ (change >> 15)
    planes = numbered.view(np.uint8).reshape(-1, 2).T
    data = zlib.compress(np.ascontiguousarray(planes).tobytes(), LEVEL)
    return base64.b64encode(data).decode("ascii")


def _filled(series: Floats, known: NDArray[np.bool_]) -> Floats:
    """The series with unknown samples held at the last known one."""
    if known.all():
        return series
    if not known.any():
        return np.zeros(len(series))
    last = np.maximum.accumulate(np.where(known, np.arange(len(series)), -1))
    return series[np.where(last < 0, int(np.argmax(known)), last)]


def nice_step(size: float, digits: tuple[float, ...] = (1, 2, 5)) -> float:
    """Largest of `digits` times a power of ten that is at most `size`."""
    if not np.isfinite(size) or size <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(size))
    return float(power * max(m for m in digits if m * power <= size * (1 + 1e-9)))


def channel_step(values: ArrayLike) -> float:
    """Step of an ordinary channel: fine for a screen."""
    series = np.asarray(values, dtype=float)
    some = series[np.isfinite(series)]
    return nice_step(float(np.ptp(some)) * FINE) if some.size else 1.0
