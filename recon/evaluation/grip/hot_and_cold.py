"""Envelopes on hot tyres against those on cold ones, from several runs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from recon.base.arrays import Floats
from recon.evaluation.common.answer_labels import Labelled, limits, plain
from recon.evaluation.common.estimate import combined, independent
from recon.evaluation.grip.envelope_errors import EnvelopeErrors
from recon.evaluation.grip.runs_of_set_up import Drives
from recon.evaluation.grip.tyre_envelopes import DIRECTIONS, Fit, Gate, fit_tyres


@dataclass(frozen=True, slots=True)
class Warm:
    """Fits of the hot runs and of the cold ones, both in the order of all fits, or a `reason`.

    `counts` are the numbers of hot and of cold runs, `temperatures` their means [degC].
    """

    hot: list[Fit]
    cold: list[Fit]
    counts: tuple[int, int] = (0, 0)
    temperatures: tuple[float, float] = (np.nan, np.nan)
    reason: str = ""

    @classmethod
    def of(cls, drives: Drives, gate: Gate) -> Warm:
        """Fit hot and cold runs apart, where there are some of both."""
        if len(drives.forces) < 2:
            return cls([], [])
        hot, reason = drives.hot_and_cold()
        if reason:
            return cls([], [], reason=reason)
        by_sample = hot[drives.of(np.arange(drives.first[-1]))]
        each = [fit_tyres(drives, replace(gate, inside=some)) for some in (by_sample, ~by_sample)]
        means = [float(drives.temperature[some].mean()) for some in (hot, ~hot)]
        counts = int(hot.sum()), int((~hot).sum())
        return cls(each[0], each[1], counts, (means[0], means[1]))

    @property
    def words(self) -> str:
        """Which runs are compared, in words."""
        parts = zip(("hot", "cold"), self.counts, self.temperatures, strict=True)
        return " against ".join(f"{name} ({n} runs, {t:.0f} degC)" for name, n, t in parts)

    @property
    def fits(self) -> list[Fit]:
        """Fits of the hot runs, then of the cold ones."""
        return [*self.hot, *self.cold]

    def ratio(
        self, errors: list[EnvelopeErrors | None], every: list[EnvelopeErrors | None], loads: Floats
    ) -> Labelled:
        """Force on hot tyres over that on cold ones, by corner and direction, as variables.

        It is read in the middle of the loads (load,) [N] that both worked.  `errors` belong to
        `fits`; `every` are those of all runs together, whose spread from run to run says how well
        the ratio repeats.
        """
        if not self.hot:
            return {}
        count = len(self.hot)
        value, u, load = (np.full(count, np.nan) for _ in range(3))
        for i, (hot, cold) in enumerate(zip(errors[:count], errors[count:], strict=True)):
            at = self._middle(i, loads)
            if hot is None or cold is None or at is None:
                continue
            pair = (one.estimate.at(at) for one in (hot, cold))
            found = combined(lambda a, b: np.exp(a - b), *pair)
            value[i], load[i] = found.value[0], loads[at]
            together = every[i]
            spread = np.nan if together is None else together.spread[at]
            runs = sum(self.counts)
            u[i] = np.hypot(found.u[0], spread * np.sqrt(sum(runs / n for n in self.counts)))
        shape = (count // len(DIRECTIONS), len(DIRECTIONS))
        dims = ("corner", "direction")
        words = f"horizontal force on tyres {self.words}"
        known = independent(np.where(np.isnan(u), np.nan, value), u)
        of_load = "vertical force at which hot and cold are compared"
        return limits("hot_over_cold", known, dims, "1", words, shape) | plain(
            "hot_over_cold_load", load.reshape(shape), dims, "N", of_load
        )

    def _middle(self, place: int, loads: Floats) -> int | None:
        """Place of the middle of the loads that hot and cold runs worked."""
        of = [fits[place].envelope for fits in (self.hot, self.cold)]
        worked = [one.worked_at(loads) for one in of if one]
        both = np.flatnonzero(np.all(worked, axis=0))
        return int(both[len(both) // 2]) if len(worked) == 2 and both.size else None
