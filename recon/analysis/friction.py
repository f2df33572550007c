"""Friction use per tyre: sqrt(Fx^2 + Fy^2) / Fz, and the highest use that was demonstrated.

Use can also be a share of a stated coefficient, or of an envelope (see `grip`).

Gate: vertical force above a stated load, no bound active, forces known.  The highest
demonstrated use is a noise-corrected high quantile; it says what the tyre did, not what it
could do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import NoAnswerError
from recon.base.labelled import corner_names
from recon.base.late import xr
from recon.base.noise_corrected_quantile import fewest_samples, noise_corrected_quantile
from recon.base.public import public
from recon.base.status import AT_BOUND
from recon.evaluation.common.answer_labels import limits_of, origin, plain
from recon.evaluation.grip.use_reference import Reference, reference_of
from recon.evaluation.sections.find_sections import in_parts
from recon.reconstruction.result.signed_errors import CHUNK, Loadings, component_wise, loadings_of
from recon.records.forces import SIGNED, nothing_known, require_answerable, require_option

LOW_LOAD = 800.0  # N; below it noise dominates the ratio of forces
DEMONSTRATED_SHARE = 0.99
FEWEST_SAMPLES = fewest_samples(DEMONSTRATED_SHARE)
MIDDLE = (0.1, 0.9)  # quantiles of the loads at which a tyre was used most
USUAL = "vertical force of four fifths of the samples with the highest use,"
MOST_AT_TOP = 200  # samples that stand for the highest use
NEEDED = ("tyre_force", "u_tyre_force", "u_tyre_force_random", "status", *SIGNED)


@public
def friction_use(
    forces: xr.Dataset,
    *,
    low_load: float = LOW_LOAD,
    coefficient: float | None = None,
    lateral_coefficient: float | None = None,
    envelope: xr.Dataset | str | None = None,
    sections: xr.Dataset | None = None,
) -> xr.Dataset:
    """Friction use of every tyre at every sample, and the highest demonstrated use.

    Tyre axes; forces are those of the road on the tyre.

    Parameters
    ----------
    forces : Dataset
        As `reconstruct` returns it.
    low_load : float
        Samples with less vertical force are NaN. [N]
    coefficient, lateral_coefficient : float, optional
        Use is a share of this times Fz; sideways of the second where both are given. [1]
    envelope : Dataset or "own", optional
        Use is a share of an envelope: what `grip` returned for another drive, or that of these
        forces.  NaN in directions that have none; the errors of an own envelope cancel.
    sections : Dataset, optional
        As `sections` returns it; parts given by hand restrict the samples, but not an own envelope.

    Returns
    -------
    Dataset
        `friction_use`, `u_friction_use` (elapsed_time, corner) [1] of the samples `in_parts`
        (elapsed_time); per corner
        `highest_demonstrated_use` with `u_`, `_lower`, `_upper` and `samples_used`;
        `least_load_at_highest_use` and `most_load_at_highest_use` [N] hold four fifths of the
        vertical forces at which a tyre used as much.

    Raises
    ------
    DataError
        No forces, a load gate that is no number from zero up, or a coefficient or an envelope
        that is none.
    NoAnswerError
        No tyre has enough samples above the gate.
    """
    require_answerable(forces, *NEEDED)
    do = f"Leave it out for the usual {LOW_LOAD:g} N."
    require_option(forces, "low_load", low_load, "N", zero=True, do=do)
    reference = reference_of(forces, coefficient, lateral_coefficient, envelope, low_load)
    loadings = loadings_of(forces)
    chosen = in_parts(forces["elapsed_time"].to_numpy(), sections)
    corners = corner_names(forces)
    n = forces.sizes["elapsed_time"]
    use, u_use = np.full((n, len(corners)), np.nan), np.full((n, len(corners)), np.nan)
    best = np.full((5, len(corners)), np.nan)
    for k in range(len(corners)):
        found = _use(forces, loadings, reference, k, _gate(forces, k, low_load, chosen))
        if len(found.at) < FEWEST_SAMPLES:
            continue
        use[found.at, k], u_use[found.at, k] = found.use, found.u
        best[:, k] = *_highest(loadings, k, found), *_loads(forces, k, found), len(found.at)
    if np.all(np.isnan(best[4])):
        raise _nothing(forces, low_load)
    per_sample, per_corner = ("elapsed_time", "corner"), ("corner",)
    highest, words = "highest_demonstrated_use", "standard uncertainty of friction use"
    return xr.Dataset(
        plain("friction_use", use, per_sample, "1", "friction use")
        | plain("u_friction_use", u_use, per_sample, "1", words)
        | plain("in_parts", chosen.astype(np.int8), per_sample[:1], "1", "inside the parts given")
        | plain("samples_used", best[4], per_corner, "1", "samples used")
        | plain("least_load_at_highest_use", best[2], per_corner, "N", f"{USUAL} from here on")
        | plain("most_load_at_highest_use", best[3], per_corner, "N", f"{USUAL} up to here")
        | limits_of(highest, best[0], best[1], per_corner, "1", highest.replace("_", " ")),
        coords={"elapsed_time": forces["elapsed_time"], "corner": forces["corner"]},
        attrs=origin(
            forces,
            "Friction use",
            source="reconstructed tyre forces, tyre axes",
            references="ISO 8855:2011 for axes",
            comment=f"samples under {low_load:g} N or at a bound are left out; the highest "
            f"demonstrated use is the noise-corrected {100 * DEMONSTRATED_SHARE:g} % quantile",
        )
        | {"low_load_N": low_load, "reference": reference.words},
    )


def _nothing(forces: xr.Dataset, low_load: float) -> NoAnswerError:
    """The error where no tyre has enough samples with all three forces."""
    return nothing_known(
        forces,
        f"no tyre with {FEWEST_SAMPLES} samples above {low_load:.0f} N of vertical force",
        f"at least {FEWEST_SAMPLES} samples of one tyre with all three forces known",
        "Check the tares (a wrong zero unloads a tyre), widen the parts of a table of sections, or "
        "lower low_load knowingly.",
    )


def _gate(
    forces: xr.Dataset, k: int, low_load: float, chosen: NDArray[np.bool_]
) -> NDArray[np.int64]:
    force = forces["tyre_force"].to_numpy()[:, k]
    bound = (forces["status"].to_numpy()[:, k] & AT_BOUND) > 0
    return np.flatnonzero(
        chosen & np.isfinite(force[:, 0] + force[:, 1]) & (force[:, 2] > low_load) & ~bound
    )


@dataclass(frozen=True, slots=True)
class Use:
    """Use of one tyre at positions `at` (sample,): value, noise, total u, and change per newton.

    All (sample,) [1], `slope` (sample, component) [1/N].
    """

    at: NDArray[np.int64]
    use: Floats
    noise: Floats
    u: Floats
    slope: Floats


def _use(
    forces: xr.Dataset, loadings: Loadings, reference: Reference, k: int, at: NDArray[np.int64]
) -> Use:
    force, random = forces["tyre_force"].to_numpy(), forces["u_tyre_force_random"].to_numpy()
    values, noise, u_reference = np.empty((3, len(at)))
    slope = np.empty((3, len(at))).T
    for start in range(0, len(at), CHUNK):
        part = slice(start, start + CHUNK)
        own = component_wise(force, k, at[part])
        values[part], slope[part] = reference.use(k, own)
        each = slope[part] * component_wise(random, k, at[part])
        noise[part] = np.sqrt(np.sum(each**2, axis=1))
        u_reference[part] = values[part] * reference.u_of(k, own)
    known = np.isfinite(values)
    if not known.all():
        at, values, noise, slope = at[known], values[known], noise[known], slope[known]
        u_reference = u_reference[known]
    u = np.sqrt(noise**2 + u_reference**2 + (loadings.variance(k, at, slope) if len(at) else 0.0))
    return Use(at, values, noise, u, slope)


def _loads(forces: xr.Dataset, k: int, found: Use) -> Floats:
    """Smallest and largest usual vertical force [N] of the samples with the highest use."""
    top = found.use >= np.quantile(found.use, DEMONSTRATED_SHARE)
    load = forces["tyre_force"].to_numpy()[found.at[top], k, 2]
    return np.asarray(np.quantile(load, MIDDLE))


def _highest(loadings: Loadings, k: int, found: Use) -> tuple[float, float]:
    """Highest demonstrated use of tyre `k` and its u."""
    values, noise = found.use, found.noise
    height = noise_corrected_quantile(values, noise, DEMONSTRATED_SHARE)
    top = np.flatnonzero(values >= np.quantile(values, DEMONSTRATED_SHARE))
    top = top[:: len(top) // MOST_AT_TOP + 1]
    at, slope = found.at[top], found.slope[top]
    widening = loadings.beyond(k, at, "tyre")[:, :, k]
    causes = np.concatenate([loadings.errors(k, at, "tyre"), widening])
    effect = np.einsum("cni,ni->cn", causes, slope).mean(axis=1)
    # What is left of the total: noise, and the reference that use is a share of.
    rest = found.u[top] ** 2 - np.sum(np.einsum("cni,ni->cn", causes, slope) ** 2, axis=0)
    u = np.sqrt(np.sum(effect**2) + np.mean(np.maximum(rest, noise[top] ** 2)))
    return height, float(u)
