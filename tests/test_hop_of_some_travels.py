"""A log that has the travel of one axle only: the other's wheels hop by their gauges."""

from __future__ import annotations

import warnings

import numpy as np

from recon.base.errors import PriorWarning
from recon.conditioning.condition import condition
from recon.conditioning.filters import low_pass
from recon.reconstruction.from_gauges import completed
from tests.days import day, unwarned
from tests.test_from_gauges import damped_drive, u_of_hop


def test_wheels_without_travel_hop_by_their_gauges_beside_others_with_it() -> None:
    log, tares, truth, calibration = damped_drive()
    kept = log.drop_vars("hub_acceleration").copy(deep=True)
    front = [k for k, name in enumerate(kept["corner"].to_numpy()) if name.startswith("F")]
    kept["travel"][:, front] = np.nan
    with unwarned(), warnings.catch_warnings():
        warnings.simplefilter("ignore", PriorWarning)
        found = completed(condition(kept, day().car, tares), calibration, day().car)
    true = truth["hub_acceleration"].to_numpy()[:, :, 2]
    shake = true - low_pass(true, 3.0, 200.0)
    seen = found["relative_acceleration"].to_numpy()[:, :, 2]
    u = u_of_hop(found)
    for k in front:  # and not the smooth road that is taken where nothing shows the wheel
        assert np.corrcoef(seen[:, k], shake[:, k])[0, 1] > 0.8
        assert np.std(seen[:, k] - shake[:, k]) < 1.5 * u[k]
