"""The finding of a section in a few words: its largest force, with its interval."""

from __future__ import annotations

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.evaluation.common.alternatives import Alternatives, Drive
from recon.evaluation.sections.find_sections import Section

BANDWIDTH = 3.0  # Hz; a finding is about the section, not about a bump in it
AROUND = 5  # samples on either side of the largest force
# Axis, sign and words of the force that a kind of section is about; sign 0 means either.
ABOUT = {
    "launch": (0, 1, "driving force"),
    "straight braking": (0, -1, "braking force"),
    "left corner": (1, 1, "force to the left"),
    "right corner": (1, -1, "force to the right"),
    "slalom": (1, 0, "lateral force"),
}


def finding(section: Section, drive: Drive) -> str:
    """Largest force of all known tyres together in a section, at a low bandwidth."""
    length = f"{section.end - section.start:.1f} s"
    if section.kind not in ABOUT:
        return length
    axis, sign, words = ABOUT[section.kind]
    part = section.slice_of(drive.time)
    size = Alternatives(drive, part, bandwidth=BANDWIDTH).best[..., axis]
    known = np.isfinite(size).mean(axis=0) > 0.5
    if not known.any():
        return length
    total = np.nan_to_num(size[:, known].sum(axis=1))
    at = int(np.argmax(np.abs(total) if sign == 0 else sign * total)) + part.start
    around = slice(max(at - AROUND, part.start), min(at + AROUND + 1, part.stop))

    def mean(force: Floats) -> Floats:
        return np.abs(force[..., known, axis].sum(axis=-1).mean(axis=-1))[..., None]

    only = known[:, None] & (np.arange(3) == axis)
    near = Alternatives(drive, around, bandwidth=BANDWIDTH, only=only)
    peak = near.estimate(mean, draws=8, together=True)
    half = float(peak.upper[0] - peak.value[0])
    of = [c for c, is_known in zip(drive.corners, known, strict=True) if is_known]
    tyres = "" if len(of) == len(CORNERS) else f" ({', '.join(of)} only)"
    return f"{length}, {words} up to {peak.value[0]:.0f} +-{half:.0f} N{tyres}"
