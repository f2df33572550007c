"""Gain of every ordinary channel against all that it is compared with: another unit or sign.

Every comparison alone has to allow for anything.  A wrong sign or unit is one factor, and how far
it is from one follows from all comparisons of the channel together, with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from recon.base.kept_results import kept_in
from recon.examination.comparison import Comparison
from recon.examination.loads import load_comparisons
from recon.examination.ordinary import comparisons
from recon.examination.term import Term
from recon.examination.view import View

LIMIT = 9.0  # square of what a gain is off over its variance; sound drives stay below 4
NAME = "gain against all other channels"


@dataclass(frozen=True, slots=True)
class Gain:
    """Excess in a channel, as a share of its values: `score` over `information`."""

    score: float = 0.0
    information: float = 0.0

    @property
    def size(self) -> float:
        """Most likely share [1]."""
        return self.score / self.information

    @property
    def u(self) -> float:
        """Its standard uncertainty [1]."""
        return float(self.information**-0.5)


def gains_of(view: View) -> dict[str, Gain]:
    """Evidence about the gain of each channel by its name; `travel` is that of all wheels.

    Springs say only that travel should be more, or less.  They count if all wheels say the same.
    """
    gains = kept_in(view.kept, "channel gains", lambda: gains_by(comparisons(view)))
    springs = [one for one in load_comparisons(view) if one.channels[0].startswith("travel")]
    by_wheel = [gains_by([one]).get("travel", Gain()).score for one in springs]
    alike = all(score > 0 for score in by_wheel) or all(score < 0 for score in by_wheel)
    return gains_by(springs, gains) if alike else gains


def gains_by(
    more: Iterable[Comparison], known: Mapping[str, Gain] | None = None
) -> dict[str, Gain]:
    """Evidence of some comparisons about gains, added to what is `known`."""
    out = dict(known or {})
    for compared in more:
        for channel, share in compared.shares.items():
            score, information = compared.along(share[None])
            if information[0, 0] > 0:
                old = out.get(channel, Gain())
                out[channel] = Gain(
                    old.score + float(score[0]), old.information + float(information[0, 0])
                )
    return out


def gains_agree(view: View) -> Iterator[Term]:
    """Gain of every channel by all that it is compared with.

    These terms only raise the alarm: what they are made of is counted by the others.
    """
    for channel, gain in gains_of(view).items():
        own = tuple(c for c in view.corners if channel.endswith((f"_{c}", f"_{c}_x", f"_{c}_y")))
        yield Term(
            place=channel,
            corners=own or view.corners,
            name=NAME,
            size=(gain.size / gain.u) ** 2,
            count=0,
            limit=LIMIT,
            words=f"{channel} contradicts what it is compared with: by all of it together its "
            f"gain is off by {abs(gain.size) / gain.u:.1f} standard uncertainties (at most "
            f"{LIMIT**0.5:.0f} on sound drives).",
            by_gauges=channel == "travel",  # springs carry what gauges show
        )
