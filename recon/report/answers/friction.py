"""Friction use in words, and the picture of Fy/Fz against Fx/Fz of every tyre."""

from __future__ import annotations

import numpy as np

from recon.analysis.friction import DEMONSTRATED_SHARE, FEWEST_SAMPLES, LOW_LOAD
from recon.base.late import xr
from recon.base.public import public
from recon.records.forces import require_forces
from recon.report.common.artists import Figure
from recon.report.common.given_answer import require_answer
from recon.report.common.road_plane import Plane, Tyre, known_forces, plot_plane
from recon.report.common.text import value_and_half

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
        f"{answer.attrs['bandwidth_Hz']:.4g} Hz{_parts(answer)}",
    ]
    for k, name in enumerate(answer["corner"].to_numpy()):
        value, half = value_and_half(answer.isel(corner=k), "highest_demonstrated_use")
        if not np.isfinite(value):
            lines.append(
                f"  {name}: highest use not known, fewer than {FEWEST_SAMPLES} known "
                "samples with enough load"
            )
            continue
        samples = f"{int(answer['samples_used'][k])} samples"
        words = _of_tyre(answer.isel(corner=k), reference)
        lines.append(f"  {name}: {words}, {samples}{_limit(reference)}")
        if "envelope" in reference and value + half < MOSTLY:
            lines.append("    either spare grip or this drive never worked it")
    return lines


def _parts(answer: xr.Dataset) -> str:
    """How much of the drive the parts given by hand are; empty if they are all of it."""
    inside, every = int(answer["in_parts"].sum()), answer.sizes["elapsed_time"]
    return "" if inside == every else f", {inside} of {every} samples in the parts given by hand"


def _finding(answer: xr.Dataset, reference: str) -> str:
    """The tyre that was used most, in one sentence."""
    most = _most_used(answer)
    words = _of_tyre(most, reference)
    return f"{most['corner'].item()} was used most: {words}{_limit(reference)}"


def _most_used(answer: xr.Dataset) -> xr.Dataset:
    """The answer of one tyre; there is one, or there would be no result."""
    return answer.isel(corner=int(np.nanargmax(answer["highest_demonstrated_use"].to_numpy())))


def _of_tyre(one: xr.Dataset, reference: str) -> str:
    """Highest use of one tyre; without an envelope, which counts on it, with the loads there."""
    value, half = value_and_half(one, "highest_demonstrated_use")
    if "envelope" in reference:
        return f"reached {100 * value:.0f} +-{100 * half:.0f} % of {reference} (95 %)"
    least, most = (float(one[f"{end}_load_at_highest_use"]) for end in ("least", "most"))
    loads = f"at loads of {least:.0f} to {most:.0f} N"
    if reference == "Fz":
        return f"highest use {value:.3f} +-{half:.3f} (95 %) {loads}"
    return f"reached {100 * value:.0f} +-{100 * half:.0f} % of {reference} (95 %) {loads}"


def _limit(reference: str) -> str:
    share = f"{100 * DEMONSTRATED_SHARE:g} % of the samples used less"
    return f" ({share}; not shown to be the limit)" if reference == "Fz" else f" ({share})"


@public
def plot_friction_plane(forces: xr.Dataset, friction: xr.Dataset | None = None) -> Figure:
    """Draw Fy/Fz against Fx/Fz of each tyre; shade and marker show the third of Fz of a sample.

    Samples at a bound are left out, because a bound is not a measurement, and so
    are those with little Fz, because their ratio is mostly noise.

    `forces` is the result of the reconstruction: `tyre_force` [N] (elapsed_time, corner,
    component), tyre axes, x forward, y left, z up; `status`. `friction` is the result of
    `friction_use` [1]; the title then names the highest use, and its smallest Fz decides which
    samples are left out, beside those outside of the parts given by hand.
    Raises DataError: `forces` is no result of `reconstruct`, or `friction` none of `friction_use`.
    """
    require_forces(forces, "tyre_force", "status")
    if friction is not None:
        require_answer(friction, "highest_demonstrated_use", ("corner",), "friction_use")
    low = LOW_LOAD if friction is None else float(friction.attrs["low_load_N"])
    forces = forces[["tyre_force", "status"]]  # a copy of all others would fill the memory
    if friction is not None:
        chosen = friction["elapsed_time"].to_numpy()[friction["in_parts"].to_numpy() > 0]
        forces = forces.isel(elapsed_time=np.isin(forces["elapsed_time"].to_numpy(), chosen))
    tyres = {str(c): _tyre(forces, str(c), low) for c in forces["corner"].to_numpy()}
    return plot_plane(forces, PLANE, tyres, _title(tyres, friction))


def _tyre(forces: xr.Dataset, corner: str, low: float) -> Tyre:
    force, _, held, unknown = known_forces(forces, corner)
    loaded = force[:, 2] >= low
    drawn = force[loaded]
    words = (
        f"{int(held.sum())} at a bound, {int(np.sum(~loaded))} below {low:.0f} N, "
        f"{unknown} not known"
    )
    return Tyre(drawn[:, :2] / drawn[:, 2:], drawn[:, 2], words)


def _title(tyres: dict[str, Tyre], friction: xr.Dataset | None) -> str:
    if friction is not None:
        most = _most_used(friction)
        highest, half = value_and_half(most, "highest_demonstrated_use")
        corner = most["corner"].item()
        reference = str(friction.attrs.get("reference", "Fz"))
        if reference != "Fz":
            share = f"{100 * highest:.0f} ± {100 * half:.0f} %"
            return f"{corner} reached {share} of {reference}; drawn: force over Fz"
        return f"Friction use: highest {highest:.2f} ± {half:.2f} ({corner}, 95 %)"
    if not any(len(tyre.plane) for tyre in tyres.values()):
        return "Friction use: none known"
    return "Friction use of each tyre"
