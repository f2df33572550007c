"""Tyre forces at the contact patches from strain gauges on a car's own suspension links.

>>> import recon
>>> car = recon.read_vehicle(recon.shipped("vehicles", "club_racer.toml"))
>>> pulls = recon.read_pulls(recon.shipped("demo_data", "pulls.csv"), car)
>>> calibration = recon.calibrate(pulls, car)
>>> log = recon.read_log(recon.shipped("demo_data", "day.csv.gz"), car)
>>> tares = recon.read_tares(recon.shipped("demo_data", "tares.csv"), car)
>>> forces = recon.reconstruct(recon.condition(log, car, tares), calibration, car)
>>> peaks = recon.slalom(forces)
>>> use = recon.friction_use(forces)
"""

from importlib import import_module

from recon.answers import ANSWERS
from recon.base import errors

# Public names in the order of the data's flow; each is loaded when it is first asked for.
_PLACES = {
    "shipped": "recon.base.shipped",
    "read_vehicle": "recon.records.vehicles",
    "observe": "recon.planning.observability",
    "observe_car": "recon.planning.observability",
    "best_gauges": "recon.planning.observability",
    "patch_axes": "recon.mechanics.axes",
    "read_pulls": "recon.records.pulls",
    "read_tares": "recon.records.tares",
    "read_log": "recon.records.logs",
    "read_logs": "recon.conditioning.joining",
    "condition": "recon.conditioning.condition",
    "part_of": "recon.conditioning.part_of_drive",
    "calibrate": "recon.calibration.calibrate",
    "verify": "recon.calibration.verify",
    "crosstalk": "recon.calibration.crosstalk",
    "write_calibration": "recon.calibration.store",
    "read_calibration": "recon.calibration.store",
    "prepare": "recon.reconstruction.prepare",
    "reconstruct": "recon.examination.reconstruct",
    "examine": "recon.examination.examine",
    "doubts_in": "recon.records.doubt_variables",
    "signed_errors": "recon.reconstruction.result.signed_errors",
    "weigh_check": "recon.reconstruction.weighing",
    "read_run_list": "recon.records.run_list",
    "compare_runs": "recon.analysis.comparison",
    "write_result": "recon.records.results",
    "read_result": "recon.records.results",
    **{name: place for answer in ANSWERS for name, place in answer.public_names.items()},
    "export": "recon.report.export",
    "plot_comparison": "recon.report.comparison.comparison_picture",
    "page": "recon.pages.page",
    "plot_forces": "recon.report.drive.force_bands",
    "plot_crosstalk": "recon.report.calibration.crosstalk",
    "plot_verification": "recon.report.calibration.verification",
    "plot_horizontal_forces": "recon.report.drive.horizontal_forces",
    "plot_health": "recon.report.drive.gauges_over_drive",
    "plot_corner": "recon.report.car.corner",
    "plot_travel": "recon.report.car.travel",
    "plot_knowledge": "recon.report.car.knowledge",
    "save_figure": "recon.report.common.sheet",
    "pipeline": "recon",
    **{
        name: errors.__name__
        for name, one in vars(errors).items()
        if isinstance(one, type) and issubclass(one, errors.ReconError | errors.ReconWarning)
    },
}
__all__ = list(_PLACES)


def __dir__() -> list[str]:
    # Completion and `help(recon)` ask for names before any of them is loaded; modules that were
    # imported on the way are none of them.
    return sorted([*__all__, *(name for name in globals() if name.startswith("__"))])


def __getattr__(name: str) -> object:
    if name not in _PLACES:
        message = f"module 'recon' has no attribute '{name}'"
        raise AttributeError(message)
    if name == "pipeline":
        return import_module("recon.pipeline")
    return getattr(import_module(_PLACES[name]), name)
