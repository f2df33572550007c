"""Loads of every shipped mechanism against a general structural engine, cuts included.

Bodies are stars of stiff members.  Where stiffness decides (bars, axles that bind) springs and
bushes have the stated rates, and what counts as rigid is made twice and four times as stiff to
extrapolate to rigid.  A body is cut by a short beam between two stars.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.mechanics.balance import balance
from recon.mechanics.motion import Pose
from recon.mechanics.statics import load_matrix, section_matrix
from recon.mechanics.structure import Section
from tests.shipped_mechanisms import NAMES, SHIPPED, random_poses

Pynite = pytest.importorskip("Pynite", reason="install the extra 'outside'")

Floats = NDArray[np.float64]
POSES = 8
SHARE = 1e-6  # of the largest load: rounding of the engine at a stiffness ratio of 1e5
E, G = 2e11, 8e10  # Pa
HALF_BEAM = 0.02  # m, on both sides of a cut
LEVER = 0.2  # m, length of the links that stand for joints
# Three directions across each other and along nothing else, so that no node of theirs falls on
# another member: the engine would join the two.
SKEW = np.linalg.qr(np.array([[3.0, 1.0, -2.0], [1.0, 4.0, 1.0], [2.0, -1.0, 5.0]]))[0]
NUDGE = 1e-9  # m; changes loads by 1e-8 of them
STIFF = 2.0  # what is rigid against steel; then two and four times as much
every = pytest.mark.parametrize(("file", "corner"), SHIPPED, ids=NAMES)


class Frame:
    """The engine's model of one pose; `scale` multiplies the stiffness of what is rigid."""

    def __init__(self, at: Pose, k: int, scale: float, cut: Section | None = None) -> None:
        self.m, self.at, self.k, self.cut = at.mechanism, at, k, cut
        self.model = Pynite.FEModel3D()
        self.model.add_material("rigid", scale * E, scale * G, 0.25, 0.0)
        self.model.add_material("stated", E, G, 0.25, 0.0)
        self.model.add_section("frame", 1e-2, 1e-4, 1e-4, 2e-4)
        self.model.add_section("link", 1e-3, 1e-6, 1e-6, 2e-6)
        self.names: dict[tuple, str] = {}
        self.roots: dict[tuple, str] = {}
        self.rng = np.random.default_rng(84)
        if cut is not None:
            self._cut_beam(cut)
        for w, wheel in enumerate(at.wheels):
            on = self.m.wheels[w]
            hub = self.node(on.body, on.centre)
            self.model.add_node(f"contact {w}", *wheel.contact[k])
            self.model.add_member(f"wheel {w}", hub, f"contact {w}", "rigid", "frame")
        for i, kind in enumerate(self.m.kinds):
            getattr(self, f"_{kind}")(i)
        for body, axis in (
            (turn.body, turn.axis) for turn in self.m.idle
        ):  # a torsion bar to the chassis that carries nothing
            i = int(np.flatnonzero((self.m.outer_body == body) | (self.m.inner_body == body))[0])
            point = self.m.points[i, 0]
            there = self.place(body, point) + 0.1 * at.rotation[k, body] @ axis
            self._twist(f"idle {body}", (body, point), (-1, there), 1e3)

    def place(self, body: int, point: Floats, rack: bool = False) -> Floats:
        """The point at the pose; a body's points as rigid, those of the chassis with the rack."""
        if body < 0:
            return point + np.array([0.0, self.at.rack[self.k] if rack else 0.0, 0.0])
        ref = self.m.reference
        return self.at.rotation[self.k, body] @ (point - ref) + ref + self.at.shift[self.k, body]

    def node(
        self, body: int, point: Floats, rack: bool = False, joint: Floats | None = None
    ) -> str:
        """Node at a design point; its body's star holds it, the chassis holds it all."""
        place = self.place(body, point, rack)
        beyond = self._beyond(body, point if joint is None else joint)
        key = (body, beyond, *np.round(place, 9))
        if key not in self.names:
            name = self.names[key] = f"n{len(self.names)}"
            # The engine joins members with nodes on them to 1e-12 m, as a spring around a strut.
            self.model.add_node(name, *(place + self.rng.uniform(-NUDGE, NUDGE, 3)))
            if body < 0:
                self.model.def_support(name, *[True] * 6)
                return name
            root = self.roots.setdefault((body, beyond), name)
            if root != name:
                self.model.add_member(f"star {name}", root, name, "rigid", "frame")
        return self.names[key]

    def _beyond(self, body: int, point: Floats) -> bool:
        cut = self.cut
        return bool(
            cut is not None and cut.body == body and np.dot(point - cut.station, cut.along) > 0
        )

    def _cut_beam(self, cut: Section) -> None:
        ends = [self.node(cut.body, cut.station + s * HALF_BEAM * cut.along) for s in (-1, 1)]
        self.model.add_member("cut", *ends, "rigid", "frame")

    def _two_force(self, i: int) -> None:
        o, n = self.m.outer_body[i], self.m.inner_body[i]
        ends = (
            self.node(o, self.m.points[i, 0], self.m.rack[i, 0]),
            self.node(n, self.m.points[i, 1], self.m.rack[i, 1]),
        )
        self._bar(self.m.supports[i], ends, float(self._compliance(i)))

    _link = _spring = _two_force

    def _compliance(self, i: int) -> float:
        return float(np.nan_to_num(self.m.compliance[int(np.flatnonzero(self.m.owner == i)[0])]))

    def _bar(self, name: str, ends: tuple[str, str], compliance: float) -> None:
        """Pinned at both ends; of the stated compliance [m/N], rigid where that is 0."""
        section, material = "link", "rigid"
        if compliance > 0:
            a, b = (self.model.nodes[e] for e in ends)
            length = np.linalg.norm([a.X - b.X, a.Y - b.Y, a.Z - b.Z])
            section, material = f"section {name}", "stated"
            self.model.add_section(section, length / (compliance * E), 1e-9, 1e-9, 2e-9)
        self.model.add_member(name, *ends, material, section)
        self.model.def_releases(name, Rxi=True, Ryi=True, Rzi=True, Ryj=True, Rzj=True)

    def _ways(self, i: int, point: int, ways: Floats, tag: str) -> None:
        """Hold a point of the outer body by links to the inner one in the given directions."""
        o, n = int(self.m.outer_body[i]), int(self.m.inner_body[i])
        design = self.m.points[i, point]
        outer = self.node(o, design)
        back = np.eye(3) if n < 0 else self.at.rotation[self.k, n].T
        here = self.place(o, design)
        ref = self.m.reference
        for j, way in enumerate(ways):
            there = here + LEVER * way
            # Design point of the inner body that stands there now.
            if n >= 0:
                there = back @ (there - ref - self.at.shift[self.k, n]) + ref
            self._bar(
                f"{self.m.supports[i]} {tag}{j}",
                (outer, self.node(n, there, joint=design)),
                self._compliance(i),
            )

    def _ball(self, i: int) -> None:
        self._ways(i, 0, SKEW.T, "")

    def _across(self, i: int) -> Floats:
        n = int(self.m.inner_body[i])
        along = self.m.points[i, 2] - self.m.points[i, 1]
        along = along / np.linalg.norm(along)
        along = along if n < 0 else self.at.rotation[self.k, n] @ along
        first = np.cross(along, [0.3, 0.5, 0.8])  # any directions across serve
        first = first / np.linalg.norm(first)
        return np.array([first, np.cross(along, first)])

    def _pivot(self, i: int) -> None:
        self._ways(i, 0, SKEW.T, "first ")
        self._ways(i, 2, self._across(i), "second ")

    def _slider(self, i: int) -> None:
        self._ways(i, 0, self._across(i), "near ")
        self._ways(i, 2, self._across(i), "far ")

    def _torsion(self, i: int) -> None:
        o, n = self.m.outer_body[i], self.m.inner_body[i]
        ends = (o, self.m.points[i, 0]), (n, self.m.points[i, 2])
        self._twist(self.m.supports[i], *ends, 1.0 / self._compliance(i))

    def _twist(self, name: str, a: tuple, b: tuple, rate: float) -> None:
        """A bar that carries a couple about its line only."""
        ends = self.node(*a), self.node(*b)
        first, second = (self.model.nodes[e] for e in ends)
        span = [first.X - second.X, first.Y - second.Y, first.Z - second.Z]
        section = f"section {name}"
        self.model.add_section(section, 1e-9, 1e-12, 1e-12, rate * np.linalg.norm(span) / G)
        self.model.add_member(name, *ends, "stated", section)
        self.model.def_releases(name, Dxi=True, Ryi=True, Rzi=True, Ryj=True, Rzj=True)

    def analyse(self, wrench: Floats) -> None:
        """Put (wheel, 6) on the contacts and solve."""
        for w, parts in enumerate(wrench.reshape(-1, 6)):
            for direction, value in zip(("FX", "FY", "FZ", "MX", "MY", "MZ"), parts, strict=True):
                self.model.add_node_load(f"contact {w}", direction, float(value))
        self.model.analyze_linear(check_stability=False)

    def tensions(self) -> Floats:
        """Loads of links, springs, balls and torsion, in the order of the package's rows."""
        out = []
        for i, kind in enumerate(self.m.kinds):
            name = self.m.supports[i]
            if kind in ("link", "spring"):
                out.append(-self.model.members[name].f()[0, 0])
            elif kind == "ball":
                along = [-self.model.members[f"{name} {j}"].f()[0, 0] for j in range(3)]
                out += list(SKEW @ along)
            elif kind == "torsion":
                # About the member's own line, from the outer to the second point.
                out.append(-self.model.members[name].f()[3, 0])
        return np.array(out)

    def section(self) -> tuple[Floats, Floats]:
        """Force and moment about the station that the outer star puts on the cut, vehicle axes."""
        member = self.model.members["cut"]
        axes, f = member.T()[:3, :3], member.f()[:, 0]
        force, moment = axes.T @ f[6:9], axes.T @ f[9:12]
        assert self.cut is not None
        along = self.at.rotation[self.k, self.cut.body] @ self.cut.along
        return force, moment + np.cross(HALF_BEAM * along, force)


