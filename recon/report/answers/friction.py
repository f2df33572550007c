"""Friction use in words, and the picture of Fy/Fz against Fx/Fz of every tyre."""

from __future__ import annotations

import numpy as np

from recon.analysis.friction import FEWEST_SAMPLES, LOW_LOAD
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.records.forces import require_forces
from recon.report.common.artists import Figure
from recon.report.common.road_plane import Plane, Tyre, known_forces, plot_plane

MOSTLY = 0.95  # of an envelope
PLANE = Plane(
    labels=("longitudinal use Fx/Fz [1]", "lateral use Fy/Fz [1]"),
    circle="circle: constant friction use",
    per=1.0,
    unit="",
    least=0.1,
)


def friction_summary(answer: xr.Dataset) -> list[str]:
    """Highest demonstrated friction use per tyre."""
    reference = str(answer.attrs["reference"])
    what = "sqrt(Fx^2 + Fy^2) / Fz" if reference == "Fz" else f"as a share of {reference}"
    lines = [
        _finding(answer, reference),
        f"Friction use {what} above {answer.attrs['low_load_N']:.0f} N, tyre axes, "
        f"{answer.attrs['bandwidth_Hz']:.4g} Hz",
    ]
    for k, name in enumerate(answer["corner"].to_numpy()):
        value = float(answer["highest_demonstrated_use"][k])
        if not np.isfinite(value):
            lines.append(
                f"  {name}: highest use not known, fewer than {FEWEST_SAMPLES} known "
                "samples above the load gate"
            )
            continue
        half = COVERAGE_FACTOR * float(answer["u_highest_demonstrated_use"][k])
        samples = f"{int(answer['samples_used'][k])} samples"
        lines.append(f"  {name}: {_of_tyre(value, half, reference)}, {samples}{_limit(reference)}")
        if "envelope" in reference and value + half < MOSTLY:
            lines.append("    either spare grip or this drive never worked it")
    return lines


def _finding(answer: xr.Dataset, reference: str) -> str:
    """The tyre that was used most, in one sentence."""
    use = answer["highest_demonstrated_use"].to_numpy()
    k = int(np.nanargmax(use))  # there is one, or there would be no result
    half = COVERAGE_FACTOR * float(answer["u_highest_demonstrated_use"][k])
    words = _of_tyre(float(use[k]), half, reference)
    return f"{answer['corner'].to_numpy()[k]} was used most: {words}{_limit(reference)}"


def _of_tyre(value: float, half: float, reference: str) -> str:
    """Highest use of a tyre in words."""
    if reference == "Fz":
        return f"highest use {value:.3f} +-{half:.3f} (95 %)"
    return f"reached {100 * value:.0f} +-{100 * half:.0f} % of {reference} (95 %)"


def _limit(reference: str) -> str:
    return " (what the tyre used, not its limit)" if reference == "Fz" else ""


def plot_friction_plane(forces: xr.Dataset, friction: xr.Dataset | None = None) -> Figure:
    """Draw Fy/Fz against Fx/Fz of each tyre; shade and marker show the third of Fz of a sample.

    Samples at a bound are left out, because a bound is not a measurement, and so
    are those with little Fz, because their ratio is mostly noise.

    Parameters
    ----------
    forces : xarray.Dataset
        Result of the reconstruction: `tyre_force` [N] (elapsed_time, corner, component), tyre
        axes, x forward, y left, z up; `status`.
    friction : xarray.Dataset, optional
        Result of `friction_use` [1]; the title then names the highest use, and its smallest Fz
        decides which samples are left out.

    Raises
    ------
    DataError
        `forces` is no result of the reconstruction.
    """
    require_forces(forces, "tyre_force", "status")
    low = LOW_LOAD if friction is None else float(friction.attrs["low_load_N"])
    tyres = {str(c): _tyre(forces, str(c), low) for c in forces["corner"].to_numpy()}
    return plot_plane(forces, PLANE, tyres, _title(tyres, friction))


def _tyre(forces: xr.Dataset, corner: str, low: float) -> Tyre:
    force, held, unknown = known_forces(forces, corner)
    loaded = force[:, 2] >= low
    drawn = force[loaded]
    words = (
        f"{int(held.sum())} at a bound, {int(np.sum(~loaded))} below {low:.0f} N, "
        f"{unknown} not known"
    )
    return Tyre(drawn[:, :2] / drawn[:, 2:], drawn[:, 2], words)


def _title(tyres: dict[str, Tyre], friction: xr.Dataset | None) -> str:
    if friction is not None:
        highest = friction["highest_demonstrated_use"].to_numpy()
        k = int(np.nanargmax(highest))  # there is one, or there would be no result
        half = COVERAGE_FACTOR * float(friction["u_highest_demonstrated_use"][k])
        corner = str(friction["corner"].to_numpy()[k])
        reference = str(friction.attrs.get("reference", "Fz"))
        if reference != "Fz":
            share = f"{100 * highest[k]:.0f} ± {100 * half:.0f} %"
            return f"Friction use: {corner} reached {share} of {reference}"
        return f"Friction use: highest {highest[k]:.2f} ± {half:.2f} ({corner}, 95 %)"
    if not any(len(tyre.plane) for tyre in tyres.values()):
        return "Friction use: none known"
    return "Friction use of each tyre"
