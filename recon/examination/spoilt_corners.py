"""Corners whose forces an ordinary channel spoils where it is wrong."""

from __future__ import annotations

from recon.examination.inferred_turning import yaw_channels
from recon.examination.view import View

MOVES_FORCES = ("roll", "pitch", "steer", "steering_wheel_angle", "rack", "travel",
                "hub_acceleration", "acceleration", "brake_pressure")  # fmt: skip


def spoilt_by(view: View, channels: tuple[str, ...]) -> tuple[str, ...]:
    """Corners whose forces depend on some of these ordinary channels."""
    moving = [c for c in channels if c.startswith((*MOVES_FORCES, *yaw_channels(view.log)))]
    named = {c for c in view.prepared.car.corners if any(f"_{c}" in name for name in moving)}
    of_all = any(_acts_on_all(view, name) for name in moving)
    return tuple(c for c in view.corners if moving and (of_all or c in named))


def _acts_on_all(view: View, channel: str) -> bool:
    """Whether a channel belongs to no corner, or roll and pitch come from it."""
    if channel.startswith("travel") and view.prepared.session.attitude.source == "travel":
        return True
    return not any(f"_{corner}" in channel for corner in view.prepared.car.corners)