def theirs(at: Pose, k: int, wrench: Floats, read: Callable, cut: Section | None = None) -> Any:
    """What `read` gives of the frame, where it matters extrapolated to rigid (Richardson)."""
    found: list[Floats] = []
    determinate = balance(at.mechanism, at).stress.shape[-1] == 0
    for scale in (STIFF,) if determinate else (STIFF, 2 * STIFF, 4 * STIFF):
        frame = Frame(at, k, scale, cut)
        frame.analyse(wrench)
        found.append(np.asarray(read(frame), dtype=float))
    if determinate:
        return found[0]
    return (8 * found[2] - 6 * found[1] + found[0]) / 3  # exact to the second order in 1 / scale


def about_hubs(at: Pose, wrench: Floats) -> Floats:
    """Wrenches at the contacts (pose, 6 * wheel) about the hubs."""
    out = wrench.copy()
    for w, wheel in enumerate(at.wheels):
        force = wrench[:, 6 * w : 6 * w + 3]
        out[:, 6 * w + 3 : 6 * w + 6] += np.cross(wheel.contact - wheel.hub, force)
    return out


def wrenches(at: Pose, seed: int) -> Floats:
    scale = np.tile([3e3, 3e3, 3e3, 200.0, 200.0, 200.0], len(at.wheels))  # N and N m
    return np.random.default_rng(seed).standard_normal((len(at.wheels[0].hub), len(scale))) * scale


