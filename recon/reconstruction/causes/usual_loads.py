"""Effects of causes at two usual loads: a corner at 0.7 g and a stop at 0.7 g."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from recon.base.arrays import Floats
from recon.reconstruction.causes.cause import Cause
from recon.reconstruction.estimator.assembly_estimator import AssemblyEstimator
from recon.reconstruction.estimator.sample_features import features_of

TURNING, STOPPING = (0.0, 0.7, 1.0), (-0.7, 0.0, 1.0)  # of the usual load of each wheel


class UsualSample(NamedTuple):
    """Joint mode of the hubs and features (feature,) [N, N m or 1] of a sample."""

    mode: int
    features: Floats


def usual_samples(estimator: AssemblyEstimator, scale: tuple[float, ...]) -> list[UsualSample]:
    """A corner and a stop, with the wheels half way up their travel.

    `scale` (w + 1,) [m] divides travels and rack in the features.
    """
    wheels = len(estimator.references)
    travel = np.array([[0.5 * c.travel_range[1]] for c in estimator.assembly.corners])
    out = []
    for shares, mode in ((TURNING, "rolling"), (STOPPING, "braked")):
        force = np.array(
            [
                [*(share * r.vertical for share in shares), r.torque * (mode == "braked")]
                for r in estimator.references
            ],
            dtype=np.float32,
        )
        joint = estimator.modes.index((mode,) * wheels)
        features = features_of(force[..., None], travel, np.zeros(1), scale)[:, 0]
        out.append(UsualSample(joint, features.astype(float)))
    return out


def effect_of(cause: Cause, sample: UsualSample) -> Floats:
    """Effect (3 w,) [N] per standard uncertainty, tyre axes of wheels that go straight ahead."""
    loading = cause.loading[sample.mode]
    for turning in (cause.turned, cause.steered):
        loading = loading if turning is None else loading + turning
    return np.asarray(loading @ sample.features)


def variances_of_effects(causes: list[Cause], samples: list[UsualSample]) -> Floats:
    """Variances (sample, 3 w) [N2] of the forces from some causes together."""
    return np.array([[effect_of(c, s) ** 2 for c in causes] for s in samples]).sum(axis=1)
