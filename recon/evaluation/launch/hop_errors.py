"""How wrong hop is by what the forces' own errors do not say of a wave: inertia, size, friction."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats, sampling_interval
from recon.base.late import xr
from recon.conditioning.filters import low_pass
from recon.evaluation.launch.hop import (
    COMPONENTS,
    LEAST,
    NEAR,
    QUANTITIES,
    RIDE,
    Hop,
    found_in,
    measured,
    without_accelerometer,
)
from recon.reconstruction.result.signed_errors import RANDOM, signed_errors

U_INFERRED = 0.1  # of an acceleration that comes from travel (common practice, no source)
HIDDEN = "hop_not_measured"  # attribute with the corners whose hop no sensor shows
U_MASS, U_SHARE = "u_unsprung_mass", "u_hub_acceleration_share"
FEW_SAMPLES = 8  # of an event, in which effects of causes are looked at


def u_inertia(forces: xr.Dataset, corner: int, event: Hop) -> float:
    """Standard uncertainty [N] of the largest amplitude of Fz from the wheel's inertia.

    Mass times amplitude of the hub's acceleration, which enters Fz in full, with the doubts of
    both.  Forces carry the mass at rest only, and the gain as noise, which a wave averages out.
    Where no sensor shows hop, a share of its motion is in the noise of the forces as well.
    """
    time = forces["elapsed_time"].to_numpy()
    inside = (time >= event.start) & (time <= event.end)
    if str(forces["corner"].to_numpy()[corner]) in forces.attrs.get(HIDDEN, "").split():
        noise = forces[RANDOM].to_numpy()[inside, corner, 2]
        return float(np.sqrt(2.0 * np.nanmean(np.square(noise))))
    mass, u_mass = (float(forces[n].to_numpy()[corner]) for n in ("unsprung_mass", U_MASS))
    share, amplitude = float(forces[U_SHARE]), float("nan")
    if "hub_acceleration" in forces:
        amplitude = _amplitude(forces["hub_acceleration"].to_numpy()[inside, corner, 2])
    if np.isnan(amplitude):
        near = (time > event.start - NEAR) & (time < event.end + NEAR)
        travel = forces["travel"].to_numpy()[near, corner].astype(float)
        # The body moves farther on its springs than a wheel that hops.
        quick = travel - low_pass(travel[:, None], RIDE, 1.0 / sampling_interval(time))[:, 0]
        turn = 2 * np.pi * event.frequency
        amplitude, share = turn**2 * _amplitude(quick[inside[near]]), U_INFERRED
    return float(np.hypot(u_mass, share * mass) * np.nan_to_num(amplitude))


def u_of_size(time: Floats, signal: Floats, event: Hop, share: float) -> Floats:
    """Standard uncertainty (quantity,) of `QUANTITIES` of a signal (sample,) [N] that is as unsure.

    As a whole, by a `share` of itself.  A larger wave is above `LEAST` for longer, and its mean
    changes by less than the share: it has more half-waves at its ends, and these are small.
    """
    read = []
    for factor in (1.0, 1.0 + share, max(1.0 - share, 0.0)):
        found = found_in(time, factor * signal[:, None, None], np.full((1, 1), LEAST))
        read.append(measured(found, event, [(0, 0)])[0, : len(QUANTITIES)])
    away = np.abs(np.array(read[1:]) - read[0])
    known = np.isfinite(away)
    return np.asarray(np.where(known, away, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1))


def loops_of(forces: xr.Dataset, event: Hop) -> Floats:
    """Half-widths (cause, corner, component) [N] of the loops by which joints hold x and z back.

    A loop of half-width w delays a sine of amplitude A by 4 w / (pi A) of a radian (describing
    function, from memory).  Errors of friction at the tare lie anywhere within the loop: half of
    its width is the root of 3 times u.
    """
    names = forces["cause_name"].to_numpy()
    rows = np.flatnonzero([str(name).endswith("friction") for name in names])
    return np.sqrt(3.0) * _effects(forces, event, rows)


def unseen_in(forces: xr.Dataset, event: Hop) -> Floats:
    """Amplitude (corner, component) [N] in x and z by motion of hubs that no accelerometer shows.

    Forces carry it by its root mean square, as a fixed error; a wave in hop may have all of it.
    """
    corners = range(forces.sizes["corner"])
    own = [f"{name} hub acceleration" for name in without_accelerometer(forces, corners)]
    names = [str(name) for name in forces["cause_name"].to_numpy()]
    rows = np.flatnonzero([name.rpartition(" ")[0] in own for name in names])
    return np.asarray(np.sqrt(2.0) * np.linalg.norm(_effects(forces, event, rows), axis=0))


def u_of_trends(unseen: Floats, cycles: Floats) -> Floats:
    """Standard uncertainty (corner, component) of growth and decay per cycle [1] by such motion.

    `unseen` (corner, component) [1] is its share of the amplitude, which may be another one at
    either end of the growth and of the decay; each lasts about half of the `cycles`.
    """
    return np.sqrt(2.0) * unseen / (0.5 * cycles)


def _effects(forces: xr.Dataset, event: Hop, rows: NDArray[np.int64]) -> Floats:
    """Mean effects (row, corner, component) [N] of some causes on x and z during an event."""
    time = forces["elapsed_time"].to_numpy()
    inside = np.flatnonzero((time >= event.start) & (time <= event.end))
    some = inside[:: max(len(inside) // FEW_SAMPLES, 1)]
    effect = signed_errors(forces, some)[rows].mean(axis=1)
    return np.nan_to_num(effect[..., COMPONENTS])


def _amplitude(values: Floats) -> float:
    """Largest amplitude of an oscillation (sample,), in its unit; NaN if not known."""
    known = values[np.isfinite(values)].astype(float)
    return float(np.ptp(known) / 2) if known.size else float("nan")
