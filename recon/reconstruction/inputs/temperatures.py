"""Temperatures of pulls, tares and log: how much warmer the drive was, and degF labelled degC."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from recon.base.arrays import Floats, known_mean
from recon.base.errors import DataWarning, warn
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.quantities import celsius
from recon.calibration.calibrated import Calibration

# Gauges are warmer by so much where links are hot; and so near are they on days that are alike.
# Common practice, no source.
APART, ALIKE = 25.0, 12.0  # K


def warn_of_fahrenheit(log: xr.Dataset, calibration: Calibration) -> None:
    """Note temperatures that lie far apart, and would not if the higher ones were in degF.

    `log` (elapsed_time, gauge) as `condition` returns it.

    Warns DataWarning: both causes that fit, with the mean temperatures.
    """
    pulls = [corner.conditions.temperature for corner in calibration.corners.values()]
    means = {"log": _mean(log, "gauge_temperature"), "tare table": _mean(log, "tare_temperature")}
    means["pulls"] = float(np.mean(pulls))
    known = {name: mean for name, mean in means.items() if np.isfinite(mean)}
    if not known:
        return
    cold = min(known.values())
    high = {name: t for name, t in known.items() if t - cold > APART}
    if not high or any(abs(celsius(t) - cold) > ALIKE for t in high.values()):
        return
    most, low = max(high.values()), [name for name in known if name not in high]
    warn(
        f"{log.attrs.get('path', 'log')}: temperatures of {' and '.join(high)} are {most:.0f} degC "
        f"in the mean, those of {' and '.join(low)} {cold:.0f} degC. Two causes fit: gauges that "
        f"really were {most - cold:.0f} K warmer, or degF labelled degC ({most:.0f} degF would be "
        f"{celsius(most):.0f} degC). Check the units.",
        DataWarning,
    )


def above_pulls(log: xr.Dataset, corners: Collection[str], pulls: float) -> Floats:
    """Temperature (sample,) of the gauges of `corners` above that of their `pulls` [degC], in K.

    The mean of these corners; NaN where it is not known.
    """
    names = corner_names(log) if "gauge_temperature" in log.variables else []
    own = [names.index(name) for name in corners if name in names]
    if not own:
        return np.full(log.sizes["elapsed_time"], np.nan)
    values = log.variables["gauge_temperature"].to_numpy()
    if len(own) == 1:
        return np.asarray(values[:, own[0]] - pulls)
    return known_mean(values[:, own]) - pulls


def mean_above_pulls(log: xr.Dataset, corners: Collection[str], pulls: float) -> float:
    """Mean [K] over the log of `above_pulls`; NaN if no sample has a temperature."""
    return _mean_of(above_pulls(log, corners, pulls))


def _mean(log: xr.Dataset, name: str) -> float:
    """Mean of a temperature [degC] over everything that has one; NaN if nothing has."""
    return _mean_of(log[name].to_numpy() if name in log else np.zeros(0))


def _mean_of(values: Floats) -> float:
    known = np.isfinite(values)
    return float(np.mean(values, where=known)) if known.any() else float("nan")
