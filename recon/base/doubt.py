"""A doubt: one reason, found in the data themselves, not to believe a part of a result.

Every doubt names its cause, or says that the cause is not known.  It goes wherever the result
goes: into the file, the words, the pictures and the exit code.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from recon.base.words import enumerated

NO_CAUSE = "not known"
# Causes by name, each with its meaning for the user.
CAUSES = {
    NO_CAUSE: "The data contradict each other, and no single named cause explains it.",
    "exchanged": "Two channels carry each other's name: plugs or columns are exchanged.",
    "inverted": "A channel has the opposite sign.",
    "other unit": "A channel is in another unit than the one stated.",
    "zero shifted": "A gauge's zero moved between its tare and the drive.",
    "gain changed": "A channel has another scale than on the day of the pulls, or than is stated.",
    "dead": "A channel shows nothing but a constant.",
    "stuck": "An ordinary channel stands still although the car moves.",
    "interrupted": "An ordinary channel disagrees with the others for a moment.",
    "noise alone": "A channel shows nothing but noise: a loose plug or an open input.",
    "intermittent": "A channel shows a constant from time to time.",
    "jumping": "A channel jumps, to another level or to another course.",
    "clipped": "A channel stands at the end of its range.",
    "late": "A channel lags behind the others.",
    "offset": "An ordinary channel reads too much, or too little, by one amount all the time.",
    "without gravity": "Gravity was taken off an accelerometer.",
    "standing tare": "The wheel stood on the ground while its tare was taken as hanging.",
    "hanging tare": "The wheel hung while its tare was taken as standing.",
    "exchanged tares": "The tares of two gauges are exchanged.",
    "inverted tare": "A tare has the opposite sign.",
    "tare in another unit": "The tares are in another unit than the one stated.",
    "shifted tare": "One tare does not belong to the drive.",
    "unusable calibration": "Its own evidence is against it; it was accepted by name.",
    "car mass": "The car weighed more or less than its file says: a passenger, fuel, ballast.",
    "driven wheels": "Other wheels drive than those that the vehicle file says.",
    "weighing": "Gauges and the scales under the wheels show different loads.",
    "other calibration": "The calibration belongs to another state of the car.",
    "beyond physics": "Forces are larger than tyres and loads allow.",
    "friction limit": "The friction limit that was stated is lower than what the gauges show.",
}
# Failures that are recognised sample by sample: what they spoil is left out, nothing is doubted.
LEFT_OUT = ("dead", "intermittent", "clipped")
# Kinds of faults that the data of a drive may not show, each in words.
UNSEEN = {
    "zero": "a zero that moved since its tare, or a tare that is off",
    "jump": "a zero that moves in mid-drive",
    "gain": "a gauge whose gain has changed since the pulls, by up to half",
    "exchanged": "two gauges whose plugs are exchanged",
    "inverted": "a gauge with the opposite sign",
    "common gain": "all gauges of a corner or axle whose gain has changed alike, by up to half",
    "mass": "an unsprung mass in the vehicle file that is wrong by up to a factor of two",
    "late": "gauges that are late together by up to 50 ms",
    "late gauge": "one gauge that is late by up to 50 ms",
    "channel inverted": "an ordinary channel with the opposite sign",
    "channel unit": "an ordinary channel in another unit",
    "channel gain": "an ordinary channel whose gain is wrong by up to half",
    "channel zero": "an ordinary channel whose zero is off, by up to 2 deg, 10 mm, 1 m/s2 or 1 m/s",
}
# What a script should make of a result: nothing speaks against it; what failed was left out of it,
# and its limits are wider there; or its own data contradict it.
Outcome = Literal["sound", "no answer", "left out", "doubted"]


MOST_NAMED = 6  # channels of a doubt that are named one by one: the gauges of a corner


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason not to believe a part of a result.

    Attributes
    ----------
    corners : tuple of str
        Corners whose forces are doubted.
    cause : str
        One of `CAUSES`.
    channels : tuple of str
        Channels that have it, as far as known.
    probability : float
        Of the cause among all that were tried, 0 to 1.
    start, end : float
        Elapsed time between which it holds.  [s]
    found : str
        What the data show, with numbers: one sentence.
    do : str
        What to look at; in lines of their own, what to add to a column map.
    """

    corners: tuple[str, ...]
    cause: str
    channels: tuple[str, ...]
    probability: float
    start: float
    end: float
    found: str
    do: str

    def __post_init__(self) -> None:
        if self.cause not in CAUSES:
            raise AssertionError(self.cause)

    @property
    def place(self) -> str:
        """Corners in words; a channel that enters no force belongs to the log alone."""
        return ", ".join(self.corners) or "log"

    @property
    def spoils(self) -> bool:
        """True where forces are doubted; false where only what is sound went into them."""
        return self.cause not in LEFT_OUT

    def is_within(self, others: Iterable[Doubt]) -> bool:
        """Whether other doubts are about all its corners at some of its time."""
        at_once = (one for one in others if one.start <= self.end and one.end >= self.start)
        return set(self.corners) <= {corner for one in at_once for corner in one.corners}

    def __str__(self) -> str:
        """The doubt in words: place, cause, evidence, remedy."""
        count, names = len(self.channels), enumerated(self.channels)
        if count > MOST_NAMED:
            names = f"{count} channels, {self.channels[0]} to {self.channels[-1]}"
        channels = f" ({names})" if names else ""
        cause = "cause not known" if self.cause == NO_CAUSE else f"{self.cause}{channels}"
        certain = self.cause == NO_CAUSE or self.probability == 1.0
        likely = "" if certain else f", probability {self.probability:.2f}"
        return f"{self.place}: {cause}{likely}. {self.found} {self.do}"


def doubted_corners(doubts: Iterable[Doubt]) -> tuple[str, ...]:
    """Corners whose forces are doubted, each once, in the order in which they come."""
    return tuple(dict.fromkeys(corner for d in doubts if d.spoils for corner in d.corners))


def outcome_of(doubts: Iterable[Doubt]) -> Outcome:
    """The worst that these doubts say; one about a channel that enters no force counts too."""
    spoiled = [doubt.spoils for doubt in doubts]
    if any(spoiled):
        return "doubted"
    return "left out" if spoiled else "sound"
