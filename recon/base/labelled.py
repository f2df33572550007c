"""Labelled arrays: each variable is described once; `stamp` writes that, `require` checks it.

Attributes survive arithmetic, so that a unit proves nothing unless it was stamped by the stage
that computed the numbers and is required at the door of the next one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError, current_folder, nearest, shortened
from recon.base.late import pd, xr
from recon.base.quantities import COMPONENTS

SEPARATOR = " | "  # between sentences in one attribute
# Attributes of a variable that cannot state its unit itself: the coordinate, or the attribute of
# the dataset, that holds the unit of its values, and what they are per.
UNITS_IN, UNITS_PER = "units_in", "units_per"
Kind = Literal["number", "whole", "word"]
DTYPES: dict[Kind, str] = {"number": "f", "whole": "iu", "word": "UOT"}
IN_WORDS: dict[Kind, str] = {"number": "numbers", "whole": "whole numbers", "word": "words"}
LABELS = ("gauge", "corner", "tared_corner", "component")  # of logs and forces
MOST_NAMED = 4  # missing variables that a message names
LARGEST = 1e12  # of any number: beyond it squares leave single precision; no car comes near


@dataclass(frozen=True, slots=True)
class Variable:
    """Description of one labelled variable.

    `finite` numbers are never NaN; all lie between `least` and `most`; words are among `words`
    where there are any.  `more` are attributes beside unit and name.  `units` None leaves the
    unit open: each gauge has its own.
    """

    dims: tuple[str, ...]
    long_name: str = ""
    units: str | None = ""
    kind: Kind = "number"
    finite: bool = False
    least: float = -LARGEST
    most: float = LARGEST
    words: tuple[str, ...] = ()
    more: Mapping[str, Any] = field(default_factory=dict)

    @property
    def attributes(self) -> dict[str, Any]:
        """Attributes of the variable in a file."""
        own = {"units": self.units, "long_name": self.long_name}
        return {key: value for key, value in own.items() if value} | dict(self.more)


def stamp(described: Variable, values: ArrayLike) -> tuple[tuple[str, ...], Any, dict[str, Any]]:
    """Dimensions, values and attributes of a variable, as a Dataset is made of."""
    return described.dims, values, described.attributes


def stamped(described: Mapping[str, Variable], arrays: Mapping[str, ArrayLike]) -> dict[str, tuple]:
    """Variables by name, each as `described`."""
    return {name: stamp(described[name], values) for name, values in arrays.items()}


def index_of(times: Floats) -> Any:
    """Times (sample,) [s] as an index in the same memory; xarray would make a copy."""
    return pd.Index(times, copy=False)


def with_values(dataset: xr.Dataset, values: Mapping[str, NDArray]) -> xr.Dataset:
    """The dataset with other values (...,) of some variables, in their dimensions and units.

    As `assign`, without comparing the labels of all others.
    """
    out = dataset.copy()
    for name, array in values.items():
        out.variables[name].data = array
    return out


def place_of(dataset: xr.Dataset) -> str:
    """File that the dataset was read from, as seen from the current folder, else its title."""
    names = dataset.encoding.get("source"), *(dataset.attrs.get(n) for n in ("path", "title"))
    name = str(next((name for name in names if name is not None), "a dataset"))
    return shortened(name.removeprefix(f"{current_folder()}{os.sep}"), 200)


def sentences_of(dataset: xr.Dataset, name: str, separator: str = SEPARATOR) -> list[str]:
    """Sentences that an attribute holds; none where it is missing."""
    return [part for part in str(dataset.attrs.get(name, "")).split(separator) if part]


def corner_names(dataset: xr.Dataset | xr.DataArray) -> list[str]:
    """Names of the corners of a dataset in its order."""
    return list(map(str, dataset.get_index("corner")))


def number_of(dataset: xr.Dataset, label: str, name: str, do: str) -> int:
    """Place of a name, such as that of a corner, among the labels of a dimension.

    Raises DataError: there is no such label; the message ends with what to `do`.
    """
    there = [str(n) for n in dataset[label].to_numpy()] if label in dataset.coords else []
    if name not in there:
        needed = nearest(name, there) if there else f"values by {label}: this result has none"
        raise DataError(place_of(dataset), f"no {label} '{name}'", needed, do)
    return there.index(name)


def require(
    dataset: xr.Dataset, described: Mapping[str, Variable], names: Iterable[str], do: str
) -> None:
    """Refuse a dataset in which one of the variables `names` is not as `described`.

    Messages end with what to `do`.

    Raises DataError: a variable is missing, or has other dimensions, another type or another unit.
    """
    names = list(dict.fromkeys(names))
    missing = [name for name in names if name not in dataset.variables]
    if missing:
        title = shortened(str(dataset.attrs.get("title", "without title")), 100)
        few = ", ".join(missing[:MOST_NAMED])
        more = len(missing) - MOST_NAMED
        found = f"'{title}', without {few}" + (f" and {more} more variables" if more > 0 else "")
        raise DataError(place_of(dataset), found, "a dataset with these variables", do)
    for name in names:
        wanted, variable = described[name], dataset.variables[name]
        units = str(variable.attrs.get("units", ""))
        for found, needed in (
            (f"({', '.join(map(str, variable.dims))})", f"({', '.join(wanted.dims)})"),
            (_in_words(variable.dtype), IN_WORDS[wanted.kind]),
            (f"unit '{units}'", f"unit '{units if wanted.units is None else wanted.units}'"),
        ):
            if found != needed:
                where = f"{place_of(dataset)}, variable {name}"
                raise DataError(where, shortened(found, 100), needed, do)


def _in_words(dtype: Any) -> str:
    kind = next((k for k, letters in DTYPES.items() if np.dtype(dtype).kind in letters), None)
    return IN_WORDS[kind] if kind else f"type {dtype}"


def require_labels(dataset: xr.Dataset, do: str) -> None:
    """Refuse labels that are lost or stand twice, no corner, and other components than x, y and z.

    Raises DataError: there are such labels; the message ends with what to `do`.
    """
    for name in (name for name in LABELS if name != "component"):
        lost = name in dataset.dims and name not in dataset.coords
        if lost or (name == "corner" and dataset.sizes.get(name) == 0):
            found = f"{dataset.sizes[name]} values along {name}, without names"
            raise DataError(place_of(dataset), found, "the name of each", do)
    for name in (name for name in LABELS if name in dataset.coords):
        labels = np.atleast_1d(dataset[name].to_numpy()).tolist()
        twice = next((one for one in labels if labels.count(one) > 1), None)
        if twice is not None:
            where = f"{place_of(dataset)}, {name}"
            raise DataError(where, f"'{twice}' {labels.count(twice)} times", "each label once", do)
        if name == "component" and tuple(labels) != COMPONENTS:
            found = f"components {', '.join(map(str, labels)) or 'none'}"
            raise DataError(place_of(dataset), found, ", ".join(COMPONENTS), do)


def require_attributes(dataset: xr.Dataset, names: Iterable[str], do: str) -> None:
    """Refuse a dataset that has lost one of the attributes `names`; what to `do`.

    Raises DataError: one is not there.
    """
    lost = [name for name in names if name not in dataset.attrs]
    if lost:
        found = f"without the attribute {lost[0]}, which arithmetic and drop_attrs take away"
        raise DataError(place_of(dataset), found, "a dataset with its attributes", do)


def require_frequencies(dataset: xr.Dataset, names: Iterable[str], do: str) -> None:
    """Refuse attributes `names` that are no frequencies [Hz]; the message ends with what to `do`.

    Raises DataError: one is not there, no number or not above zero.
    """
    names = list(names)
    require_attributes(dataset, names, do)
    for name in names:
        value = dataset.attrs[name]
        if not isinstance(value, float | np.floating) or not 0 < value < LARGEST:
            where = f"{place_of(dataset)}, attribute {name}"
            raise DataError(where, shortened(repr(value), 60), "a frequency in Hz", do)


def require_order(dataset: xr.Dataset, do: str) -> None:
    """Refuse samples that do not follow each other in time; the message ends with what to `do`.

    Raises DataError: there are fewer than two samples, or one is not after the one before.
    """
    times = dataset["elapsed_time"].to_numpy()
    later = np.diff(times) > 0
    if len(times) < 2 or not later.all():
        found = f"{len(times)} samples, {int(np.sum(~later))} of them not after the one before"
        raise DataError(place_of(dataset), found, "two samples or more, in order", do)


def require_content(
    dataset: xr.Dataset, described: Mapping[str, Variable], names: Iterable[str], do: str
) -> None:
    """Refuse numbers and words that such a variable cannot hold; labels are checked before.

    Raises DataError: a number is infinite, missing where it must not be, or out of its range; or a
    word is none of those that are known.
    """
    for name in names:
        wanted, values = described[name], dataset.variables[name].to_numpy()
        where = f"{place_of(dataset)}, variable {name}"
        if wanted.kind == "word":
            strange = [w for w in np.atleast_1d(values).ravel().tolist() if not _known(w, wanted)]
            if strange:
                needed = ", ".join(wanted.words) or "words"
                raise DataError(where, shortened(f"'{strange[0]}'", 100), needed, do)
            continue
        if not values.size:
            continue
        low, high = np.fmin.reduce(values, axis=None), np.fmax.reduce(values, axis=None)
        wrong = next((x for x in (low, high) if not wanted.least <= x <= wanted.most), None)
        if wrong is not None and not np.isnan(wrong):
            needed = f"numbers from {wanted.least:g} to {wanted.most:g}"
            raise DataError(where, f"{wrong:g}", needed, do)
        if wanted.finite and np.isnan(values).any():
            count = int(np.isnan(values).sum())
            raise DataError(where, f"{count} of {values.size} not known (NaN)", "numbers", do)


def _known(word: object, wanted: Variable) -> bool:
    return isinstance(word, str) and (not wanted.words or word in wanted.words)
