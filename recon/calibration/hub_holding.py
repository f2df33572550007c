"""Pulls that contradict each other because their wheels were held otherwise than is written.

A wheel that an outboard brake holds passes its whole moment to the upright; one that is held by
its half-shaft, or by an inboard brake, passes none about its spin axis.  Where this is mistaken in
the pull sheet or in the vehicle file, loads and points of many pulls seem wrong, and are not.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

from recon.base.errors import ReconWarning
from recon.calibration.applied import Pull
from recon.calibration.calibrated import CornerCalibration, Verdict
from recon.calibration.crosstalk_fit import joint_fit
from recon.calibration.noise import noise_of
from recon.calibration.prior import bridge_prior
from recon.mechanics.assembly import Assembly

# Cost over degrees of freedom, as stated and otherwise: nothing else makes pulls agree so much
# better.  No source.
CONTRADICTING, OF_IT = 9.0, 0.1
HELD: dict[str, Callable[[bool], bool]] = {
    "every wheel was held by an outboard brake": lambda _: True,
    "no wheel was held by an outboard brake": lambda _: False,
    "brake and half-shaft were exchanged in wheel_held_by": lambda turns: not turns,
}


def held_otherwise(
    corner: CornerCalibration, path: str, assembly: Assembly, pulls: list[Pull]
) -> Verdict | None:
    """The verdict that names the wheels' holding, if that is why the pulls contradict each other.

    `corner` was fitted to the `pulls` as they are written.
    """
    lack = corner.quality.lack_of_fit
    if not lack > CONTRADICTING:
        return None
    turns = [pull.wheel.turns_hub for pull in pulls]
    others = {words: list(map(held, turns)) for words, held in HELD.items()}
    found = {
        words: _lack(path, assembly, pulls, held) for words, held in others.items() if held != turns
    }
    best = min(found, key=lambda words: found[words])
    if not found[best] < OF_IT * lack:
        return None
    # Whatever else seems wrong follows from it, or shows once it is right.
    sentence = (
        f"the pulls agree {lack / found[best]:.0f} times better as if {best}: compare "
        "wheel_held_by of the pulls, and brake of the vehicle file, with the car"
    )
    words = f"{assembly.name} is not to be used, because {sentence}"
    return Verdict("unusable", words, (f"{sentence}.",))


def _lack(path: str, assembly: Assembly, pulls: list[Pull], turns: list[bool]) -> float:
    """Cost over degrees of freedom of the fit with wheels held otherwise."""
    held = [
        replace(pull, wheel=replace(pull.wheel, turns_hub=turned))
        for pull, turned in zip(pulls, turns, strict=True)
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ReconWarning)  # told of the pulls as they are written
        return joint_fit(held, bridge_prior(path, assembly, held), noise_of(held)).lack_of_fit[0]
