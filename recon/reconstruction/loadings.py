"""Loadings of all causes as labelled arrays of a result, each source once."""

from __future__ import annotations

import numpy as np

from recon.reconstruction.cause import Source
from recon.reconstruction.solver import Solver

WORDS = {
    "units": "N",
    "comment": "per standard uncertainty of the cause and unit of the feature",
}
PAIR = ("cause", "corner", "component", "feature")


def loadings_of(solvers: tuple[Solver, ...]) -> dict[str, tuple]:
    """Variables of a result: causes by source, with the effect of each on every corner.

    Returns
    -------
    dict of name to (dimensions, array, attributes)
        `loading` (cause, mode, corner, component, feature) [N] in vehicle axes, `loading_turned`
        and `loading_steered` (cause, corner, component, feature) on top of it in intermediate and
        tyre axes; labels of causes, and what the features need.
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
    in_tyres = "more in tyre axes, intermediate forces"
    return {
        **_cause_labels(parts),
        "loading": (
            (PAIR[0], "mode", *PAIR[1:]),
            loading,
            WORDS | {"long_name": "effect of each cause, vehicle axes"},
        ),
        "loading_turned": (PAIR, turned, WORDS | {"long_name": "more in intermediate axes"}),
        "loading_steered": (PAIR, steered, WORDS | {"long_name": in_tyres}),
        **_features(places),
    }


def _features(places: list[tuple[Solver, int]]) -> dict[str, tuple]:
    """Partner and scales of every corner, as its features need them."""
    # A lone corner has no second travel; the rack's scale stands last.
    scales = [solver.scale for solver, _ in places]
    scale = np.array([[s[0], s[1] if len(s) > 2 else np.nan, s[-1]] for s in scales])
    partner = [
        k + 1 - 2 * wheel if solver.outputs.wheels > 1 else -1
        for k, (solver, wheel) in enumerate(places)
    ]
    return {
        "partner": (
            ("corner",),
            np.array(partner, dtype=np.int16),
            {"long_name": "position of the corner that an axle ties to this one, -1 for none"},
        ),
        "feature_scale": (
            ("corner", "pose"),
            scale,
            {"units": "m", "long_name": "scale of travel and rack in the features"},
        ),
    }


def _cause_labels(parts: dict[Source, str]) -> dict[str, tuple]:
    scope = "keeps its value over one session, one calibration or for this car"
    labels = {
        "cause_name": ([s.name for s in parts], "cause of error"),
        "cause_scope": ([s.scope for s in parts], scope),
        "cause_part": (list(parts.values()), "part of the uncertainty"),
    }
    return {
        name: (("cause",), np.asarray(values, dtype=str), {"long_name": words})
        for name, (values, words) in labels.items()
    }
