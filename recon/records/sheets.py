"""Pull sheets and tare tables as arrays in SI units.

Rows keep the order of the file.  Indications keep the unit of their gauge as the vehicle
file states it.  NaN means "not read" for indications and "device not in use" for loads.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats

Words = NDArray[np.str_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A load device in every row of a sheet; arrays have length `row` unless stated otherwise."""

    load: Floats  # N
    point: Floats  # (row, 3) m, where it acts on the wheel
    direction: Floats  # (row, 3) unit vector of the force on the wheel, NaN where marks are given
    u_gain: Floats  # relative, common to all readings of the device
    u_point: Floats  # m
    u_angle: Floats  # rad, of the direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Strap(Device):
    """A strap with its load cell; two marks on it may show its direction."""

    mark1: Floats  # (row, 3) m, wheel end of the strap
    mark2: Floats  # (row, 3) m
    u_mark: Floats  # m
    limit: Floats  # N, NaN where not stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Where suspension and steering stood in every row, (row,)."""

    travel: Floats  # m
    partner_travel: Floats  # m, of the wheel that an axle ties to the pulled one; NaN: the same
    steer: Floats  # rad


# Columns of the file that belong to a part of the sheet, and the fields that hold them.
STRAP = {
    "strap_load": "load",
    "attach": "point",
    "direction": "direction",
    "u_strap_gain": "u_gain",
    "u_attach": "u_point",
    "u_direction": "u_angle",
    "mark1": "mark1",
    "mark2": "mark2",
    "u_mark": "u_mark",
    "strap_limit": "limit",
}
PAD = {
    "pad_load": "load",
    "pad": "point",
    "u_pad_gain": "u_gain",
    "u_pad_point": "u_point",
    "u_pad_tilt": "u_angle",
}
PARTS = {
    "strap": STRAP,
    "pad": PAD,
    "setting": {name: name for name in ("travel", "partner_travel", "steer")},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PullSheet:
    """Rows of one pull sheet; every array has length `row` unless its shape says otherwise."""

    path: str
    checksum: str
    line: NDArray[np.int64]  # line of the file, for messages
    corner: Words
    pull: Words
    purpose: Words  # fit | verify
    wheel_held_by: Words  # brake | half-shaft | free
    phase: Words  # tare | rising | falling
    clock: Floats  # s; row number where no clock was written
    strap: Strap
    pad: Device  # pushes straight up
    u_load_step: Floats  # relative, per reading of either device
    setting: Setting
    temperature: Floats  # degC
    notes: Words
    gauges: tuple[str, ...]
    indication: Floats  # (row, gauge) in each gauge's unit
    assumed: tuple[str, ...] = ()  # a sentence for each default that was used

    @classmethod
    def of_columns(cls, columns: dict[str, Any], **other: Any) -> PullSheet:
        """Group `columns`, named as in the file; vectors are (row, 3)."""
        columns = dict(columns)
        own = {
            part: {field: columns.pop(name) for name, field in names.items()}
            for part, names in PARTS.items()
        }
        up = np.tile([0.0, 0.0, 1.0], (len(own["pad"]["load"]), 1))
        return cls(
            strap=Strap(**own["strap"]),
            pad=Device(direction=up, **own["pad"]),
            setting=Setting(**own["setting"]),
            **columns,
            **other,
        )

    def __repr__(self) -> str:
        """The lines that a notebook shows: pulls of each corner, instead of every row."""
        pulls = dict.fromkeys(zip(self.corner.tolist(), self.pull.tolist(), strict=True))
        count = Counter(corner for corner, _ in pulls)
        words = ", ".join(f"{number} pulls at {corner}" for corner, number in count.items())
        return f"PullSheet {self.path}: {words}; {len(self.gauges)} gauges, {len(self.line)} rows"

    def column(self, name: str) -> NDArray:
        """Values of a column of the file; vectors are (row, 3)."""
        for part, names in PARTS.items():
            if name in names:
                return np.asarray(getattr(getattr(self, part), names[name]))
        return np.asarray(getattr(self, name))


@dataclass(frozen=True, slots=True)
class Tares:
    """Zero records; every array has length `row`."""

    path: str
    checksum: str
    line: NDArray[np.int64]
    when: Words  # before | during | after
    gauge: Words
    state: Words  # hanging | pads | standing | coasting; only the loads of the first two are known
    indication: Floats  # unit of the gauge
    sd: Floats  # scatter of single samples, NaN where not written
    temperature: Floats  # degC, NaN where not written
    pad_load: Floats  # N, NaN unless on pads
    time: Floats  # s, NaN where not written
    assumed: tuple[str, ...] = ()  # a sentence for each default that was used

    def __repr__(self) -> str:
        """The lines that a notebook shows: when and in which state, instead of every row."""
        taken = dict.fromkeys(zip(self.when.tolist(), self.state.tolist(), strict=True))
        words = ", ".join(f"{when} the drive ({state})" for when, state in taken)
        return f"Tares {self.path}: {words}; {len(set(self.gauge.tolist()))} gauges"


@dataclass(frozen=True, slots=True)
class GivenSection:
    """A section by hand: from `start` to `end` in s, or in m along the course where `by_place`."""

    name: str
    kind: str
    start: float
    end: float
    by_place: bool = False
    where: str = "sections"  # file and line, for messages
