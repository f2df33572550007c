"""Independent conic solve of one sample, against which the closed forms are judged."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import SolveError


def bounded_reference(
    H: Floats, indication: Floats, V: Floats, u: Floats, normal: Floats
) -> Floats:
    """Forces and moments of one sample with the road able to push only, by a conic solver.

    Parameters
    ----------
    H : (gauge, 6)
        Indication per unknown Fx, Fy, Fz, Mx, T, Mz.
    indication : (gauge,)
    V : (gauge, gauge)
        Covariance of the indications.
    u : (6,)
        Standard uncertainty of the priors, whose means are zero.
    normal : (3,)
        Road normal; the force along it is held at or above zero.

    Returns
    -------
    (6,) optimum.

    Raises
    ------
    SolveError
        The solver did not reach an optimum; the message carries its status.
    """
    import cvxpy as cp

    root = np.linalg.inv(np.linalg.cholesky(V))
    # Unknowns in units of their size keep the solver's tolerance meaningful in newtons.
    scaled = cp.Variable(6)
    size = np.array([1e3, 1e3, 1e3, 1e2, 1e2, 1e2])
    residual = root @ (indication - (H * size) @ scaled)
    priors = cp.multiply(size / u, scaled)
    objective = cp.Minimize(cp.sum_squares(residual) + cp.sum_squares(priors))
    problem = cp.Problem(objective, [normal @ cp.multiply(size[:3], scaled[:3]) >= 0])
    problem.solve(solver=cp.CLARABEL)
    if problem.status != cp.OPTIMAL:
        raise SolveError(
            where="reference solver",
            found=f"status '{problem.status}'",
            needed="an optimum",
            do="Report this with the vehicle file and the log: the problem is convex and bounded.",
        )
    return np.asarray(scaled.value) * size
