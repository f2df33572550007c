"""Picture of the horizontal force of every tyre: Fy against Fx in newtons."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.public import public
from recon.base.quantities import COVERAGE_FACTOR
from recon.records.forces import require_forces
from recon.report.common.artists import Figure
from recon.report.common.road_plane import Plane, Tyre, known_forces, plot_plane

PLANE = Plane(
    labels=("longitudinal force Fx [N]", "lateral force Fy [N]"),
    circle="circle: constant horizontal force",
    per=1000.0,
    unit="kN",
    least=1.0,
)


@public
def plot_horizontal_forces(forces: xr.Dataset) -> Figure:
    """Draw Fy against Fx of each tyre; shade and marker show the third of Fz of a sample.

    Samples at a bound are left out, because a bound is not a measurement.

    `forces` is the result of the reconstruction: `tyre_force` [N] (elapsed_time, corner,
    component), tyre axes, x forward, y left, z up; `u_tyre_force` [N] and `status`.
    Raises DataError: `forces` is no result of the reconstruction.
    """
    require_forces(forces, "tyre_force", "u_tyre_force", "status")
    tyres, largest = {}, []
    for corner in corner_names(forces):
        force, measured, held, unknown = known_forces(forces, corner)
        words = f"{int(held.sum())} at a bound, {unknown} not known"
        tyres[corner] = Tyre(force[:, :2], force[:, 2], words)
        if len(force):
            u = forces["u_tyre_force"].sel(corner=corner).to_numpy()
            largest.append((*_largest(force, u, np.flatnonzero(measured)), corner))
    return plot_plane(forces, PLANE, tyres, _title(largest))


def _largest(force: Floats, u: Floats, at: NDArray[np.intp]) -> tuple[float, float]:
    """Largest horizontal force and the half-width of its interval [N].

    `force` (known, 3) [N] are those samples `at` (known,) of `u` (sample, 3) [N].  Errors along
    and sideways are taken as one: however they belong together, the interval is wide enough.
    """
    size = np.hypot(force[:, 0], force[:, 1])
    top = int(np.argmax(size))
    shares = np.abs(force[top, :2]) / max(float(size[top]), 1e-6)
    return float(size[top]), COVERAGE_FACTOR * float(shares @ u[at[top], :2])


def _title(largest: list[tuple[float, float, str]]) -> str:
    if not largest:
        return "Horizontal force: none known"
    size, half, corner = max(largest)
    most = f"{size / 1000:.2f} +-{half / 1000:.2f} kN"
    return f"Horizontal force: up to {most} ({corner}, 95 %)"
