"""Doubts as variables of a result, so that they go wherever the result goes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from recon.base.doubt import Doubt
from recon.base.labelled import stamped
from recon.base.late import xr
from recon.base.public import public
from recon.records.forces import DOUBTS

COMMA = ", "


def with_doubts(dataset: xr.Dataset, doubts: Sequence[Doubt]) -> xr.Dataset:
    """The same result with its doubts (doubt,); without any it is returned as it is."""
    if not doubts:
        return dataset
    columns = {
        "doubt_corners": [COMMA.join(d.corners) for d in doubts],
        "doubt_cause": [d.cause for d in doubts],
        "doubt_channels": [COMMA.join(d.channels) for d in doubts],
        "doubt_probability": np.array([d.probability for d in doubts], dtype=float),
        "doubt_start": np.array([d.start for d in doubts], dtype=float),
        "doubt_end": np.array([d.end for d in doubts], dtype=float),
        "doubt_found": [d.found for d in doubts],
        "doubt_do": [d.do for d in doubts],
    }
    return dataset.assign(stamped(DOUBTS, {n: np.asarray(v) for n, v in columns.items()}))


@public
def doubts_in(dataset: xr.Dataset) -> tuple[Doubt, ...]:
    """Doubts that a result carries, none if it has no such variables."""
    if "doubt_cause" not in dataset.variables:
        return ()
    columns = {name: dataset[name].to_numpy() for name in DOUBTS}
    return tuple(
        Doubt(
            corners=_split(columns["doubt_corners"][i]),
            cause=str(columns["doubt_cause"][i]),
            channels=_split(columns["doubt_channels"][i]),
            probability=float(columns["doubt_probability"][i]),
            start=float(columns["doubt_start"][i]),
            end=float(columns["doubt_end"][i]),
            found=str(columns["doubt_found"][i]),
            do=str(columns["doubt_do"][i]),
        )
        for i in range(len(columns["doubt_cause"]))
    )


def _split(words: str) -> tuple[str, ...]:
    return tuple(str(words).split(COMMA)) if words else ()
