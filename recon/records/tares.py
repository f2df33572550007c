"""Tare tables: what the gauges say at a known load, before and after a drive."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataWarning, warn
from recon.base.public import public
from recon.car.vehicle import Gauge, Vehicle
from recon.records.column_conversion import gauge_unit
from recon.records.column_maps import WORDS
from recon.records.corrections import Correction
from recon.records.files import checksum
from recon.records.sheets import Tares, Words
from recon.records.table_rows import Rows, open_rows

# How the wheel stood, for messages: a wrong state shifts every force of the corner, so that none
# is guessed from the spelling.
STATES = {
    "hanging": "the wheel off the ground at full droop",
    "pads": "the wheel on a scale, its load in pad_load",
    "standing": "on the ground without a scale; kept, never used as a zero",
    "coasting": "rolling straight without brake or throttle; kept, never used as a zero",
}
GAUGE_UNIT = "gauge unit"  # header of a column whose rows have the unit of their own gauge


@public
def read_tares(path: str | Path, car: Vehicle, *, column_map: str | Path | None = None) -> Tares:
    """Read a tare table.

    Parameters
    ----------
    path : str or Path
        CSV, plain or `.gz`.
    car : Vehicle
        Its gauges and their units.
    column_map : str or Path, optional
        Map (TOML) of foreign columns.

    Returns
    -------
    Tares
        Indications and scatter in the unit of each gauge, pad load [N], time [s].

    Raises
    ------
    DataError
        A column, unit or word is missing or unknown, a gauge is not in the vehicle file, an
        indication is empty, a pad load is missing or not above 0 in state `pads`, or the
        scatter is negative.
    """
    rows = open_rows(path, "tares", car, column_map)
    gauges = {gauge.name: gauge for _, gauge in car.gauges}
    written = rows.words("gauge", legal=tuple(gauges), others="gauges")
    corrections = rows.table.corrections
    names = np.array([_owner(corrections, name) for name in written], dtype=np.str_)
    state = rows.words("state", "hanging")
    rows.refuse(
        ~np.isin(state, tuple(STATES)),
        lambda row: f"state '{state[row]}' for {names[row]}",
        "one of " + ", ".join(f"'{word}' ({meaning})" for word, meaning in STATES.items()),
        "Write how the wheel stood when this tare was read. In another state the links carry "
        "another load, and every force of the corner would be wrong by it.",
    )
    indication = rows.numbers("indication") * _factors(rows, "indication", written, gauges)
    for gauge, correction in corrections.items():
        of = names == gauge
        added = correction.added(gauges[gauge].unit)
        indication[of] = correction.factor * indication[of] + added
        warn(f"{path}: tares of {gauge} {correction}", DataWarning)
    pad_load = np.where(state == "pads", rows.numbers("pad_load", least=0.0), np.nan)
    rows.refuse(
        np.isnan(indication),
        lambda row: f"no indication of {names[row]}",
        "a number in every row",
        "Fill in what the channel said, or remove the row.",
    )
    rows.refuse(
        (state == "pads") & ~(pad_load > 0),
        lambda row: f"state 'pads' for {names[row]} without a pad_load above 0",
        "the load that the pad under this wheel showed",
        "Fill in pad_load, or write 'hanging' if the wheel was off the ground.",
    )
    return Tares(
        path=str(path),
        checksum=checksum(path),
        line=np.array(rows.lines, dtype=np.int64),
        when=rows.words("when", legal=WORDS["when"]),
        gauge=names,
        state=state,
        indication=indication,
        sd=rows.numbers("sd", least=0.0) * _factors(rows, "sd", written, gauges),
        temperature=rows.numbers("temperature"),
        pad_load=pad_load,
        assumed=rows.assumed({"state": "hanging"}),
        time=rows.clock("time"),
    )


def _owner(corrections: Mapping[str, Correction], written: str) -> str:
    """Gauge that a row is of, where the map says that two are exchanged."""
    own = corrections.get(written)
    return own.exchanged_with if own and own.exchanged_with else written


def _factors(rows: Rows, column: str, names: Words, gauges: dict[str, Gauge]) -> Floats:
    bound = rows.table.bound.get(column)
    if bound is None or bound.spelling == GAUGE_UNIT:
        return np.ones(len(names))
    return np.array(
        [
            gauge_unit(rows.where(row, column), bound.spelling, gauges[name]).factor
            for row, name in enumerate(names)
        ]
    )
