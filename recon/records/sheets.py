"""Pull sheets and tare tables as arrays in SI units.

Rows keep the order of the file.  Indications keep the unit of their gauge as the vehicle
file states it.  NaN means "not read" for indications and "device not in use" for loads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats

Words = NDArray[np.str_]


@dataclass(frozen=True, slots=True)
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
    strap_load: Floats  # N
    pad_load: Floats  # N
    attach: Floats  # (row, 3) m
    mark1: Floats  # (row, 3) m, wheel end of the strap
    mark2: Floats  # (row, 3) m
    direction: Floats  # (row, 3) unit vector of the force on the wheel, NaN where marks are given
    pad: Floats  # (row, 3) m
    travel: Floats  # m
    partner_travel: Floats  # m, of the wheel that an axle ties to the pulled one; NaN: the same
    steer: Floats  # rad
    temperature: Floats  # degC
    u_load_step: Floats  # relative, per reading
    u_strap_gain: Floats  # relative, common to the device
    u_pad_gain: Floats
    u_attach: Floats  # m
    u_mark: Floats
    u_pad_point: Floats
    u_direction: Floats  # rad
    u_pad_tilt: Floats
    strap_limit: Floats  # N, NaN where not stated
    notes: Words
    gauges: tuple[str, ...]
    indication: Floats  # (row, gauge) in each gauge's unit


@dataclass(frozen=True, slots=True)
class Tares:
    """Zero records; every array has length `row`."""

    path: str
    checksum: str
    line: NDArray[np.int64]
    when: Words  # before | after
    gauge: Words
    state: Words  # hanging | pads
    indication: Floats  # unit of the gauge
    sd: Floats  # scatter of single samples, NaN where not written
    temperature: Floats  # degC, NaN where not written
    pad_load: Floats  # N, NaN unless on pads
    time: Floats  # s, NaN where not written
