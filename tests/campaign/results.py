"""Result files of the campaign: sound ones to spoil, ways to spoil them, and their doors."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import matplotlib.pyplot as plt
import netCDF4
import numpy as np
import xarray as xr

from recon.analysis.friction import friction_use
from recon.analysis.slalom import slalom
from recon.base.errors import ReconError
from recon.calibration.calibrated import Verification
from recon.calibration.gross_errors import GrossError
from recon.calibration.store import read_calibration, write_calibration
from recon.conditioning.condition import condition
from recon.examination.reconstruct import reconstruct
from recon.reconstruction.result.signed_errors import signed_errors
from recon.records.results import read_result, write_result
from recon.report.answers.friction import friction_summary, plot_friction_plane
from recon.report.answers.slalom import plot_lateral_force, slalom_summary
from recon.report.calibration.calibration_summary import calibration_summary
from recon.report.calibration.crosstalk import plot_crosstalk
from recon.report.calibration.verification import plot_verification
from tests.campaign.spoil import WORDS, noised
from tests.campaign.texts import corner, drive
from tests.days import exact_log, states

NUMBERS = (
    *(0.0, -1.0, 1.0, 1e-300, 1e15, -1e15, 1e300, 1e308, np.nan, np.inf, -np.inf, 255.0, 3e9),
)
SAMPLES = 500
Spoil = Callable[["Content", Random], None]


@cache
def conditioned() -> xr.Dataset:
    """A short drive, conditioned."""
    log, tares = drive()
    return condition(log, corner().car, tares)


def sound_forces(folder: Path) -> bytes:
    """Forces of three waves of one corner."""
    turn = np.linspace(0, 30, SAMPLES)
    force = np.column_stack([200 * np.cos(turn), 1500 * np.sin(turn), 2500 + 0 * turn])
    log, tares, _ = exact_log(corner(), states("FL", force))
    made = reconstruct(condition(log, corner().car, tares), corner().calibration, corner().car)
    return write_result(made, folder / "forces.nc", overwrite=True).read_bytes()


def sound_calibration(folder: Path) -> bytes:
    """The corner's calibration with a verification and a gross error that are made up."""
    found = corner().calibration
    steps = np.arange(12.0).reshape(4, 3) + 1
    verification = Verification(
        ("one", "one", "two", "two"), np.full(4, 900.0), 100 * steps, steps, steps
    )
    gross = (GrossError("fore", 36, "strap", 3065.0, 2316.25, 22.5, True),)
    fl = found.corners["FL"]
    quality = dataclasses.replace(fl.quality, gross=gross)
    fl = dataclasses.replace(fl, verification=verification, quality=quality)
    found = dataclasses.replace(found, corners={"FL": fl})
    return write_calibration(found, folder / "calibration.nc", overwrite=True).read_bytes()


# --- ways on what a file holds ------------------------------------------------------------------


@dataclasses.dataclass
class Content:
    """Variables and attributes of a file, without the rules of a labelled dataset."""

    variables: dict[str, xr.Variable]
    attributes: dict[str, Any]

    def name(self, random: Random, kinds: str = "fiuUO") -> str:
        """A variable that is not empty, with entries of one of these kinds."""
        return random.choice(
            [n for n, v in self.variables.items() if v.dtype.kind in kinds and v.size]
        )

    def put(self, name: str, dims: tuple, values: Any) -> None:
        """Replace the dimensions and values of a variable."""
        self.variables[name] = xr.Variable(dims, values, self.variables[name].attrs)

    @property
    def sizes(self) -> dict[str, int]:
        """Length of every dimension."""
        return {d: n for v in self.variables.values() for d, n in v.sizes.items()}


def content_of(path: Path) -> Content:
    """What a file holds, loaded."""
    with xr.open_dataset(path, engine="netcdf4", decode_times=False) as opened:
        loaded = opened.load()
    return Content(
        {str(n): v.to_base_variable() for n, v in loaded.variables.items()}, dict(loaded.attrs)
    )


def write_content(content: Content, path: Path) -> None:
    """Write it as it is; a dimension that has two lengths gets a second name."""
    with netCDF4.Dataset(path, "w") as opened:
        opened.setncatts(content.attributes)
        for name, variable in content.variables.items():
            dims = []
            for dim, size in variable.sizes.items():
                there = opened.dimensions.get(dim)
                own = dim if there is None or there.size == size else f"{dim}_{size}"
                if own not in opened.dimensions:
                    opened.createDimension(own, size)
                dims.append(own)
            values = variable.to_numpy()
            kind = str if values.dtype.kind in "UO" else values.dtype
            made = opened.createVariable(name, kind, dims)
            made.setncatts(variable.attrs)
            made.set_auto_maskandscale(False)
            if values.size:
                made[...] = values.astype(object) if kind is str else values


