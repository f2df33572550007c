"""Forces and answers as plain CSV: units in the header's brackets, intervals and flags beside.

Samples over time have one column for each corner and axis.  The values of an answer are in long
form: one row for each value, with its quantity, unit and labels, u and limits beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recon.base.errors import DataError
from recon.base.labelled import UNITS_IN, UNITS_PER, number_of, place_of
from recon.base.late import pd, xr
from recon.base.public import public
from recon.base.quantities import CORNERS
from recon.conditioning.lower_rate import SAMPLES, lower_rate
from recon.records.files import replace_whole, require_ending
from recon.records.forces import CHANNELS, DOUBTS
from recon.records.provenance import RECORD
from recon.records.table_writing import opened_text

# Of the forces: what a table for other programs needs; the file itself holds all the rest.
FORCE_COLUMNS = ("tyre_force", "u_tyre_force", "tyre_force_lower", "tyre_force_upper", "status")
ENDINGS = (".csv", ".csv.gz")
DIGITS = "%.9g"  # gives back every number in single precision
BLOCK = 1 << 15  # samples that are written at once
NO_FLAG = "none"

Columns = dict[str, NDArray]


@public
def export(
    result: xr.Dataset,
    *,
    corner: str | Sequence[str] | None = None,
    start: float | None = None,
    end: float | None = None,
    rate: float | None = None,
    out: str | Path = "export.csv",
    overwrite: bool = False,
) -> Path:
    """Write forces or an answer as CSV.

    Forces are written sample by sample: tyre forces [N] in tyre axes with u and 95 % limits, status
    in words, other channels of the log in SI.  An answer is written with a row for each of its
    values, or sample by sample where `start`, `end` or `rate` is given.

    Parameters
    ----------
    result : Dataset
        As `reconstruct`, `read_result` or an answer returns it.
    corner : str or sequence of str, optional
        Corners to write, in one text separated by commas (without: all).
    start, end : float, optional
        First and last elapsed time. [s]
    rate : float, optional
        Lower rate, see `lower_rate`. [Hz]
    out : str or Path
        Name of the file, ending `.csv` or `.csv.gz`.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    DataError
        No such corner, no samples in the window or over time at all, or a rate that does not divide
        that of the samples.
    OutputError
        The name has another ending, or the file exists or cannot be written.
    """
    target = Path(out)
    require_ending(target, *ENDINGS)
    chosen = _corners(result, corner)
    if "tyre_force" in result or any(v is not None for v in (start, end, rate)):
        shown = _window(_samples(chosen), start, end)
        shown = shown if rate is None else lower_rate(shown, rate)
        blocks = _by_sample(shown.drop_vars("u_tyre_force_random", errors="ignore"))
    else:
        blocks = iter([_by_label(chosen)])
    with replace_whole(target, overwrite=overwrite) as temporary:
        _write(temporary, blocks)
    return target


def _write(path: Path, blocks: Iterator[Columns]) -> None:
    with opened_text(path) as stream:
        for k, columns in enumerate(blocks):
            frame = pd.DataFrame(columns)
            frame.to_csv(
                stream, index=False, header=k == 0, float_format=DIGITS, lineterminator="\n"
            )


# --- which part ------------------------------------------------------------------------------


def _corners(result: xr.Dataset, corner: str | Sequence[str] | None) -> xr.Dataset:
    if corner is None:
        return result
    names = corner.split(",") if isinstance(corner, str) else corner
    wanted = [name.strip() for name in names]
    do = "Name corners of the file, separated by commas, or leave the option out for all."
    places = [number_of(result, "corner", name, do) for name in wanted]
    chosen = {"corner": list(dict.fromkeys(places))}
    for dim in result.dims:
        owners = [str(label).partition(" ")[0] for label in _labels(result, str(dim))]
        if dim not in chosen and set(owners) & set(CORNERS):  # such as 'FL tie_rod'
            chosen[str(dim)] = [place for place, owner in enumerate(owners) if owner in wanted]
    return result.isel(chosen)


def _samples(result: xr.Dataset) -> xr.Dataset:
    """The variables along elapsed time; of forces those that other programs need."""
    names = [str(n) for n, v in result.data_vars.items() if SAMPLES in v.dims]
    if "tyre_force" in result:
        random = "u_tyre_force_random"  # decides what a lower rate does to the uncertainty
        names = [n for n in names if n in (*FORCE_COLUMNS, random) or n in CHANNELS]
    if not names:
        raise DataError(
            place_of(result),
            "no values sample by sample",
            "an answer along elapsed time, for a window or a rate",
            "Leave out start, end and rate (--from, --to, --rate) for the table of its values.",
        )
    return result[names]


def _window(samples: xr.Dataset, start: float | None, end: float | None) -> xr.Dataset:
    time = samples[SAMPLES].to_numpy()
    first = time[0] if start is None else start
    last = time[-1] if end is None else end
    inside = np.flatnonzero((time >= first) & (time <= last))
    if not inside.size:
        raise DataError(
            place_of(samples),
            f"no sample from {first:g} to {last:g} s",
            f"a part of {time[0]:g} to {time[-1]:g} s",
            "Correct start and end (--from, --to); they are elapsed times.",
        )
    return samples.isel({SAMPLES: slice(int(inside[0]), int(inside[-1]) + 1)})


# --- samples over time -----------------------------------------------------------------------


def _by_sample(samples: xr.Dataset) -> Iterator[Columns]:
    """Columns of some samples at a time; what belongs to one force stands side by side."""
    for begin in range(0, samples.sizes[SAMPLES], BLOCK):
        part = samples.isel({SAMPLES: slice(begin, begin + BLOCK)})
        columns = {f"{SAMPLES} [s]": part[SAMPLES].to_numpy()}
        for dims, names in _by_dims(part).items():
            others = [dim for dim in dims if dim != SAMPLES]
            flat = {
                name: part[name]
                .transpose(SAMPLES, *others)
                .to_numpy()
                .reshape(part.sizes[SAMPLES], -1)
                for name in names
            }
            labels = product(*(_labels(part[names[0]], dim) for dim in others))
            for k, label in enumerate(labels):
                for name in names:
                    header = _header("_".join([name, *map(str, label)]), part[name])
                    columns[header] = _cells(part[name], flat[name][:, k])
        yield columns


def _by_dims(result: xr.Dataset) -> dict[tuple[str, ...], list[str]]:
    groups: dict[tuple[str, ...], list[str]] = {}
    for name, variable in result.data_vars.items():
        groups.setdefault(tuple(map(str, variable.dims)), []).append(str(name))
    return groups


def _labels(variable: xr.DataArray | xr.Dataset, dim: str) -> list[Any]:
    if dim in variable.coords:
        return list(variable[dim].to_numpy().tolist())
    return list(range(1, variable.sizes[dim] + 1))


def _header(name: str, variable: xr.DataArray) -> str:
    unit = str(variable.attrs.get("units", ""))
    flags = {"flag_masks", "flag_values"} & variable.attrs.keys()
    return f"{name} [{unit}]" if unit and not flags and variable.dtype.kind in "iuf" else name


def _cells(variable: xr.DataArray, values: NDArray) -> NDArray:
    """Numbers as they are, flags in words."""
    meanings = str(variable.attrs.get("flag_meanings", "")).split()
    if "flag_values" in variable.attrs:
        words = dict(zip(np.ravel(variable.attrs["flag_values"]).tolist(), meanings, strict=True))
        return _in_words(values, lambda value: words.get(value, ""))
    if "flag_masks" in variable.attrs:
        masks = np.ravel(variable.attrs["flag_masks"]).tolist()
        named = list(zip(masks, meanings, strict=True))
        return _in_words(values, lambda v: " ".join(w for m, w in named if v & m) or NO_FLAG)
    return values


def _in_words(values: NDArray, word: Any) -> NDArray:
    """The word of each whole number (sample,), each different one looked up once."""
    different, place = np.unique(values, return_inverse=True)
    return np.array([word(value) for value in different.tolist()], dtype=object)[place]


# --- values of an answer ---------------------------------------------------------------------


def _by_label(answer: xr.Dataset) -> Columns:
    """A row for each value of every variable that is no series over time."""
    whole = answer.reset_coords()
    apart = {*RECORD, *DOUBTS, *(n for n, v in whole.data_vars.items() if SAMPLES in v.dims)}
    shown = answer.drop_vars(apart & set(answer.variables))
    beside = {of for name in shown.data_vars for of in _companions(shown, str(name)).values()}
    names = [str(name) for name in shown.data_vars if name not in beside]
    if not names:
        raise DataError(
            place_of(answer),
            "no values beside its samples and its record",
            "an answer with values, or forces",
            "Give a window or a rate (--from, --to, --rate) for its samples.",
        )
    dims = list(dict.fromkeys(str(dim) for name in names for dim in shown[name].dims))
    frames = [pd.DataFrame(_rows(shown, name, dims)) for name in names]
    stacked = pd.concat(frames, ignore_index=True)
    return {str(name): stacked[name].to_numpy() for name in stacked}


def _companions(answer: xr.Dataset, name: str) -> dict[str, str]:
    """Names of u and limits of a variable by their columns, as far as it has them."""
    names = {"u": f"u_{name}", "lower": f"{name}_lower", "upper": f"{name}_upper"}
    return {
        column: other
        for column, other in names.items()
        if other in answer and answer[other].dims == answer[name].dims
    }


def _rows(answer: xr.Dataset, name: str, dims: list[str]) -> Columns:
    variable = answer[name]
    labels = list(product(*(_labels(variable, str(dim)) for dim in variable.dims)))
    own = {str(dim): k for k, dim in enumerate(variable.dims)}
    columns: Columns = {"quantity": np.full(len(labels), name, dtype=object)}
    for dim in dims:
        header = _header(dim, answer[dim]) if dim in answer.coords else dim
        columns[header] = np.array(
            [label[own[dim]] if dim in own else None for label in labels], dtype=object
        )
    cells = _cells(variable, variable.to_numpy().ravel())
    numbers = cells.dtype.kind in "biuf"
    columns["unit"] = (
        _units(answer, variable) if numbers else np.full(len(labels), "", dtype=object)
    )
    beside = {column: answer[other] for column, other in _companions(answer, name).items()}
    for column, values in {"value": variable, "u": None, "lower": None, "upper": None}.items():
        shown = beside.get(column, values) if numbers else None
        empty = np.full(len(labels), np.nan)
        columns[column] = empty if shown is None else shown.to_numpy().ravel().astype(float)
    columns["words"] = np.full(len(labels), None, dtype=object) if numbers else cells
    return columns


def _units(answer: xr.Dataset, variable: xr.DataArray) -> NDArray:
    """Unit of each value (value,): the variable's own, or where it says that its units stand."""
    where, per = (variable.attrs.get(key) for key in (UNITS_IN, UNITS_PER))
    own = variable.attrs.get("units", "") if where is None else answer.attrs.get(where, "")
    units = answer[where] if where in answer.coords else xr.DataArray(str(own))
    each = units.broadcast_like(variable).transpose(*variable.dims).to_numpy().ravel()
    return np.array([f"{unit} {per}-1" if per else unit for unit in each], dtype=object)
