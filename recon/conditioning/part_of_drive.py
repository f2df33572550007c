"""A part of a conditioned drive, by time or by marker."""

from __future__ import annotations

import numpy as np

from recon.base.errors import DataError
from recon.base.late import xr
from recon.base.public import public
from recon.records.logs import log_at_rows, require_conditioned

FEWEST = 3  # samples of a part


@public
def part_of(
    log: xr.Dataset,
    *,
    start: float | None = None,
    end: float | None = None,
    marker: float | None = None,
) -> xr.Dataset:
    """Return the samples between two times and with one marker.

    A log is cut after it was conditioned: the tares lie before and after the whole drive, and the
    filter needs samples on both sides.

    Parameters
    ----------
    log : Dataset (elapsed_time, gauge)
        As `condition` returns it.
    start, end : float, optional
        First and last elapsed time.  [s]
    marker : float, optional
        Value of the channel `marker`, for example a lap.  [1]

    Returns
    -------
    Dataset
        The same variables at fewer samples.

    Raises
    ------
    DataError
        The log is not conditioned, hardly any sample is left, or the log has no marker.
    """
    require_conditioned(log)
    elapsed = log["elapsed_time"].to_numpy()
    wanted = np.ones(len(elapsed), dtype=bool)
    words = []
    if start is not None:
        wanted &= elapsed >= start
        words.append(f"from {start:g} s")
    if end is not None:
        wanted &= elapsed <= end
        words.append(f"to {end:g} s")
    has = f"{elapsed[0]:g} to {elapsed[-1]:g} s"
    if marker is not None:
        found = log["marker"].to_numpy() if "marker" in log else np.full(len(elapsed), np.nan)
        wanted &= found == marker
        words.append(f"with marker {marker:g}")
        seen = np.unique(found[np.isfinite(found)])
        has += ", markers " + (", ".join(f"{m:g}" for m in seen[:20]) or "none")
    if start is not None and end is not None and start > end:
        raise DataError(
            str(log.attrs.get("path", "log")),
            f"a part {' '.join(words)}, which ends before it begins",
            f"an end after {start:g} s; the log has {has}",
            "Exchange the two times, or correct one of them.",
        )
    if wanted.sum() < FEWEST:
        raise DataError(
            str(log.attrs.get("path", "log")),
            f"{wanted.sum()} samples {' '.join(words)}",
            f"at least {FEWEST}; the log has {has}",
            "Correct the times or the marker; times are those of elapsed_time.",
        )
    if wanted.all():
        return log
    rows = np.flatnonzero(wanted)
    if rows[-1] - rows[0] == len(rows) - 1:  # one piece, of which no copy is needed
        return log.isel(elapsed_time=slice(rows[0], rows[-1] + 1))
    return log_at_rows(log, rows)
