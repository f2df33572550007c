"""The door to the pictures: plots that return a matplotlib Figure, and one that saves it."""

from recon.report.corner import plot_corner
from recon.report.crosstalk import plot_crosstalk
from recon.report.knowledge import plot_knowledge
from recon.report.lateral import plot_lateral_force
from recon.report.plane import plot_friction_plane
from recon.report.sheet import save_figure
from recon.report.travel import plot_travel
from recon.report.verification import plot_verification

__all__ = [
    "plot_corner",
    "plot_crosstalk",
    "plot_friction_plane",
    "plot_knowledge",
    "plot_lateral_force",
    "plot_travel",
    "plot_verification",
    "save_figure",
]
