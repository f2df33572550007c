"""Checks that partners, modes and features of a result fit together."""

from __future__ import annotations

import numpy as np

from recon.base.errors import DataError
from recon.base.labelled import place_of
from recon.base.late import xr
from recon.planning.unknowns import MODES
from recon.reconstruction.estimator.sample_features import Features
from recon.records.forces import MAKE_AGAIN


def require_partners(forces: xr.Dataset) -> None:
    """Refuse partners that do not name each other, and loadings of other modes and features.

    Raises DataError: the message has the partners, or the numbers of modes and features.
    """
    partner = forces["partner"].to_numpy().astype(int)
    corners = np.arange(len(partner))
    tied = partner >= 0
    if np.any(partner >= len(partner)) or np.any(partner[partner[tied]] != corners[tied]):
        found = f"partners {', '.join(map(str, partner))} of corners " + ", ".join(
            map(str, forces["corner"].to_numpy())
        )
        raise DataError(place_of(forces), found, "partners that name each other", MAKE_AGAIN)
    # Corners that stand alone may be cut out of a result that has a tied axle too.
    legal = [(len(MODES) ** w, Features(w).size) for w in ((2,) if tied.any() else (1, 2))]
    modes, features = forces.sizes["mode"], forces.sizes["feature"]
    causes = forces.sizes["cause"]
    if (modes, features) not in legal or forces.sizes["pose"] != 3 or not causes:
        found = f"loadings of {causes} causes, {modes} modes and {features} features"
        needed = " or ".join(f"{m} and {f}" for m, f in legal)
        raise DataError(place_of(forces), found, needed, MAKE_AGAIN)
