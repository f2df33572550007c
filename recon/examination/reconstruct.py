"""`reconstruct`: conditioned log and calibration to tyre forces with intervals.

In: conditioned indications, the car, its calibration.  Out: a Dataset with forces in tyre,
intermediate and vehicle axes, uncertainty in its four parts, limits and flags.  What matters
most: the load path.  The moment that the hub passes about the spin axis decides whether a
longitudinal force reaches the links at hub height or at the ground.
"""

from __future__ import annotations

from collections.abc import Collection

from recon.base.errors import DoubtWarning, warn
from recon.base.late import xr
from recon.base.public import public
from recon.calibration.calibrated import Calibration
from recon.car.vehicle import Vehicle
from recon.examination.examine import examine, marked
from recon.reconstruction.from_gauges import completed
from recon.reconstruction.prepare import prepare
from recon.reconstruction.whole_car.whole_car import with_whole_car


@public
def reconstruct(
    log: xr.Dataset,
    calibration: Calibration,
    car: Vehicle,
    *,
    bounded: bool = True,
    friction_limit: float | None = None,
    accept_corner: Collection[str] = (),
    whole_car: bool = False,
) -> xr.Dataset:
    """Tyre forces from conditioned gauge indications.

    Forces are those of the road on the tyre, ISO 8855 axes, z up.  Per time step and corner,
    the weighted least squares estimate of Fx, Fy, Fz with stated priors on the moments at the
    contact and at the hub; Fz >= 0 is met exactly.

    Parameters
    ----------
    log : Dataset (elapsed_time, gauge)
        As `condition` returns it.
    calibration : Calibration
        K (gauge, member) [unit/N] of every corner to be reconstructed.
    car : Vehicle
    bounded : bool
        Hold Fz >= 0; the unbounded value stands beside it either way.
    friction_limit : float, optional
        Hold the horizontal force of each tyre to this times its Fz, a loose bound such as 2.5.
        Assemblies with forces that are not seen are held to Fz >= 0 alone.
    accept_corner : collection of str, or str
        Corners, or tied axles, that are used although their calibration is not to be used.
    whole_car : bool
        Add the answer that also meets the balance of the whole car, see `with_whole_car`.

    Returns
    -------
    Dataset
        `tyre_force` (elapsed_time, corner, component) [N] in tyre axes, the same in
        intermediate and vehicle axes, `u_tyre_force` in total and in four parts,
        `tyre_force_lower`, `tyre_force_upper` (95 %), flags `status` (elapsed_time, corner) and
        `gauge_status` (elapsed_time, gauge); where the data contradict each other, `doubt_cause`
        (doubt,) and its companions.

    Raises
    ------
    DataError
        The log is not conditioned, the calibration belongs to another car, none of its corners is
        in the log, a gauge is dead, a corner is not to be used and was not accepted, the whole car
        is asked for and a corner or the body's acceleration is missing, or the limit of friction
        makes no sense.
    RankError
        No force component of a corner is seen by its gauges.

    Warns
    -----
    DataWarning
        Evidence against the calibration, corner by corner, as its verdict states it.
    PriorWarning
        A channel is not logged and a stated widening is used instead, or a force component
        is not seen by the gauges: it is NaN, with the reason in the attribute `not_known`.
    ExtrapolationWarning
        Forces beyond the largest pull, or poses beyond the stated range.
    DoubtWarning
        The data contradict each other: the corners, the cause and what to do.

    Notes
    -----
    The same as `prepare`, one `solve`, and `examine`, which changes no number.  Assumes rigid
    links with spherical ends, gauges linear within the pulls' range, hubs that pass no moment
    about the spin axis but bearing drag and the caliper's torque.
    """
    log = completed(log, calibration, car, accept_corner)
    prepared = prepare(calibration, car, log, accept_corner=accept_corner)
    forces = prepared.solve(log, bounded=bounded, friction_limit=friction_limit)
    if whole_car:
        forces = with_whole_car(
            prepared, log, forces, bounded=bounded, friction_limit=friction_limit
        )
    examination = examine(prepared, log, forces)
    for doubt in examination.doubts:
        warn(f"{log.attrs.get('path', 'log')}: {doubt}", DoubtWarning)
    return marked(forces, examination)
