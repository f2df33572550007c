"""Which drive a page shows: its log and day, and plain names for what files and channels say."""

from __future__ import annotations

import re
from pathlib import PurePath

from recon.base.late import xr
from recon.records.provenance import recorded_inputs

# Channels whose names in logs are not words of everyday language.
CHANNELS = (
    *("hub_acceleration", "wheel_speed", "brake_pressure", "yaw_rate", "engine_speed"),
    "gauge_temperature",
)
# Folders in front of the name of a file: of a whole path, which may hold blanks, or of a relative
# one, which may not.
FOLDER = re.compile(
    r"""(?<![^\s"'(])(?:(?:[A-Za-z]:)?[/\\](?=\S)(?:[^/\\:"']*[/\\])*|(?:[\w.~-]+[/\\])+)"""
    r"(?=[\w.-]+\.\w)"
)


def which_drive(forces: xr.Dataset) -> str:
    """Log and day of a drive, as far as they are known: "slalom_log.csv, 2026-05-02"."""
    logs = [PurePath(one.file).name for one in recorded_inputs(forces) if one.role == "log"]
    day = str(forces.attrs.get("log_date", ""))[:10]
    return ", ".join([*logs, day or "day not stated"]) if logs or day else ""


def plain(sentence: str) -> str:
    """A sentence with names of channels in words, and without folders in front of a file."""
    for name in CHANNELS:
        sentence = re.sub(rf"\b{name}\b", name.replace("_", " "), sentence)
    return FOLDER.sub("", sentence)
