"""Best source of a hub's acceleration axis by axis, and how wrong it is at the bandwidth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from recon.base.late import xr
from recon.base.quantities import COMPONENTS, STANDARD_GRAVITY
from recon.car.vehicle import Vehicle
from recon.conditioning.carrying import u_of_hub
from recon.conditioning.hub_motion import HOP_SHARE
from recon.reconstruction.estimator.session import Three
from recon.reconstruction.inputs.logged_channels import axes_logged, logged, warn_missing

T = TypeVar("T")
Words = tuple[str, str, str]
# Common practice, no source.
U_ACCELERATION_OF_BODY = 4.0  # m/s2, the acceleration of the body used for that of the hub
U_ACCELERATION_UNKNOWN = 10.0  # m/s2, no acceleration at all: a car corners at 1 g


@dataclass(frozen=True, slots=True)
class HubInputs:
    """Source of a hub's acceleration axis by axis, `u` [m/s2], relative shares, see `session`."""

    source: Words
    u: Three
    share: Three
    hop_share: float
    moves: bool
    of_body: Three


def hub_inputs(log: xr.Dataset, car: Vehicle, name: str) -> HubInputs:
    """Best source of the hub's acceleration axis by axis, with a warning where it is not logged."""
    sensors, source = car.sensors, _acceleration_sources(log, name)
    moves = source != ("hub",) * 3 and logged(log, "relative_acceleration", name)
    against_body = np.full(3, U_ACCELERATION_OF_BODY)
    if moves:
        against_body = log["u_relative_acceleration"].sel(corner=name).to_numpy()
    of = {
        "hub": u_of_hub(sensors, log),
        "body": against_body,
        "none": np.full(3, U_ACCELERATION_UNKNOWN),
    }
    u = _three(float(of[where][axis]) for axis, where in enumerate(source))
    share = _three(sensors.u_hub_acceleration_share * (where == "hub") for where in source)
    by_gauges = moves and source[2] == "body" and HOP_SHARE in log
    hop_share = float(log[HOP_SHARE].sel(corner=name)) if by_gauges else 0.0
    fixed = _of_body(log, car)
    of_body = _three(fixed[axis] * (moves and where == "body") for axis, where in enumerate(source))
    _warn_of_stand_in(log, name, source, u, moves)
    return HubInputs(source, u, share, hop_share, moves, of_body)


def _of_body(log: xr.Dataset, car: Vehicle) -> Three:
    """Fixed error [m/s2] of the body's specific force, which all corners share."""
    if "u_acceleration" in log:
        return _three(map(float, log["u_acceleration"].to_numpy()))
    # Its accelerometer is taken to be as good as those that the vehicle file states.
    u, share = car.sensors.u_hub_acceleration, car.sensors.u_hub_acceleration_share
    return u, u, float(np.hypot(u, share * STANDARD_GRAVITY))


def _warn_of_stand_in(log: xr.Dataset, name: str, source: Words, u: Three, moves: bool) -> None:
    """One warning per source that stands in for the hub's accelerometer."""
    used = {"body": "body acceleration is used", "none": "gravity alone is used"}
    if moves:
        used["body"] = (
            "it is inferred from body acceleration and the motion of the wheel against the body"
        )
    for where, instead in used.items():
        axes = [axis for axis in range(3) if source[axis] == where]
        if axes:
            which = "" if len(axes) == 3 else f" ({', '.join(COMPONENTS[a] for a in axes)})"
            each = f"{u[axes[0]]:.2g}" if len({u[a] for a in axes}) == 1 else _listed(u, axes)
            text = f"{instead}, with a standard uncertainty of {each} m/s2"
            warn_missing(log, name, f"hub_acceleration{which}", text)


def _listed(u: Three, axes: list[int]) -> str:
    """Uncertainties of some axes, such as '0.9 (x), 0.6 (y), 0.3 (z)'."""
    return ", ".join(f"{u[axis]:.2g} ({COMPONENTS[axis]})" for axis in axes)


def _acceleration_sources(log: xr.Dataset, corner: str) -> Words:
    hub = axes_logged(log, "hub_acceleration", corner)
    body = axes_logged(log, "acceleration", None)
    return _three("hub" if h else "body" if b else "none" for h, b in zip(hub, body, strict=True))


def _three(values: Iterable[T]) -> tuple[T, T, T]:
    x, y, z = values
    return x, y, z
