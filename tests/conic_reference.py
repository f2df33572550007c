"""Independent conic solve of one sample, against which the closed forms are judged."""

from __future__ import annotations

import cvxpy as cp
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def bounded_reference(
    H: Floats, indication: Floats, V: Floats, u: Floats, normal: Floats
) -> Floats:
    """Forces and moments (6,) of one sample with the road able to push only.

    `H` (gauge, 6) is the indication per unknown Fx, Fy, Fz, Mx, T, Mz; `V` (gauge, gauge) the
    covariance of `indication` (gauge,); `u` (6,) that of the priors, whose means are zero.  The
    force along the road's `normal` (3,) is held at or above zero.
    """
    root = np.linalg.inv(np.linalg.cholesky(V))
    # Unknowns in units of their size keep the solver's tolerance meaningful in newtons.
    scaled = cp.Variable(6)
    size = np.array([1e3, 1e3, 1e3, 1e2, 1e2, 1e2])
    residual = root @ (indication - (H * size) @ scaled)
    priors = cp.multiply(size / u, scaled)
    objective = cp.Minimize(cp.sum_squares(residual) + cp.sum_squares(priors))
    problem = cp.Problem(objective, [normal @ cp.multiply(size[:3], scaled[:3]) >= 0])
    problem.solve(solver=cp.CLARABEL)
    assert problem.status == cp.OPTIMAL  # the problem is convex and bounded
    return np.asarray(scaled.value) * size
