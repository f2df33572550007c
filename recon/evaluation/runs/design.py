"""From a run list to a design: blocks, covariates, and what cannot be parted from the set-up."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.words import enumerated
from recon.evaluation.runs.linear_model import BALANCED, CONFOUNDED, Design
from recon.records.run_list import NOT_STATED, RunList
from recon.records.sheets import Words

# Words in set-ups and notes that speak of something gauged or of its geometry.
SUSPECT = re.compile(
    r"\b(arms?|links?|wishbones?|tie.?rods?|push.?rods?|rods?|mounts?|brackets?|uprights?|"
    r"ride.?heights?|gauges?)\b",
    re.IGNORECASE,
)


BAR = re.compile(r"\b(bars?|anti.?roll|stabili[sz]ers?)\b", re.IGNORECASE)
TEMPERATURE = "tyre temperature"


@dataclass(frozen=True, slots=True)
class Blocked:
    """Design of the runs, sentences about what was done with each column, and what confounds."""

    design: Design
    words: tuple[str, ...]
    confounded: tuple[str, ...]


def design_of(runs: RunList) -> Blocked:
    """Decide what is a block, a covariate or confounded with the set-up.

    Temperature is a covariate where it is written and varies.  So is the order of the runs, unless
    the set-ups are balanced within blocks (A B B A), and blocks or temperature follow the day: then
    a steady drift cancels by itself, and a slope would only cost a degree of freedom.  Drivers and
    tyre sets are covariates where there are several.  A covariate that explains more than half of
    the set-up within blocks is confounded with it: their effects cannot be separated.
    """
    second = np.asarray(runs.set_up == runs.set_ups[1], dtype=float)
    block = np.unique(runs.block, return_inverse=True)[1].astype(float)
    plain = Design(second, block)
    covariates: dict[str, Floats] = {}
    words, confounded = [_block_words(runs)], []
    if plain.explained(plain.blocks) > CONFOUNDED:
        confounded.append(
            "a block holds one set-up only: what differs between blocks differs between set-ups; "
            "drive both set-ups in each block"
        )
        return Blocked(plain, tuple(words), tuple(confounded))
    for name, columns in _candidates(runs):
        share = plain.explained(columns)
        if share > CONFOUNDED:
            confounded.append(_confounded(name, runs, second, share))
        elif name == "order" and share < BALANCED and (covariates or len(np.unique(block)) > 1):
            words.append("order: balanced, so that a steady drift cancels")
        else:
            covariates[name] = columns
            words.append(f"{name}: its effect is estimated and subtracted (a covariate)")
    return Blocked(Design(second, block, covariates), tuple(words), tuple(confounded))


def _candidates(runs: RunList) -> Iterator[tuple[str, Floats]]:
    """Name and columns (run, column) of everything that varies beside the set-up."""
    temperature = runs.tyre_temperature
    if np.ptp(temperature) > 0:
        yield TEMPERATURE, temperature[:, None]
    changed = runs.changed_by
    for name, words, excused in (
        ("driver", runs.driver, "driver"),
        ("tyre set", runs.tyre_set, "tyres"),
    ):
        choices = np.unique(words)
        if len(choices) > 1 and changed != excused:
            yield name, np.asarray(words[:, None] == choices[1:], dtype=float)
    yield "order", runs.order[:, None]


def _block_words(runs: RunList) -> str:
    names = list(dict.fromkeys(runs.block.tolist()))
    first, second = runs.set_ups
    meaning = "" if (first, second) == ("A", "B") else f" (A is '{first}', B is '{second}')"
    if len(names) == 1:
        stated = "no blocks stated: all runs are one" if names == [""] else "one block"
        return f"{stated}, driven {' '.join(_letters(runs))}{meaning}"
    listed = (" ".join(_letters(runs)[runs.block == name]) for name in names)
    return f"{len(names)} blocks, driven {', '.join(listed)}{meaning}"


def _letters(runs: RunList) -> Words:
    """A for runs of the first set-up and B for those of the second."""
    return np.where(runs.set_up == runs.set_ups[0], "A", "B")


def _confounded(name: str, runs: RunList, second: Floats, share: float) -> str:
    first, other = runs.set_ups
    if name == "order":
        return (
            f"'{other}' was driven {_when(runs, second)} '{first}': whatever drifts over the day "
            f"(tyres, track, driver) explains {100 * share:.0f} % of the change of set-up; "
            "drive in blocks A B B A"
        )
    if name == TEMPERATURE:
        a, b = (runs.tyre_temperature[second == side].mean() for side in (0.0, 1.0))
        return (
            f"tyres were {abs(b - a):.1f} K {'hotter' if b > a else 'colder'} with '{other}': "
            "that may explain as much as the set-up; drive in blocks A B B A on tyres of one "
            "temperature"
        )
    words = runs.driver if name == "driver" else runs.tyre_set
    sides = (enumerated(dict.fromkeys(words[second == side].tolist())) for side in (0.0, 1.0))
    return (
        f"another {name} for each set-up ({' against '.join(sides)}): that may explain as much; "
        f"drive both set-ups with the same {name}"
    )


def _when(runs: RunList, second: Floats) -> str:
    a, b = (runs.order[second == side].mean() for side in (0.0, 1.0))
    return "after" if b > a else "before"


def suspected(runs: RunList) -> str:
    """Words that speak of a change to something gauged where the list does not state a change."""
    return "" if runs.changed_by != NOT_STATED else _spoken_of(runs, SUSPECT)


def bar_spoken_of(runs: RunList) -> str:
    """Word of the run list that speaks of an anti-roll bar, whatever change is stated."""
    return _spoken_of(runs, BAR)


def _spoken_of(runs: RunList, words: re.Pattern[str]) -> str:
    texts = [*runs.set_ups, *runs.notes.tolist()]
    return next((found[0] for text in texts if (found := words.search(text))), "")
