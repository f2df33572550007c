"""Moments at which one channel steps and no other: where a loose plug opens or closes.

No load of a car steps in one gauge alone: a kerb, a gear and a knock in a joint show in others and
in the motion too, in the way in which channels of this drive usually change together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.late import xr

Singles = NDArray[np.float32]  # halves the memory that long logs need
BLOCK = 0.02  # s; the finest time that an edge is found to
ASIDE = 5  # blocks on either side whose medians must differ as well: a knock is gone by then
FEWEST = 12  # gauges; fewer do not show all ways in which they change together
# Times its usual change without the others.  Sound drives over kerbs reach 8.5; no source.
SUDDEN = 10.0
LASTS = 5.0  # the same of medians; what passes at once has none
AGAIN, AROUND = 0.5, 10.0  # times these within so many seconds of a step of the same gauge
# Channels by which a change is expected as well, where they are logged.
BESIDE = ("travel", "hub_acceleration", "acceleration", "yaw_rate", "roll", "pitch", "steer")
SOME = 3000  # changes by which the usual ones of a drive are judged
USUAL = 0.9  # share of them; what a fault or a kerb changes is among the others
LEAST = 1e-6  # of the mean information of a gauge: gauges that change alike have none left


@dataclass(frozen=True, slots=True)
class Edge:
    """A step of one `gauge` at `time` [s], `size` times its usual change without the others [1]."""

    time: float
    gauge: str
    size: float


@dataclass(frozen=True)
class _Usual:
    """How gauges usually change together, by some of their changes (gauge, n) in a drive."""

    some: Floats

    @cached_property
    def information(self) -> Floats:
        """Inverse covariance (gauge, gauge) of the usual changes [1/unit2]."""
        scale = np.median(np.abs(self.some), axis=1)
        scale = np.maximum(scale, 1e-3 * np.std(self.some, axis=1))
        scale[scale == 0.0] = 1.0  # a channel that says nothing
        changes, count = self.some / scale[:, None], len(scale)
        usual = np.ones(changes.shape[1], dtype=bool)
        for _ in range(3):
            covariance = np.atleast_2d(np.cov(changes[:, usual]))
            least = LEAST * np.trace(covariance) / count
            own = np.linalg.inv(covariance + max(least, 1e-300) * np.eye(count))
            square = np.einsum("gn,gn->n", changes, own @ changes)
            usual = square <= np.quantile(square, USUAL)
        return np.asarray(own * count / max(float(np.median(square)), 1e-300)
                          / np.outer(scale, scale))  # fmt: skip

    def alone(self, changes: Floats) -> Floats:
        """By how much each gauge changes alone, (gauge, n) [1], from all `changes` (gauge, n).

        Its change less what the others expect, over its standard deviation; less where what the
        others do is unusual too.  Source: Schur complement and F-test, from memory.
        """
        P = self.information
        weighed = P @ changes
        own = weighed**2 / np.diag(P)[:, None]
        others = (np.einsum("gn,gn->n", changes, weighed) - own) / (len(P) - 1)
        return np.asarray(np.sqrt(own / (1.0 + np.maximum(others, 0.0))))


def edges(log: xr.Dataset, gauges: list[str]) -> tuple[Edge, ...]:
    """Steps of single gauges in a conditioned log (elapsed_time, gauge), in order of time."""
    time = log["elapsed_time"].to_numpy()
    width = max(2, round(BLOCK * float(log.attrs["rate"])))
    count = len(time) // width
    if len(gauges) < FEWEST or count <= 4 * ASIDE:
        return ()
    means = _means(log, gauges, width, count)
    alone = np.zeros((len(gauges), count), np.float32)
    _note_alone(alone[:, 1:-1], means)
    alone[:, :ASIDE] = alone[:, count - ASIDE :] = 0.0
    found = _steps(alone, means, np.ones(alone.shape, np.float32))
    if found:
        found = _steps(alone, means, _near(found, alone.shape))
    every = []
    for i, k in found:
        if not _flagged(log, gauges[i], slice((k - ASIDE) * width, (k + ASIDE + 1) * width)):
            middle = time[k * width : (k + 1) * width].mean()
            every.append(Edge(float(middle), gauges[i], float(alone[i, k])))
    return tuple(_largest(every))


def _steps(alone: Singles, means: Singles, limit: Singles) -> list[tuple[int, int]]:
    """Gauge and block of each step that exceeds times its `limit` (gauge, block) [1].

    `alone` (gauge, block) [1] is by how much each changes alone there, at once, and `means`
    (channel, block) are those of all channels.
    """
    near = np.flatnonzero((alone / limit).max(axis=0) > SUDDEN)
    if not len(near):
        return []
    after, least = _lasting(means, near)[: len(alone)], LASTS * limit[:, near]
    i, at = np.argmax(alone[:, near], axis=0), np.arange(len(near))
    lasts = after[i, at] == after.max(axis=0)
    lasts &= after[i, at] > least[i, at]
    return list(zip(i[lasts].tolist(), near[lasts].tolist(), strict=True))


def _near(found: list[tuple[int, int]], shape: tuple[int, ...]) -> Singles:
    """Limits (gauge, block) [1] of steps: smaller near those of the same gauge that were `found`.

    A fault that begins at once may end gently.
    """
    limit, away = np.ones(shape, np.float32), round(AROUND / BLOCK)
    for i, k in found:
        limit[i, max(k - away, 0) : k + away + 1] = AGAIN
    return limit


def _flagged(log: xr.Dataset, gauge: str, at: slice) -> bool:
    """Whether samples of a gauge are left out already."""
    return bool(log["gauge_status"][at].sel(gauge=gauge).any())


def _means(log: xr.Dataset, gauges: list[str], width: int, count: int) -> Singles:
    """Means (channel, block) of gauges and channels beside them over so many samples [any unit]."""
    values, names = log["indication"].to_numpy(), list(map(str, log["gauge"].to_numpy()))
    columns = [values[:, names.index(gauge)] for gauge in gauges]
    for name in (name for name in BESIDE if name in log and f"u_{name}" not in log):
        values = log[name].to_numpy()
        columns += [values[:, *at] for at in np.ndindex(values.shape[1:])]
    out = np.empty((len(columns), count), np.float32)
    for row, column in zip(out, columns, strict=True):
        short = column[: count * width].reshape(count, width) @ np.full(width, 1.0 / width)
        row[:] = short - short[np.argmax(np.isfinite(short))]
    return out


def _note_alone(out: Singles, means: Singles) -> None:
    """Note `_Usual.alone` of the first channels in `out` (gauge, n) [1], piece by piece.

    `means` (channel, n + 2) [any unit]; changes are those between the blocks beside each.
    """
    inner = out.shape[1]

    def changes(at: NDArray[np.intp]) -> Floats:
        return np.nan_to_num((means[:, at + 2] - means[:, at]).astype(float))

    usual = _Usual(changes(np.linspace(0, inner - 1, min(SOME, inner)).astype(int)))
    for at in np.array_split(np.arange(inner), inner // SOME + 1):  # memory that is near
        out[:, at] = usual.alone(changes(at))[: len(out)]


def _lasting(means: Singles, near: NDArray[np.int64]) -> Floats:
    """As `_Usual.alone`, (gauge, n) [1], of medians after and before the blocks `near` (n,)."""
    count = means.shape[1]
    some = np.linspace(ASIDE, count - ASIDE - 1, min(SOME, count - 2 * ASIDE)).astype(int)
    aside = 1 + np.arange(ASIDE)

    def changes(at: NDArray[np.int64]) -> Floats:
        after, before = (np.median(means[:, at[:, None] + s * aside], axis=2) for s in (1, -1))
        return np.nan_to_num((after - before).astype(float))

    return _Usual(changes(some)).alone(changes(near))


def _largest(found: list[Edge]) -> list[Edge]:
    """The largest of the edges of a gauge that are the same one, in order of time."""
    out: list[Edge] = []
    for one in sorted(found, key=lambda one: -one.size):
        apart = (abs(one.time - other.time) for other in out if other.gauge == one.gauge)
        if min(apart, default=np.inf) > 2.5 * BLOCK:
            out.append(one)
    return sorted(out, key=lambda one: one.time)
