"""Force of the brakes per line pressure, as gauges show it and as stated brake torques give it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.car.si import BAR
from recon.car.vehicle import SIDES, WORN_PADS
from recon.evaluation.common.estimate import Estimate


def against_stated(forces: xr.Dataset, axle: str, ratios: Sequence[Estimate]) -> str:
    """Sentence about an axle whose stated brake torque the gauges contradict; "" for none.

    `ratios` are its forces per line pressure [N/Pa] by stop, as the gauges show them.
    """
    known = [one for one in ratios if np.isfinite(one.value).all()]
    stated, u_stated = _stated(forces, SIDES[axle])
    if not known or not np.isfinite(stated):
        return ""
    best = min(known, key=lambda one: float(one.u[0]))
    shown, u_shown = float(best.value[0]), float(best.u[0])
    u_stated = float(np.hypot(u_stated, WORN_PADS * stated))
    if abs(shown - stated) <= COVERAGE_FACTOR * np.hypot(u_shown, u_stated):
        return ""
    by_gauges, by_file = (
        f"{BAR * value:.1f} +-{BAR * COVERAGE_FACTOR * u:.1f} N"
        for value, u in ((shown, u_shown), (stated, u_stated))
    )
    return (
        f"The gauges contradict the stated brake torque of the {axle} axle: they show {by_gauges} "
        f"per bar, brake_torque_Nm_per_bar and the loaded radius give {by_file}, pads cold or worn "
        "included. Correct that key, or the unit of brake_pressure, or look whether the lines of "
        "front and rear are exchanged"
    )


def faded_beyond_stated(axle: str, change: Estimate, force: Estimate, following: float) -> str:
    """Sentence about an axle whose fade makes its force of the last stop wrong; "" for none.

    `change` (1,) [1] is the fade, `force` (1,) [N] that of the last stop, and `following` [N] the
    part of it that follows the stated torque.
    """
    wrong, half = abs(following * float(change.value[0])), COVERAGE_FACTOR * float(force.u[0])
    if not wrong > half:
        return ""
    return (
        f"The {axle} brakes give {100 * change.value[0]:+.0f} % by the last stop and their stated "
        f"torque stays: the {axle} braking force there is wrong by some {wrong:.0f} N, more than "
        f"its +-{half:.0f} N. State u_brake_torque_Nm_per_bar as large as that change and "
        "reconstruct again"
    )


def _stated(forces: xr.Dataset, wheels: Sequence[str]) -> tuple[float, float]:
    """Force of an axle per line pressure [N/Pa] as the vehicle file gives it, and its u.

    NaN where a wheel is not there.  Both wheels have the same pads: their errors add up.
    """
    if not set(wheels) <= set(forces["corner"].to_numpy().tolist()):
        return float("nan"), float("nan")
    of = forces.sel(corner=list(wheels))
    torque, u = (of[f"{name}brake_torque_per_pressure"].to_numpy() for name in ("", "u_"))
    radius = of["loaded_radius"].to_numpy()
    return float(np.sum(torque / radius)), float(np.sum(u / radius))
