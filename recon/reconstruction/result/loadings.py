"""Loadings of all causes as arrays of a result, each source once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from recon.mechanics.live_axle import T_COLUMN
from recon.reconstruction.causes.cause import Source
from recon.reconstruction.estimator.linear_estimator import rows_of_wheels
from recon.reconstruction.solving.solver import Solver
from recon.records.forces import NO_GAUGE

BY_GAUGE = ("zeros", "friction")  # causes that are numbered by the gauges of their assembly


def loadings_of(solvers: tuple[Solver, ...]) -> dict[str, NDArray]:
    """Variables of a result: causes by source, with the effect of each on every corner.

    Returns
    -------
    dict of name to array, as `records.forces` describes them
        `loading` (cause, mode, corner, component, feature) [N] in vehicle axes; what intermediate
        and tyre axes add to it, `loading_added_intermediate` and `loading_added_tyre` (cause,
        corner, component, feature); labels of causes, and what the features need.
    """
    places = [(solver, wheel) for solver in solvers for wheel in range(solver.outputs.wheels)]
    parts = {cause.source: cause.part for solver in solvers for cause in solver.causes}
    row = {source: i for i, source in enumerate(parts)}
    modes, _, features = np.max([s.causes[0].loading.shape for s in solvers], axis=0)
    loading = np.zeros((len(row), modes, len(places), 3, features))
    turned, steered = (np.zeros((len(row), len(places), 3, features)) for _ in range(2))
    for k, (solver, wheel) in enumerate(places):
        own = slice(3 * wheel, 3 * wheel + 3)
        for cause in solver.causes:
            i = row[cause.source]
            m, _, f = cause.loading.shape
            loading[i, :m, k, :, :f] = cause.loading[:, own]
            if cause.turned is not None:
                turned[i, k, :, :f] = cause.turned[own]
            if cause.steered is not None:
                steered[i, k, :, :f] = cause.steered[own]
    return {
        **_cause_labels(parts, _gauges_of(solvers)),
        "loading": loading,
        "loading_added_intermediate": turned,
        "loading_added_tyre": steered,
        **_features(places),
        **_hub_moments(solvers, int(modes)),
    }


def _hub_moments(solvers: tuple[Solver, ...], modes: int) -> dict[str, NDArray]:
    """Errors of the hubs' moments at design height: how large, and how alike on a tied axle."""
    sizes, alike = [], []
    for solver in solvers:
        wheels = solver.outputs.wheels
        places = rows_of_wheels((T_COLUMN,), 6 * wheels)
        at = solver.estimator.at(solver.estimator.design)
        C = np.full((modes, wheels, wheels), np.nan)
        C[: len(at)] = [mode.C[np.ix_(places, places)] for mode in at]
        u = np.sqrt(np.diagonal(C, axis1=1, axis2=2))
        sizes.append(u)
        between = C[:, :1, -1] / (u[:, :1] * u[:, -1:]) if wheels > 1 else 0.0 * u
        alike.append(np.repeat(between, wheels, axis=1))
    return {
        "u_hub_moment": np.concatenate(sizes, axis=1),
        "hub_moment_correlation": np.concatenate(alike, axis=1),
    }


def _features(places: list[tuple[Solver, int]]) -> dict[str, NDArray]:
    """Partner, scales and largest pulls of every corner, as its features need them."""
    # A lone corner has no second travel; the rack's scale stands last.
    scales = [solver.scale for solver, _ in places]
    scale = np.array([[s[0], s[1] if len(s) > 2 else np.nan, s[-1]] for s in scales])
    partner = [
        k + 1 - 2 * wheel if solver.outputs.wheels > 1 else -1
        for k, (solver, wheel) in enumerate(places)
    ]
    return {
        "partner": np.array(partner, dtype=np.int16),
        "feature_scale": scale,
        "largest_pull": np.array(
            [np.broadcast_to(s.force_reached, (s.outputs.wheels, 3))[w] for s, w in places]
        ),
    }


def _gauges_of(solvers: tuple[Solver, ...]) -> dict[Source, str]:
    """Gauge of each cause that belongs to a single one."""
    return {
        cause.source: solver.gauges[cause.source.number]
        for solver in solvers
        for cause in solver.causes
        if cause.source.what in BY_GAUGE and cause.source.number < len(solver.gauges)
    }


def _cause_labels(parts: dict[Source, str], gauges: dict[Source, str]) -> dict[str, NDArray]:
    return {
        "cause_gauge": np.asarray([gauges.get(s, NO_GAUGE) for s in parts], dtype=str),
        "cause_name": np.asarray([s.name for s in parts], dtype=str),
        "cause_scope": np.asarray([s.scope for s in parts], dtype=str),
        "cause_part": np.asarray(list(parts.values()), dtype=str),
    }