def our_tensions(at: Pose, wrench: Floats) -> Floats:
    loads = np.einsum("nrw,nw->nr", load_matrix(at), about_hubs(at, wrench))
    kinds = np.array(at.mechanism.kinds)[at.mechanism.owner]
    return loads[:, np.isin(kinds, ["link", "spring", "ball", "torsion"])]


@every
@pytest.mark.source("P1: every shipped mechanism")
def test_loads_of_every_mechanism(file: str, corner: str) -> None:
    at = random_poses(file, corner, POSES, seed=80)
    wrench = wrenches(at, 81)
    ours = our_tensions(at, wrench)
    found = np.array([theirs(at, k, wrench[k], Frame.tensions) for k in range(POSES)])
    assert np.ptp(ours) > 5e3  # N: the loads are those of a car, not zeros that agree
    assert_allclose(ours, found, rtol=0, atol=SHARE * np.max(np.abs(found)))
    # Twin: a side force of the other sign is seen.
    other = wrench.copy()
    other[:, 1] *= -1
    assert np.max(np.abs(our_tensions(at, other) - found)) > 0.1 * np.max(np.abs(found))


@pytest.mark.parametrize(
    ("file", "corner"),
    [
        s
        for s in SHIPPED
        if s[0] not in ("club_racer", "solid_axle") and s != ("anti_roll_bar", "FL")
    ],
)
@pytest.mark.source("P1: internal loads at a cut")
def test_loads_at_every_cut(file: str, corner: str) -> None:
    at = random_poses(file, corner, 2, seed=82)
    wrench = wrenches(at, 83)
    ours = np.einsum("nsw,nw->ns", section_matrix(at), about_hubs(at, wrench))
    for s, section in enumerate(at.mechanism.sections):
        found = []
        for k in range(len(wrench)):
            force, moment = theirs(at, k, wrench[k], Frame.section, section)
            turn = at.rotation[k, section.body]
            along, across = turn @ section.along, turn @ section.across
            kinds = {
                "axial": force @ along,
                "shear": force @ across,
                "torsion": moment @ along,
                "bending": moment @ np.cross(across, along),
            }
            found.append(kinds[section.measures])
        peak = np.max(np.abs(ours)) if section.measures == "axial" else np.max(np.abs(ours[:, s]))
        assert_allclose(ours[:, s], found, rtol=0, atol=SHARE * peak)
        assert np.max(np.abs(ours[:, s])) > 1.0  # N or N m; something is carried there
