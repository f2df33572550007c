"""Picture of the horizontal force of every tyre: Fy against Fx in newtons."""

from __future__ import annotations

import numpy as np

from recon.base.late import xr
from recon.base.public import public
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
    component), tyre axes, x forward, y left, z up; `status`.
    Raises DataError: `forces` is no result of the reconstruction.
    """
    require_forces(forces, "tyre_force", "status")
    tyres = {}
    for corner in map(str, forces["corner"].to_numpy()):
        force, held, unknown = known_forces(forces, corner)
        words = f"{int(held.sum())} at a bound, {unknown} not known"
        tyres[corner] = Tyre(force[:, :2], force[:, 2], words)
    return plot_plane(forces, PLANE, tyres, _title(tyres))


def _title(tyres: dict[str, Tyre]) -> str:
    largest = {c: np.max(np.hypot(*t.plane.T)) for c, t in tyres.items() if len(t.plane)}
    if not largest:
        return "Forces in the road plane: none known"
    corner = max(largest, key=lambda c: largest[c])
    return f"Forces in the road plane: largest {largest[corner] / 1000:.1f} kN ({corner})"
