"""Local files: existing ones, their checksums, and writing that leaves no half file behind."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path

from recon.base.errors import DataError, OutputError, current_folder

PART = ".part"  # begins the name of whatever is not complete yet

RESULT = "result or calibration file"
FORCES_NAME = "forces.nc"  # the result of a drive, as commands name it
NETCDF = (b"\x89HDF", b"CDF")  # how such files begin


def existing_file(path: str | Path, what: str) -> Path:
    """Return `path` if it is an existing regular file on this computer.

    Where a result is wanted, a folder stands for the one in it (`only_result`).  `what`
    the file should be ("log", "pull sheet") is for the message.

    Raises DataError: the name is an address of the network, or no regular file is there.
    """
    text = str(path)
    if "://" in text:
        raise DataError(
            text,
            f"a network address where a {what} is wanted",
            "the name of a file on this computer",
            "Fetch the file by hand, look at it and give its local name.",
        )
    local = Path(path)
    try:
        local = only_result(local) if what == RESULT else local
        found = "" if local.is_file() else "a folder" if local.is_dir() else "no such file"
        found = found if text else "an empty name"
    except (OSError, ValueError) as error:  # names that no file can have
        found = f"an impossible name ({error})"
    if found:
        raise DataError(
            text,
            f"{found} where a {what} is wanted",
            "the name of an existing file",
            f"Check the spelling; names are looked up from {current_folder()}.",
        )
    if what != "log":  # logs may be netCDF or text
        _refuse_other_kind(local, what)
    return local


def only_result(path: str | Path) -> Path:
    """The result that a folder holds: its forces, else the only result in it; else the path."""
    path = Path(path)
    held = sorted(path.glob("*.nc")) if path.is_dir() else []
    forces = [file for file in held if file.name == FORCES_NAME] or held
    return forces[0] if len(forces) == 1 else path


def _refuse_other_kind(file: Path, what: str) -> None:
    """Refuse netCDF where text is wanted, and text where a result is wanted."""
    with file.open("rb") as stream:
        start = stream.read(4)
    netcdf = start.startswith(NETCDF)
    if start and netcdf != (what == RESULT):
        found = "a netCDF file (a calibration or result)" if netcdf else "no netCDF file"
        raise DataError(
            str(file),
            f"{found} where a {what} is wanted",
            f"a {what}",
            f"Name a {what}; `recon COMMAND --help` shows which files a command takes, in order.",
        )


def checksum(path: str | Path) -> str:
    """Return the SHA-256 of the file's bytes as 64 hexadecimal digits.

    A file that has not changed since it was last asked for is not read again.
    """
    state = Path(path).stat()
    return _checksum(Path(path), state.st_ino, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=64)
def _checksum(path: Path, *_state: int) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def require_ending(target: Path, *endings: str) -> None:
    """Refuse the name of a file to be written that has none of the `endings`.

    Raises OutputError: it is a folder, or ends otherwise.
    """
    if target.name.lower().endswith(endings):
        return
    found = f"a name that ends '{target.suffix}'" if target.suffix else "a name without an ending"
    folder = False
    with suppress(OSError):  # a name that is too long
        folder = target.is_dir()
    if folder:
        found, example = "a folder", target / f"result{endings[0]}"
    else:
        example = Path(target.with_suffix(endings[0]).name)
    needed = " or ".join(f"'{ending}'" for ending in endings)
    raise OutputError(str(target), found, f"a name that ends {needed}", f"Name {example}.")


@contextmanager
def replace_whole(path: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary name beside `path`; rename it to `path` when the body has ended well.

    Whoever reads `path` sees the old file or the whole new one, never a part.  The temporary
    name keeps the ending, so that writers that choose by the ending choose the same.

    Raises OutputError: `path` exists and `overwrite` is false, it is a folder, its folder is
    missing, or the file cannot be written (rights, full disk).
    """
    target = Path(path)
    temporary = target.parent / part_name(target.name)
    try:
        _check_target(target, overwrite)
        clear_parts(target.parent, target.name)
        temporary.touch()
        yield temporary
        temporary.replace(target)
    except OSError as error:
        raise OutputError(
            str(target),
            f"writing failed: {error.strerror or error}",
            "a folder with room where you may write",
            f"Look at rights and free space of {target.parent} or choose another name.",
        ) from error
    finally:
        # A name that could not be made (too long, no rights) cannot be removed either.
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _check_target(target: Path, overwrite: bool) -> None:
    if not target.parent.is_dir():
        raise OutputError(
            str(target),
            f"no folder {target.parent}",
            "an existing folder",
            "Make the folder first or choose another name.",
        )
    if target.is_dir():
        raise OutputError(
            str(target), f"{target} is a folder", "a file name", "Add a name to the folder."
        )
    if target.exists():
        require_free(target, overwrite=overwrite)


def require_free(existing: Path, *, overwrite: bool) -> None:
    """Refuse to replace a file that exists, unless `overwrite` allows it.

    Raises OutputError: `overwrite` is false.
    """
    if not overwrite:
        raise OutputError(
            str(existing),
            "this file already exists",
            "a new name, or permission to replace it",
            "Name another file or folder (--out), or add --overwrite (overwrite=True in Python).",
        )


def part_name(name: str) -> str:
    """Name of a file or folder that this process is writing and that will be called `name`."""
    return f"{PART}{os.getpid()}-{name}"


def parts_of(folder: Path, name: str | None = None) -> list[Path]:
    """Incomplete files and folders that ended runs left in `folder`, all or those for `name`."""
    out = []
    for path in folder.glob(f"{PART}*-*"):
        number, _, rest = path.name.removeprefix(PART).partition("-")
        if number.isdecimal() and rest == (name or rest) and not _runs(int(number)):
            out.append(path)
    return sorted(out)


def clear_parts(folder: Path, name: str | None = None) -> None:
    """Remove what `parts_of` finds; what cannot be removed stays."""
    for path in parts_of(folder, name):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with suppress(OSError):
                path.unlink()


def _runs(number: int) -> bool:
    """Whether another process of that number runs; this one has just begun to write.

    Windows does not let a file be removed that somebody has open, and so needs no answer.
    """
    if os.name == "nt" or number == os.getpid():
        return False
    try:
        os.kill(number, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        pass
    return True