def dropped(content: Content, random: Random) -> None:
    """A variable is gone."""
    del content.variables[content.name(random)]


def transposed(content: Content, random: Random) -> None:
    """A variable has its dimensions the other way round."""
    name = content.name(random)
    of = content.variables[name]
    content.put(name, of.dims[::-1], of.to_numpy().T)


def scalar(content: Content, random: Random) -> None:
    """One entry stands for a whole variable."""
    name = content.name(random)
    values = content.variables[name].to_numpy()
    content.put(name, (), values.flat[0])


def retyped(content: Content, random: Random) -> None:
    """A variable is of another type."""
    name = content.name(random)
    of = content.variables[name]
    values = of.to_numpy()
    if values.dtype.kind in "fiu":
        kind = random.choice(("str", "int16", "int64", "float32", "uint8"))
        whole = np.nan_to_num(values) if "int" in kind else values
        with np.errstate(all="ignore"):
            content.put(name, of.dims, whole.astype(kind))
    else:
        numbers = np.arange(values.size, dtype=random.choice(("float64", "int32")))
        content.put(name, of.dims, numbers.reshape(values.shape))


def resized(content: Content, random: Random) -> None:
    """A dimension is shorter, longer, turned or of length one, for all variables or for one."""
    dim = random.choice(list(content.sizes))
    size = content.sizes[dim]
    cut = random.choice(
        (slice(0, 1), slice(0, size // 2), slice(1, None), slice(None, None, -1), [0] * (size + 1))
    )
    names = [n for n, v in content.variables.items() if dim in v.dims]
    for name in names if random.random() < 0.5 else [random.choice(names)]:
        content.variables[name] = content.variables[name].isel({dim: cut})


def renamed(content: Content, random: Random) -> None:
    """A variable or a dimension has another name."""
    new = random.choice(("x", "other", "Tyre_Force", "FL"))
    if random.random() < 0.5:
        name = content.name(random)
        content.variables[new] = content.variables.pop(name)
        return
    dim = random.choice(list(content.sizes))
    for name, of in content.variables.items():
        content.put(name, tuple(new if d == dim else d for d in of.dims), of.to_numpy())


def filled(content: Content, random: Random) -> None:
    """One number of a variable, or all of them, is an extreme."""
    name = content.name(random, "fiu")
    of = content.variables[name]
    values = of.to_numpy().astype(float)
    if random.random() < 0.5:
        values = np.full_like(values, random.choice(NUMBERS))
    else:
        values.flat[random.randrange(values.size)] = random.choice(NUMBERS)
    with np.errstate(all="ignore"):
        whole = np.nan_to_num(values) if of.dtype.kind in "iu" else values
        content.put(name, of.dims, whole.astype(of.dtype))


def scaled(content: Content, random: Random) -> None:
    """A variable is some powers of ten larger or smaller, or turned."""
    name = content.name(random, "f")
    of = content.variables[name]
    factor = of.dtype.type(random.choice((0.0, -1.0, 1e-12, 1e-3, 1e3, 1e8)))
    content.put(name, of.dims, of.to_numpy() * factor)


def reworded(content: Content, random: Random) -> None:
    """One word of a list is another one."""
    name = content.name(random, "UO")
    of = content.variables[name]
    values = of.to_numpy().astype(object)
    word = random.choice((*[w for w in WORDS if "\x00" not in w], *values.ravel().tolist()))
    if values.ndim:
        values.flat[random.randrange(values.size)] = word
    content.put(name, of.dims, values.astype(str) if values.ndim else np.array(word))


def exchanged(content: Content, random: Random) -> None:
    """Two variables of one shape change places."""
    name = content.name(random)
    one = content.variables[name]
    alike = [
        n
        for n, v in content.variables.items()
        if v.shape == one.shape and v.dtype.kind == one.dtype.kind
    ]
    other = random.choice(alike)
    two = content.variables[other]
    content.put(name, one.dims, two.to_numpy())
    content.put(other, two.dims, one.to_numpy())


def attribute_changed(content: Content, random: Random) -> None:
    """An attribute of the file or of a variable is gone, or holds something else."""
    own = content.variables[content.name(random)].attrs
    of = content.attributes if random.random() < 0.5 else own
    if of:
        key = random.choice(list(of))
        value = random.choice((None, "", "x", 0, -1, 1e308, float("nan"), [1.0, 2.0], "kN", 10**6))
        if value is None:
            del of[key]
        else:
            of[key] = value
    strange = {"scale_factor": "two", "add_offset": float("nan"), "coordinates": "no such",
               "units": "days since yesterday", "missing_value": 3.0}  # fmt: skip
    if random.random() < 0.2:
        key = random.choice(list(strange))
        own[key] = strange[key]


WAYS: tuple[Spoil, ...] = (
    dropped, transposed, scalar, retyped, resized, resized, renamed, filled, filled, filled,
    scaled, scaled, reworded, reworded, exchanged, attribute_changed, attribute_changed,
)  # fmt: skip


# --- ways on the file --------------------------------------------------------------------------


def claimed(path: Path, random: Random) -> None:
    """A variable claims far more than the file has."""
    with netCDF4.Dataset(path, "a") as opened:
        name = random.choice(("FL_K", "tyre_force", "loading", "extra"))
        if name in opened.variables:
            opened.renameVariable(name, f"{name}_before")
        opened.createDimension("endless", 10 ** random.choice((7, 9, 13)))
        opened.createVariable(name, random.choice(("f8", "i1")), ("endless",))


def write_spoiled_result(content: bytes, folder: Path, random: Random) -> Path:
    """Write one spoiled result file, under a name of its own.

    The library may still hold a damaged file open that it could not read.
    """
    for old in folder.glob("spoiled*.nc"):
        old.unlink()
    path = folder / f"spoiled_{random.getrandbits(64)}.nc"
    if random.random() < 0.15:
        cut = content[: random.randrange(len(content))] if random.random() < 0.5 else content
        path.write_bytes(cut if len(cut) < len(content) else noised(content, random))
        return path
    path.write_bytes(content)
    if random.random() < 0.05:
        claimed(path, random)
        return path
    spoiled = content_of(path)
    for _ in range(random.choice((1, 1, 2, 3))):
        random.choice(WAYS)(spoiled, random)
    path.unlink()
    write_content(spoiled, path)
    return path


# --- doors -------------------------------------------------------------------------------------


def _each(*doors: Callable[[], Any]) -> list[Any]:
    """Go through every door; one that refuses does not hide the next."""
    found, refused = [], None
    for door in doors:
        try:
            found.append(door())
        except ReconError as error:
            refused = error
    if refused and not found:
        raise refused
    return found


def _worded(answer: xr.Dataset, words: Callable[[xr.Dataset], list[str]]) -> Any:
    return answer, words(answer)


def through_forces(path: Path, far: bool) -> Any:
    """Read forces and analyse them; draw them where `far`."""
    forces = read_result(path)
    doors: list[Callable[[], Any]] = [
        lambda: signed_errors(forces, np.arange(min(5, forces.sizes.get("elapsed_time", 0)))),
        lambda: _worded(slalom(forces), slalom_summary),
        lambda: _worded(friction_use(forces), friction_summary),
    ]
    if far:
        doors += [lambda: plot_friction_plane(forces), lambda: plot_lateral_force(forces)]
    found = [forces, *_each(*doors)]
    plt.close("all")
    return [x for x in found if not hasattr(x, "savefig")]


def through_calibration(path: Path, far: bool) -> Any:
    """Read a calibration, put it in words; reconstruct and draw with it where `far`."""
    found = read_calibration(path)
    car = dataclasses.replace(corner().car, checksum=found.vehicle_checksum)
    doors: list[Callable[[], Any]] = [lambda: calibration_summary(found, car)]
    if far:
        doors += [
            lambda: reconstruct(conditioned(), found, car),
            lambda: [plot_crosstalk(found, name) for name in found.corners] and 0,
            lambda: plot_verification(found) and 0,
        ]
    answers = _each(*doors)
    plt.close("all")
    return found, answers


@dataclasses.dataclass(frozen=True, slots=True)
class ResultKind:
    """One kind of result file: a sound one, its door, and how many go far."""

    sound: Callable[[Path], bytes]
    door: Callable[[Path, bool], Any]
    share: int


RESULT_KINDS = {
    "forces": ResultKind(sound_forces, through_forces, 40),
    "calibrations": ResultKind(sound_calibration, through_calibration, 10),
}
