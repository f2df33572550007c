"""Verification pulls are held out: none of them may have been in the fit."""

from __future__ import annotations

import numpy as np

from recon.base.errors import DataError
from recon.records.sheets import PullSheet

Steps = frozenset[tuple[float, ...]]  # loads and indications of the loaded steps of one pull


def require_held_out(fit: PullSheet, verification: PullSheet) -> None:
    """Refuse a verification sheet that would test the fit with its own pulls.

    Rows of purpose `fit` of the one sheet are fitted, rows of purpose `verify` of the other verify.

    Raises DataError: both are one file, no row verifies, or a pull to verify has loads and
    indications of a pull that is fitted, under whatever name.
    """
    # A sheet that was never a file has no checksum.
    if fit.checksum and verification.checksum == fit.checksum:
        raise DataError(
            verification.path,
            f"the same file as the pull sheet {fit.path}",
            "a sheet of pulls that were kept apart before the fit",
            "Name another file; rows of purpose verify in the pull sheet verify by themselves.",
        )
    if not np.any(verification.purpose == "verify"):
        raise DataError(
            verification.path,
            f"purpose '{verification.purpose[0]}' in all {len(verification.line)} rows",
            "at least one pull of purpose 'verify', declared before the fit",
            "Name the sheet that holds the verification pulls, or correct the purpose of pulls "
            "that were never in a fit.",
        )
    gauges = [name for name in verification.gauges if name in fit.gauges]
    fitted = _pulls(fit, "fit", gauges)
    for (corner, pull), (line, steps) in _pulls(verification, "verify", gauges).items():
        for (home, name), (first, own) in fitted.items():
            if home == corner and own == steps:
                where = f"{verification.path}, line {line}"
                raise DataError(
                    where,
                    f"verification pull '{pull}' of {corner} with the loads and indications of "
                    f"pull '{name}', which is fitted ({fit.path}, line {first})",
                    "pulls that are either fitted or verify",
                    "Take it out of one of the two sheets.",
                )


def _pulls(
    sheet: PullSheet, purpose: str, gauges: list[str]
) -> dict[tuple[str, str], tuple[int, Steps]]:
    """Line and loaded steps of every pull with that purpose, by corner and name."""
    columns = [sheet.gauges.index(name) for name in gauges]
    numbers = np.column_stack([sheet.strap.load, sheet.pad.load, sheet.indication[:, columns]])
    # What was not read compares equal to itself.
    numbers = np.where(np.isnan(numbers), np.inf, numbers)
    chosen = (sheet.purpose == purpose) & (sheet.phase != "tare")
    rows: dict[tuple[str, str], list[int]] = {}
    for row in np.flatnonzero(chosen):
        rows.setdefault((str(sheet.corner[row]), str(sheet.pull[row])), []).append(int(row))
    return {
        key: (int(sheet.line[of[0]]), frozenset(tuple(numbers[row]) for row in of))
        for key, of in rows.items()
    }
