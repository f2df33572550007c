"""Rows of pull sheets as people write them."""

from __future__ import annotations

import csv
import io

XYZ = "xyz"


def point(name, values, unit="mm"):
    return {f"{name}_{c} [{unit}]": v for c, v in zip(XYZ, values, strict=True)}


def step(phase, load, **changes):
    """One row of a strap pull at FL to the left, marks beyond the attachment."""
    row = {
        "corner": "FL",
        "pull": "1",
        "wheel_held_by": "brake",
        "phase": phase,
        "clock": "09:00",
        "strap_load [kgf]": load,
        "pad_load [kg]": "",
        **point("attach", ("0", "700", "10")),
        **point("mark1", ("0", "900", "20")),
        **point("mark2", ("0", "1500", "50")),
        **point("pad", ("", "", "")),
        "G1 [mV/V]": "0.1",
        "G2 [mV/V]": "0.2",
    }
    return row | changes


def sheet():
    return [step("tare", "0"), step("rising", "50"), step("falling", "20")]


def save(folder, rows, name="pulls.csv", delimiter=","):
    text = io.StringIO()
    names = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.DictWriter(text, names, restval="", delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    path = folder / name
    path.write_text(text.getvalue())
    return path
