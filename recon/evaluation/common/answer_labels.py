"""Labels that all answers share: a value with its limits, and the attributes of the whole."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.labelled import SEPARATOR, sentences_of
from recon.base.late import xr
from recon.base.quantities import COVERAGE_FACTOR
from recon.evaluation.common.estimate import Estimate

Labelled = dict[str, tuple[tuple[str, ...], NDArray, dict[str, Any]]]


def limits(
    name: str, estimate: Estimate, dims: tuple[str, ...], unit: str, words: str, shape: Any = None
) -> Labelled:
    """Value, standard uncertainty and 95 % limits of a quantity, as variables of an answer.

    They are called `name`, `u_NAME`, `NAME_lower` and `NAME_upper`.  `estimate` holds a quantity
    for each place along `dims`, last dimension fastest; `shape` are the sizes of `dims` where there
    are several.  The `unit` is as UDUNITS writes it, "1" for ratios.
    """
    sizes = (-1,) if len(dims) == 1 else shape if dims else ()
    value, u = (np.reshape(array, sizes) for array in (estimate.value, estimate.u))
    return limits_of(name, value, u, dims, unit, words)


def limits_of(
    name: str, value: Floats, u: Floats, dims: tuple[str, ...], unit: str, words: str
) -> Labelled:
    """The same of `value` and standard uncertainty `u`, both along `dims` (place, ...) [unit]."""
    half = COVERAGE_FACTOR * u
    entries: tuple[tuple[str, Floats, str], ...] = (
        (name, value, words),
        (f"u_{name}", u, f"standard uncertainty of {words}"),
        (f"{name}_lower", value - half, f"lower 95 % limit of {words}"),
        (f"{name}_upper", value + half, f"upper 95 % limit of {words}"),
    )
    return {key: (dims, array, {"units": unit, "long_name": text}) for key, array, text in entries}


def plain(
    name: str, values: ArrayLike, dims: tuple[str, ...], unit: str, words: str, **more: object
) -> Labelled:
    """A variable or label without uncertainty, `values` along `dims` (place, ...) [unit].

    An empty `unit` is for words; `more` are further attributes.
    """
    attributes = ({"units": unit} if unit else {}) | {"long_name": words} | more
    return {name: (dims, np.asarray(values), attributes)}


def answer_attributes(
    forces: xr.Dataset,
    title: str,
    *,
    gate: str,
    assumed: Iterable[str] = (),
    not_given: Iterable[str] = (),
) -> dict[str, Any]:
    """Attributes of an answer: what it rests on, in words.

    `gate` says which samples enter, `assumed` what was taken for granted, and `not_given` what
    cannot be answered, each with its reason and the cheapest remedy.
    """
    return origin(forces, title, comment=f"gate: {gate}") | {
        "gate": gate,
        "assumed": SEPARATOR.join(assumed),
        "not_given": SEPARATOR.join(dict.fromkeys(not_given)),
    }


def origin(
    forces: xr.Dataset,
    title: str,
    *,
    comment: str,
    source: str = "reconstructed tyre forces",
    references: str = "ISO 8855:2011 for axes; JCGM 100:2008 for uncertainty",
) -> dict[str, Any]:
    """Attributes that every answer has: its title, and where its numbers come from."""
    return {
        "title": f"{title}: {forces.attrs.get('vehicle', '')}",
        "source": source,
        "institution": forces.attrs.get("institution", "not stated"),
        "references": references,
        "comment": comment,
        "bandwidth_Hz": forces.attrs.get("bandwidth_Hz", np.nan),
    }


def not_given(answer: xr.Dataset) -> list[str]:
    """Sentences about everything that an answer does not give."""
    return sentences_of(answer, "not_given")
