"""The force against which the use of a tyre is counted: its load, a coefficient, or an envelope.

All of them are one form: a force at a reference load and an exponent of the load, for each of the
four directions.  Horizontal force in between directions is counted by an ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.base.errors import DataError
from recon.base.labelled import corner_names, place_of
from recon.base.late import xr
from recon.evaluation.grip.envelope import REFERENCE_LOAD
from recon.evaluation.grip.runs_of_set_up import Drives
from recon.evaluation.grip.tyre_envelopes import DIRECTIONS, SECTOR, Gate, fit_tyres

OWN = "own"
LEFT, RIGHT, DRIVE, BRAKE = range(4)


@dataclass(frozen=True, slots=True)
class Reference:
    """Force [N] at the reference load, exponent and relative u (corner, direction), NaN if unknown.

    `words` name what use is a share of.
    """

    force: Floats
    exponent: Floats
    u: Floats
    words: str

    def use(self, k: int, force: Floats) -> tuple[Floats, Floats]:
        """Use (sample,) [1] of corner `k` and its change (sample, component) [1/N] per newton.

        `force` (sample, component) [N] is in tyre axes.  NaN where no envelope of the direction is
        known. The ellipse between directions is common practice, no source.
        """
        x, y, z = force.T
        ahead, ahead_power = self._along(k, x > 0, (DRIVE, BRAKE), z)
        aside, aside_power = self._along(k, y > 0, (LEFT, RIGHT), z)
        if np.isnan(self.force[k]).any():
            # A force in one direction needs no envelope of the other.
            flat = SECTOR * np.hypot(x, y)
            round_x, round_y = (
                np.isnan(ahead) & (np.abs(y) > flat),
                np.isnan(aside) & (np.abs(x) > flat),
            )
            ahead, ahead_power = np.where(round_x, (aside, aside_power), (ahead, ahead_power))
            aside, aside_power = np.where(round_y, (ahead, ahead_power), (aside, aside_power))
        a, b = x / ahead, y / aside
        a_square, b_square = a**2, b**2
        values = np.sqrt(a_square + b_square)
        safe = np.maximum(values, 1e-6)
        by_load = -(ahead_power * a_square + aside_power * b_square) / (safe * z)
        return values, np.stack([a / (safe * ahead), b / (safe * aside), by_load]).T

    def _along(
        self, k: int, first: NDArray[np.bool_], directions: tuple[int, int], load: Floats
    ) -> tuple[Floats, Floats]:
        """Force [N] and exponent of the reference in the direction of each sample (sample,).

        That is the `first` (sample,) of two directions, or the other one.
        """
        if np.all(self.exponent[k] == 1.0) and np.all(self.force[k] == self.force[k, 0]):
            return self.force[k, 0] * (load / REFERENCE_LOAD), np.ones_like(load)
        direction = np.where(first, *directions)
        force, power = self.force[k][direction], self.exponent[k][direction]
        return force * (load / REFERENCE_LOAD) ** power, power

    def u_of(self, k: int, force: Floats) -> Floats:
        """Relative standard uncertainty (sample,) [1] of the reference for forces (sample, 3)."""
        if not self.u[k].any():
            return np.zeros(len(force))
        sideways = np.abs(force[:, 1]) > np.abs(force[:, 0])
        side = np.where(force[:, 1] > 0, LEFT, RIGHT)
        direction = np.where(sideways, side, np.where(force[:, 0] > 0, DRIVE, BRAKE))
        return np.asarray(np.nan_to_num(self.u[k][direction]))


def reference_of(
    forces: xr.Dataset,
    coefficient: float | None,
    lateral_coefficient: float | None,
    envelope: xr.Dataset | str | None,
    low_load: float,
) -> Reference:
    """Reference that the user asked for.

    `coefficient` and `lateral_coefficient` [1] are coefficients of friction along and sideways;
    both are `coefficient` if one is given.  `envelope` is a result of `grip`, or "own" for that of
    these forces, whose lowest vertical force is `low_load` [N].

    Raises DataError: both are asked for, a coefficient is no positive number, or the envelope is
    none of these tyres.
    """
    shape = (forces.sizes["corner"], len(DIRECTIONS))
    one, zero = np.ones(shape), np.zeros(shape)
    asked = [c for c in (coefficient, lateral_coefficient) if c is not None]
    _require_coefficients(forces, coefficient, lateral_coefficient, envelope)
    if asked:
        along, aside = asked[0], asked[-1]
        force = REFERENCE_LOAD * np.broadcast_to([aside, aside, along, along], shape)
        same = along == aside
        words = f"{along:g} Fz" if same else f"{along:g} Fz along and {aside:g} Fz sideways"
        return Reference(force, one, zero, words)
    if envelope is None:
        return Reference(REFERENCE_LOAD * one, one, zero, "Fz")
    if isinstance(envelope, str):
        return _own(forces, envelope, low_load, shape)
    return _given(forces, envelope)


def _require_coefficients(
    forces: xr.Dataset,
    coefficient: float | None,
    lateral_coefficient: float | None,
    envelope: xr.Dataset | str | None,
) -> None:
    """Refuse coefficients that are no positive numbers, or that stand beside an envelope."""
    for name, value in (("coefficient", coefficient), ("lateral_coefficient", lateral_coefficient)):
        if value is None:
            continue
        found = f"{name} = {value:g} N per N"
        if not 0 < value < np.inf:
            do = "State the coefficient of friction, such as 1.2."
            raise DataError(place_of(forces), found, "a number above zero", do)
        if envelope is not None:
            do = "Leave one of them out."
            raise DataError(place_of(forces), f"{found} and an envelope", "one of them", do)


def _own(forces: xr.Dataset, word: str, low_load: float, shape: tuple[int, int]) -> Reference:
    """Envelopes of the same forces; their fixed errors are those of the forces and cancel."""
    if word != OWN:
        raise DataError(
            place_of(forces),
            f"envelope '{word}'",
            f"a result of `recon grip`, or the word {OWN}",
            "Name the file grip.nc of a drive on the same tyres.",
        )
    fits = fit_tyres(Drives((forces,)), Gate(low_load=low_load))
    laws = [None if fit.envelope is None else fit.envelope.law for fit in fits]
    force = np.array([np.nan if law is None else law.force for law in laws]).reshape(shape)
    power = np.array([np.nan if law is None else law.exponent for law in laws]).reshape(shape)
    return Reference(force, power, 0 * force, "its own demonstrated envelope")


def _given(forces: xr.Dataset, envelope: xr.Dataset) -> Reference:
    """Envelopes out of a result of `grip`."""
    names = ("reference_force", "exponent", "demonstrated_force", "u_demonstrated_force")
    corners = corner_names(forces)
    legal = all(name in envelope for name in names)
    there = corner_names(envelope) if legal else []
    if not set(corners) & set(there):
        title = envelope.attrs.get("title", "no title")
        raise DataError(
            place_of(forces),
            f"envelope '{title}' of {', '.join(there) or 'no tyre'}",
            f"a result of `recon grip` with some of {', '.join(corners)}",
            "Name the file grip.nc of a drive on the same tyres.",
        )
    of = envelope.reindex(corner=corners).sel(direction=list(DIRECTIONS))
    u = (of["u_demonstrated_force"] / of["demonstrated_force"]).median("load").to_numpy()
    force, power = of["reference_force"].to_numpy(), of["exponent"].to_numpy()
    return Reference(force, power, u, "its demonstrated envelope")
