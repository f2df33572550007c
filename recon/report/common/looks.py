"""Colours, markers and sizes of all pictures; every mark stays distinct in a grey print."""

from __future__ import annotations

from dataclasses import dataclass

TEXT, SMALL = 9.0, 8.0  # pt
INK, MIDDLE, PALE, FAINT = "#14202e", "#587489", "#a9bac6", "#dfe5e9"
ACCENT = "#b5401f"


@dataclass(frozen=True, slots=True)
class Look:
    """How one corner is drawn: marker and lightness both distinguish it in a grey print."""

    name: str
    colour: str
    marker: str


LOOKS = {
    "FL": Look("front left", "#14202e", "o"),
    "FR": Look("front right", "#b5401f", "s"),
    "RL": Look("rear left", "#4b9cc0", "^"),
    "RR": Look("rear right", "#e3b04b", "D"),
    "front": Look("axle", "#3d5a40", "v"),
    "rear": Look("axle", "#8a6fa8", "P"),
}

# Fill, hatch and words of each part of the uncertainty, distinct in a grey print.
PART_LOOKS = {
    "random": ("white", "////", "random: new at every sample"),
    "session": (PALE, "", "session: fixed over one drive"),
    "calibration": (MIDDLE, "....", "calibration: common to all drives"),
    "assumption": (INK, "", "assumption: stated, not measured"),
}
