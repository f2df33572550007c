"""An envelope whose samples are moved by errors: other bands count, with other samples in them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from recon.base.arrays import Floats
from recon.evaluation.grip.envelope import (
    BAND,
    REFERENCE_LOAD,
    Bands,
    Laws,
    Samples,
    edges_of,
    middle_of,
    slopes_of,
    weight_of,
)

REACH = 0.3  # of the logarithm of force over load: samples farther below hard work stay there
MOST = 4000  # samples that are moved; each stands for others beside it in a longer drive


@dataclass(frozen=True, slots=True)
class MovedSamples:
    """Samples of an envelope with all bands of load that they may come into.

    `bands` hold noisy distributions, also those of too few samples; `taken_off` (band,) is what
    their noise adds to their edges.  `place` (worked,) are positions among them of the bands that
    the envelope rests on.  `samples` are those that are moved; one stands for `each` so many.
    """

    samples: Samples
    bands: Bands
    taken_off: Floats
    place: NDArray[np.int64]
    each: int

    @classmethod
    def of(cls, samples: Samples, found: Bands, quiet: Bands, worked: NDArray[np.bool_]) -> Self:
        """Samples of an envelope on those bands (band,) of the `found` ones that are `worked`.

        `quiet` are the same bands without noise.
        """
        near = np.flatnonzero(samples.ratio > found.least - REACH)
        each = -(-len(near) // MOST)
        near = near[each // 2 :: each]
        names = "load", "force", "u_noise", "at"
        kept = replace(samples, **{name: getattr(samples, name)[near] for name in names})
        some = np.unique(kept.band)
        load = middle_of(np.arange(max(some[0] - 1, 0), some[-1] + 2))

        def between(values: Floats) -> Floats:
            return np.interp(load, found.load, values)

        wider = replace(found, load=load, u_noise=between(found.u_noise))
        place = np.searchsorted(load, 0.99 * found.load[worked])
        return cls(kept, wider, between(edges_of(found) - edges_of(quiet)), place, each)

    def laws(self, level: Floats, load: Floats, shift: Floats) -> Laws:
        """Power laws of draws (draw,) in which the samples are moved, and then their bands.

        `level` and `load` (draw, worked) are changes of the logarithms of the force, levelled by
        the load, and of the load itself at each band; in between they change evenly.  `shift`
        (draw, worked) moves a band with the samples that are in it.
        """
        own, at = self.samples.log_load, np.log(self.bands.load[self.place] / REFERENCE_LOAD)
        between = np.array([np.interp(own, at, one) for one in np.eye(len(at))])
        moved = own + load @ between, self.samples.level + level @ between
        counts = self.each * self.bands.counted(*moved)
        shifted = np.tile(-self.taken_off, (len(level), 1))
        shifted[:, self.place] += shift
        number = (counts * (self.bands.middles >= self.bands.least)).sum(axis=-1)
        weight = weight_of(number, self.samples.every)
        return slopes_of(replace(self.bands, counts=counts, moved=shifted, weight=weight))

    def covers(self, laws: Laws, x: Floats) -> NDArray[np.bool_]:
        """Whether draws rest on bands around loads (draw, load); `x` (load,) as `log_load`."""
        own, half = np.log(self.bands.load / REFERENCE_LOAD), np.log(BAND) / 2
        low = np.min(np.where(laws.worked, own, np.inf), axis=1) - half
        high = np.max(np.where(laws.worked, own, -np.inf), axis=1) + half
        return np.asarray((x >= low[:, None]) & (x <= high[:, None]))
