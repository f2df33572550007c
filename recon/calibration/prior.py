"""Prior of K from bridge data and geometry.

A gauge's own slope comes from its tube and bridge or a bench pull, its cross-talk is near zero.
A sign that nobody noted is read from the pulls where they load the gauge enough, and never
guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.base.arrays import Floats
from recon.base.errors import DataError, DataWarning, PriorWarning, warn
from recon.calibration.applied import Pull
from recon.car.vehicle import Gauge
from recon.mechanics.assembly import Assembly

GEOMETRY_SLOPE = 0.03  # relative; what hardpoints wrong by 2 to 5 mm do to a link's load
# The same for a moment at a cut: joints and station some mm off on a lever of some 50 mm; common
# practice, no source.
STATION_SLOPE = 0.10
# Of the own slope: other links' loads in a gauge, common practice, no source.
GEOMETRY_CROSSTALK = 0.10
# The pulls decide a sign where the slope exceeds this many standard uncertainties.
SHOWN = 3.0
READ = 0.03  # of the largest indications: what a map without lines' errors leaves, no source
OPEN_SLOPE = 3.0  # of a slope that is read from the sizes of indications and loads
REWEIGHTED = 30  # times; the last ones move a slope by less than a hundredth of its uncertainty
HIGH = 0.95  # share of the steps; mistyped loads are fewer


@dataclass(frozen=True, slots=True)
class BridgePrior:
    """Prior of K: `mean` and `u` (gauge, member) [unit/N]; u is infinite where nothing is known.

    `taken_up` (cause, gauge, member) [unit/N] is what K takes up per standard uncertainty of each
    cause of the geometry, beside the independent `u`: no cause where pulls are made at one pose.
    """

    mean: Floats
    u: Floats
    taken_up: Floats

    @property
    def shape(self) -> tuple[int, int]:
        """Numbers of gauges and of members."""
        gauges, members = self.mean.shape
        return gauges, members

    @property
    def closed(self) -> bool:
        """True where every slope has a prior, so that K is known even without pulls."""
        return bool(np.all(np.isfinite(self.u)))

    def variance_at(self, gauge: int, load: Floats) -> float:
        """Variance [unit2] of the indication of a gauge under loads (member,) [N]."""
        by_cause = self.taken_up[:, gauge] @ load
        return float(np.sum((self.u[gauge] * load) ** 2) + np.sum(by_cause**2))


def bridge_prior(path: str, assembly: Assembly, pulls: list[Pull]) -> BridgePrior:
    """Prior of K from the bridges' slopes; the pulls decide a sign that nobody noted.

    Raises DataError: a gauge sits on a support that does not hold the upright directly, or does not
    answer to the pulls.
    Warns PriorWarning: neither the file nor the pulls show a sign: the prior is wide enough for
    both.
    """
    loads = np.concatenate([p.loads(p.wrench()) for p in pulls])
    seen = np.concatenate([p.indication for p in pulls])
    members = assembly.members
    mean = np.zeros((len(assembly.gauges), len(members)))
    u = np.full_like(mean, np.inf)
    for g, (gauge, on) in enumerate(zip(assembly.gauges, assembly.gauged, strict=True)):
        where = f"{path}, {assembly.title}, gauge {gauge.name}"
        if on not in members:
            raise _no_member(where, assembly, gauge)
        m = members.index(on)
        _require_answer(where, gauge, seen[:, g], loads[:, m])
        if np.isfinite(gauge.slope):
            sign = _sign(where, gauge, seen[:, g], loads * assembly.arms[m] / assembly.arms, m)
            mean[g, m] = sign * gauge.slope
            # Slopes to forces and to moments compare by the arm that turns one into the other.
            u[g] = GEOMETRY_CROSSTALK * gauge.slope * assembly.arms[m] / assembly.arms
            # Without a sign it may be anything between both: zero, and as wide as it is.
            u[g, m] = u_expected(gauge) if sign else gauge.slope
        elif len(members) > 6 * len(assembly.corners):
            # Loads that depend on each other: pulls alone cannot separate cross-talk from the own
            # slope, and a slope that nobody knows is taken from the sizes of both.
            rough = np.quantile(np.abs(seen[:, g]), HIGH) / np.quantile(np.abs(loads[:, m]), HIGH)
            u[g] = GEOMETRY_CROSSTALK * rough * assembly.arms[m] / assembly.arms
            u[g, m] = OPEN_SLOPE * rough
    return BridgePrior(mean, u, mean @ pulls[0].geometry.taken_up)


def _no_member(where: str, assembly: Assembly, gauge: Gauge) -> DataError:
    """Fault of a gauge whose load is no member, mostly as nobody stated how it is shared."""
    shared = assembly.mechanism.redundant
    missing = ", ".join(name for group in shared for name in group.unstated)
    if missing:
        return DataError(
            where=where,
            found=f"sits on '{gauge.on}', whose load is not known: "
            f"{'; '.join(group.reason for group in shared)}",
            needed=f"a compliance or rate of {missing}",
            do="State compliance_mm_per_kN of bushes and links, the rates of springs (dampers: 0) "
            "and bars; two bushes in one line are one pivot.",
        )
    return DataError(
        where=where,
        found=f"sits on '{gauge.on}'",
        needed=f"a member that holds the upright: {', '.join(assembly.members)}",
        do="Leave the gauge out of the vehicle file or put it on one of those.",
    )


def u_expected(gauge: Gauge) -> float:
    """Standard uncertainty of the slope that bridge and geometry let expect [unit/N]."""
    moment = gauge.measures in ("bending", "torsion")
    return float(
        np.hypot(gauge.u_slope, gauge.slope * (STATION_SLOPE if moment else GEOMETRY_SLOPE))
    )


def _require_answer(where: str, gauge: Gauge, seen: Floats, load: Floats) -> None:
    """A gauge that the pulls load must move; a single mistyped load decides nothing."""
    largest, pulled = (float(np.quantile(np.abs(x), HIGH)) for x in (seen, load))
    expected = gauge.slope * pulled
    if largest == 0.0 or (np.isfinite(expected) and largest < 0.05 * expected):
        raise DataError(
            where=where,
            found=f"not above {largest:.3g} {gauge.unit} in nearly all steps of the pulls, which "
            f"load {gauge.on} with up to {pulled:.0f} N",
            needed=f"about {expected:.3g} {gauge.unit}"
            if np.isfinite(expected)
            else "an indication that moves with the load",
            do="Look for a broken wire, an exchanged channel or a wrong unit; or take the gauge "
            "out of the vehicle file.",
        )


def _sign(where: str, gauge: Gauge, seen: Floats, loads: Floats, own: int) -> float:
    """Sign of the slope: from the pulls where they show it, else from the file, else 0."""
    slope, u = _rough_slope(gauge, seen, loads, own)
    shown = abs(slope) > SHOWN * u
    if not shown and gauge.sign:
        return float(gauge.sign)
    if not shown:
        warn(
            f"{where}: the vehicle file states no sign, and the pulls, which load {gauge.on} with "
            f"up to {np.quantile(np.abs(loads[:, own]), HIGH):.0f} N, do not show it (slope "
            f"{slope / gauge.slope:+.2f} +-{u / gauge.slope:.2f} times the bridge's). Either sign "
            "is possible, so intervals are wider. Push and pull the link by hand and state sign = "
            '"tension_positive" or "tension_negative", or add a pull that loads it more.',
            PriorWarning,
        )
        return 0.0
    sign = float(np.sign(slope))
    if gauge.sign and gauge.sign != sign:
        warn(
            f"{where}: the pulls say the sign is {'+' if sign > 0 else '-'}, the vehicle file says "
            f"{'+' if gauge.sign > 0 else '-'}; the pulls are taken. Wires exchanged?",
            DataWarning,
        )
    return sign


def _rough_slope(gauge: Gauge, seen: Floats, loads: Floats, own: int) -> tuple[float, float]:
    """The gauge's own slope and its standard uncertainty, from the pulls as written.

    Least squares with a loss that a mistyped load cannot pull far; slopes within the size of
    the bridge's, cross-talk within its prior, neither with a sign.
    """
    u = np.full(loads.shape[1], GEOMETRY_CROSSTALK)
    u[own] = 1.0
    scaled = loads * gauge.slope
    slopes = np.zeros(len(u))
    unit = READ * float(np.quantile(np.abs(seen), HIGH))
    for _ in range(2):  # the second time with the scatter that the first one left
        slopes = _least_soft(scaled / unit, seen / unit, u)
        left = scaled @ slopes - seen
        unit = max(unit, 1.4826 * float(np.median(np.abs(left))))
    covariance = np.linalg.inv(scaled.T @ scaled / unit**2 + np.diag(u**-2.0))
    return gauge.slope * float(slopes[own]), gauge.slope * float(np.sqrt(covariance[own, own]))


def _least_soft(design: Floats, seen: Floats, u: Floats) -> Floats:
    """Slopes (member,) that make the sum of sqrt(1 + residual^2) with priors `u` about 0 least.

    By least squares with weights that follow the residuals, from memory of the literature on
    robust regression.
    """
    weight = np.ones(len(seen))
    slopes = np.zeros(len(u))
    for _ in range(REWEIGHTED):
        weighted = design.T * weight
        slopes[:] = np.linalg.solve(weighted @ design + np.diag(u**-2.0), weighted @ seen)
        weight = 1 / np.sqrt(1 + (design @ slopes - seen) ** 2)
    return slopes
