"""Slips of the pen in a single point: cm for mm, a digit lost or doubled, a sign turned.

A point is compared with the others on the same body, with the ends of other links on the chassis,
and with its mirror image on the other side of the car, of an axle among its other points.  It is
noted where it does not fit and a usual slip would make it fit.  All limits are common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from math import dist

from recon.base.errors import VehicleWarning, warn
from recon.car.linkage import linkage_of
from recon.car.source import Loc, Source
from recon.car.vehicle import CHASSIS, TWO_POINTS, Attachment, Axle, Corner, Support, Vec, Vehicle

WITHIN = (0.5, 2.0)  # of the smallest and the largest coordinate of the other points
FAR, HUGE = 0.3, 0.2  # a coordinate is that share of the smallest, or the largest that of it
LEAST = (0.5, 0.03, 0.03)  # m, smallest x, y, z of the others that say something about a sign
SPREAD = 0.1  # m, from the middle of a body on which points lie on both sides of x = 0
TOGETHER = 0.025  # m, within which two links have one outer joint
NARROW = 0.25  # share of its length that separates the inner ends of an arm of two links
APART = 0.04  # m, between a point and its mirror image: more may be a slip
FAR_APART = 0.1  # m; so much is no difference between two sides of one car
TEN, ALIKE = 0.01, 5e-4  # m: one digit of a coordinate in mm that is not its last; two that agree
CLOSER = 0.15  # share of that distance which is left once the slip is undone
TURNED, TENTH, TENFOLD = (
    "a turned sign",
    "a tenth (cm for mm, or a digit lost)",
    "ten times too much",
)
SLIPS = {TURNED: -1.0, TENTH: 10.0, TENFOLD: 0.1}
INWARD = ("spring", "torsion")  # kinds whose points lie anywhere between wheel and middle
FAR_AWAY = (1e3, 0.0, 0.0)  # m, the mirror image of a point that has none


@dataclass(frozen=True, slots=True)
class _Point:
    """A point of the file: the words and the key that name it, its body, and where it is [m].

    One that is `inward` may well lie near the middle of the car: no measure for others.
    """

    words: str
    loc: Loc
    on: str
    at: Vec
    inward: bool = False


def warn_of_slips(car: Vehicle, source: Source) -> None:
    """Note every point that looks like a slip of the pen.

    Warns VehicleWarning: a coordinate does not fit, and would with another sign or digit.
    """
    described = {
        n: c for n, c in car.corners.items() if ("corner", n, "mirror_of") not in source.lines
    }
    found = [
        *(odd for corner in described.values() for odd in _odd_of_corner(described, corner)),
        *(odd for axle in car.axles.values() for odd in _odd_of_axle(car, axle)),
    ]
    noted: dict[Loc, str] = {}
    for point, words in found:
        noted.setdefault(point.loc, f"{source.at(point.loc, point.words)}: {words}")
    for sentence in noted.values():
        warn(sentence, VehicleWarning)


def _points_of(corner: Corner) -> Iterator[_Point]:
    """The wheel centre and both ends of every support."""
    here, wheel = ("corner", corner.name), corner.wheel
    yield _Point(
        f"{corner.name}, wheel centre", (*here, "wheel", "centre_mm"), wheel.on, wheel.centre
    )
    yield from _ends_of(corner.supports, here)


def _ends_of(supports: Iterable[Support], of: Loc) -> Iterator[_Point]:
    """Both ends of every support of a corner or axle."""
    for number, support in enumerate(supports):
        ends: dict[str, Attachment] = {"outer": support.outer, "inner": support.inner}
        for end, attached in ends.items():
            loc, words = (*of, "support", number, end), f"{of[1]}, {support.name}, {end} point"
            yield _Point(words, loc, attached.on, attached.point, support.kind in INWARD)


def _points_of_axle(axle: Axle) -> Iterator[_Point]:
    """Ends of every support, and second points of axes, which lie on the inner body."""
    ends = list(_ends_of(axle.supports, ("axle", axle.name)))
    for support, outer, inner in zip(axle.supports, ends[::2], ends[1::2], strict=True):
        yield outer
        if inner.at != outer.at:  # the file states one point for both
            yield inner
        if support.kind in TWO_POINTS:
            words = f"{axle.name}, {support.name}, second point of the axis"
            loc = (*outer.loc[:-1], "axis_point_mm")
            yield _Point(words, loc, inner.on, support.axis_point, inward=True)


def _odd_of_corner(described: dict[str, Corner], corner: Corner) -> Iterator[tuple[_Point, str]]:
    images = _images(described, corner)
    yield from _odd(corner, images)
    yield from _unlike(corner, images)
    yield from _narrow(corner)


def _odd(corner: Corner, images: dict[str, Vec]) -> Iterator[tuple[_Point, str]]:
    """Points that do not fit beside the others; one that its mirror image confirms is right."""
    points = list(_points_of(corner))
    for point in points:
        found = _beside_others(point, points)
        if found and dist(images.get(_end_of(point), FAR_AWAY), point.at) > APART:
            yield point, found


def _odd_of_axle(car: Vehicle, axle: Axle) -> Iterator[tuple[_Point, str]]:
    """Points of an axle that do not fit on their bodies, or that a slip parts from their image."""
    own = list(_points_of_axle(axle))
    supports = linkage_of(car, axle.name).supports[: -len(axle.supports)]
    points = [*own, *_ends_of(supports, ("axle", axle.name))]
    odd = [(p, found) for p in own if (found := _beside_others(p, points))]
    yield from odd or _not_mirrored(own)


def _not_mirrored(points: list[_Point]) -> Iterator[tuple[_Point, str]]:
    """Two points without a mirror image in their axle, which would be images but for a slip."""
    images = [_mirrored(p.at) for p in points]
    lone = [p for p in points if min(dist(p.at, image) for image in images) > APART]
    for a, b in combinations(lone, 2):
        if slip := _between(a.at, _mirrored(b.at)):
            here, there = (_coordinates(at, range(3)) for at in (a.at, _mirrored(b.at)))
            yield a, f"{here}, but {there} mirrored from {_end_of(b)}. Is one of them {slip}?"


def _beside_others(point: _Point, points: list[_Point]) -> str:
    """A point that does not fit beside the others on its body, with the slip that explains it."""
    same = [p for p in points if p is not point and p.on == point.on]
    others = [p.at for p in same if not p.inward]
    if len(others) < 2:
        return ""
    odd = {axis: slip for axis in range(3) if (slip := _slip(point.at[axis], others, axis))}
    if not odd or (point.inward and len(odd) == 1 and TURNED not in odd.values()):
        return ""
    axis, slip = next(iter(odd.items()))
    low, high = sorted((min(p[axis] for p in others), max(p[axis] for p in others)), key=abs)
    return (
        f"{_coordinates(point.at, odd)}, where the other points on {point.on} have {'xyz'[axis]} = "
        f"{1e3 * low:.0f} to {1e3 * high:.0f} mm. Is it {slip}? "
        f"{_coordinates(_undone(point.at, odd), odd)} would fit."
    )


def _slip(value: float, others: list[Vec], axis: int) -> str:
    """The slip that explains a coordinate, '' for one that fits or that no slip explains."""
    sizes = sorted(abs(p[axis]) for p in others)
    size, least, most = abs(value), sizes[0], sizes[-1]
    sides = {p[axis] > 0 for p in others}
    if len(sides) == 1 and least >= LEAST[axis]:
        if (value > 0) not in sides:
            return TURNED if WITHIN[0] * least <= size <= WITHIN[1] * most else ""
        if size <= FAR * least and WITHIN[0] * least <= 10 * size <= WITHIN[1] * most:
            return TENTH
    beyond = size >= max(most, SPREAD) / HUGE and 0.1 * size <= WITHIN[1] * most
    return TENFOLD if beyond else ""


def _undone(at: Vec, odd: dict[int, str]) -> Vec:
    x, y, z = (SLIPS[odd[k]] * value if k in odd else value for k, value in enumerate(at))
    return x, y, z


def _coordinates(at: Vec, axes: Iterable[int]) -> str:
    return ", ".join(f"{'xyz'[k]} = {1e3 * at[k]:.4g} mm" for k in axes)


def _narrow(corner: Corner) -> Iterator[tuple[_Point, str]]:
    """Arms of two links whose inner ends meet because the x of one of them has a turned sign."""
    points = list(_points_of(corner))[1:]
    links = [pair for pair in zip(points[::2], points[1::2], strict=True) if not pair[0].inward]
    for (a_out, a), (b_out, b) in combinations(links, 2):
        shared = dist(a_out.at, b_out.at) < TOGETHER and a.on == b.on == CHASSIS
        length = min(dist(a_out.at, a.at), dist(b_out.at, b.at))
        apart = abs(a.at[0] + b.at[0])  # in x, with one sign turned
        if shared and dist(a.at, b.at) < NARROW * length < 0.5 * apart:
            x, other = 1e3 * a.at[0], 1e3 * b.at[0]
            words = f"x = {x:.4g} mm, beside {_end_of(b)} at x = {other:.4g} mm"
            yield a, f"{words}: an arm without a base. Is one of them {TURNED}?"


def _unlike(corner: Corner, images: dict[str, Vec]) -> Iterator[tuple[_Point, str]]:
    """Points of a left corner that differ from their mirror image, and should not."""
    every = (0, 1, 2)
    for point in _points_of(corner) if corner.left else ():
        image = images.get(_end_of(point), point.at)
        slip, apart = _between(point.at, image), dist(point.at, image)
        if slip or apart > FAR_APART or (apart > APART and _one_digit(point.at, image)):
            here, there = (_coordinates(at, every) for at in (point.at, image))
            why = f"Is one of them {slip}?" if slip else f"{1e3 * apart:.0f} mm apart: a digit?"
            yield point, f"{here}, but {there} mirrored from the right. {why}"


def _one_digit(at: Vec, mirror: Vec) -> bool:
    """Whether one coordinate alone differs, by a whole number of centimetres."""
    *alike, most = sorted(abs(a - b) for a, b in zip(at, mirror, strict=True))
    return max(alike) < ALIKE and abs(most - TEN * round(most / TEN)) < ALIKE


def _images(described: dict[str, Corner], corner: Corner) -> dict[str, Vec]:
    """Mirror images of the points on the other side, where that is described in its own words."""
    other = described.get(corner.name[0] + ("R" if corner.left else "L"))
    if other is None:
        return {}
    return {_end_of(p): _mirrored(p.at) for p in _points_of(other)}


def _mirrored(at: Vec) -> Vec:
    return at[0], -at[1], at[2]


def _end_of(point: _Point) -> str:
    """The words of a point without its corner."""
    return point.words.partition(", ")[2]


def _between(at: Vec, mirror: Vec) -> str:
    """The slip in one of two points that should be equal, '' where none explains them."""
    apart = dist(at, mirror)
    for slip in SLIPS if apart > APART else ():
        for axes in ((0,), (1,), (2,), (0, 1, 2)):
            odd = dict.fromkeys(axes, slip)
            left = min(dist(_undone(at, odd), mirror), dist(_undone(mirror, odd), at))
            if left < CLOSER * apart:
                return slip
    return ""
