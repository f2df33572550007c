"""Poses of every shipped mechanism against a general multibody engine.

Rigid bodies with the engine's own joints; springs are left out, bushes that give way have their
stated stiffness, each wheel centre is lifted by a constraint, and a static solve finds the rest.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from recon.mechanics.motion import Pose
from recon.mechanics.structure import Mechanism
from tests.shipped_mechanisms import NAMES, SHIPPED, random_poses

exudyn = pytest.importorskip("exudyn", reason="install the extra 'outside'")
items = pytest.importorskip("exudyn.itemInterface")
# Names of parameters that all versions since the lowest know.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")

Floats = NDArray[np.float64]
POSES = 20
SAME = 1e-9  # m; both sides are closed to 1e-12 m on arms of some 0.1 m
# Bushes share what binds by the ratio of their stiffness alone; forces of 1e-2 instead of 1e4
# let the engine's one tolerance serve gaps and forces.
FORCE = 1e-6
WEAK = 1e-10  # N/m and N m/rad on every body, so that idle turns have a place: moves 1e-11 m
STEPS = 4  # from design to the pose


class Model:
    """The engine's model of a mechanism, its wheels lifted and its rack shifted by a share."""

    def __init__(self, mechanism: Mechanism) -> None:
        self.m = mechanism
        self.container = exudyn.SystemContainer()
        self.system = self.container.AddSystem()
        self.ground = self.system.AddObject(items.ObjectGround())
        self.bodies = [self._body() for _ in mechanism.bodies]
        self.shifted: list[tuple[int, Floats, Floats]] = []  # ground markers that move
        for i, kind in enumerate(mechanism.kinds):
            if kind not in ("spring", "torsion"):
                getattr(self, f"_{kind}")(i)
        self.lifts = [self._lift(w.body, w.centre) for w in mechanism.wheels]
        self.system.Assemble()

    def _body(self) -> Any:
        node = self.system.AddNode(
            items.NodeRigidBodyEP(referenceCoordinates=[*self.m.reference, 1, 0, 0, 0])
        )
        body = self.system.AddObject(
            items.ObjectRigidBody(
                physicsMass=1.0, physicsInertia=[1.0, 1.0, 1.0, 0, 0, 0], nodeNumber=node
            )
        )
        here = self.system.AddMarker(items.MarkerBodyRigid(bodyNumber=body))
        there = self.system.AddMarker(
            items.MarkerBodyRigid(bodyNumber=self.ground, localPosition=list(self.m.reference))
        )
        self.system.AddObject(
            items.ObjectConnectorRigidBodySpringDamper(
                markerNumbers=[there, here], stiffness=WEAK * np.eye(6), damping=np.zeros((6, 6))
            )
        )
        return body

    def _marker(self, body: int, point: Floats, rack: bool = False) -> int:
        local = point if body < 0 else point - self.m.reference
        number = self.ground if body < 0 else self.bodies[body]
        marker = self.system.AddMarker(
            items.MarkerBodyRigid(bodyNumber=number, localPosition=list(local))
        )
        if rack:
            self.shifted.append((marker, local, np.array([0.0, 1.0, 0.0])))
        return int(marker)

    def _ends(self, i: int) -> list[int]:
        m = self.m
        return [
            self._marker(int(m.inner_body[i]), m.points[i, 1], bool(m.rack[i, 1])),
            self._marker(int(m.outer_body[i]), m.points[i, 0], bool(m.rack[i, 0])),
        ]

    def _stiffness(self, i: int) -> float:
        soft = np.nan_to_num(self.m.compliance[int(np.flatnonzero(self.m.owner == i)[0])])
        return float(FORCE / soft) if soft > 0 else 0.0

    def _link(self, i: int) -> None:
        length = float(np.linalg.norm(self.m.points[i, 0] - self.m.points[i, 1]))
        stiffness, ends = self._stiffness(i), self._ends(i)
        if stiffness:
            self.system.AddObject(
                items.ObjectConnectorSpringDamper(
                    markerNumbers=ends, referenceLength=length, stiffness=stiffness
                )
            )
        else:
            self.system.AddObject(
                items.ObjectConnectorDistance(markerNumbers=ends, distance=length)
            )

    def _ball(self, i: int) -> None:
        stiffness, ends = self._stiffness(i), self._ends(i)
        if stiffness:
            self.system.AddObject(
                items.ObjectConnectorCartesianSpringDamper(
                    markerNumbers=ends, stiffness=[stiffness] * 3
                )
            )
        else:
            self.system.AddObject(items.ObjectJointSpherical(markerNumbers=ends))

    def _about(self, i: int, held: list[int]) -> None:
        """A joint whose third axis is that of the support."""
        along = self.m.points[i, 2] - self.m.points[i, 1]
        along = along / np.linalg.norm(along)
        first = np.cross(along, [0.3, 0.5, 0.8])
        first = first / np.linalg.norm(first)
        frame = np.column_stack([first, np.cross(along, first), along])
        self.system.AddObject(
            items.ObjectJointGeneric(
                markerNumbers=self._ends(i),
                constrainedAxes=held,
                rotationMarker0=frame,
                rotationMarker1=frame,
            )
        )

    def _pivot(self, i: int) -> None:
        self._about(i, [1, 1, 1, 1, 1, 0])

    def _slider(self, i: int) -> None:
        self._about(i, [1, 1, 0, 1, 1, 0])

    def _lift(self, body: int, centre: Floats) -> tuple[int, Floats]:
        there, here = self._marker(-1, centre), self._marker(body, centre)
        self.system.AddObject(
            items.ObjectJointGeneric(
                markerNumbers=[there, here], constrainedAxes=[0, 0, 1, 0, 0, 0]
            )
        )
        return there, centre

    def places(self, travel: Floats, rack: float) -> Floats:
        """Places of all points on bodies at the pose, in steps from design."""
        settings = exudyn.SimulationSettings()
        settings.staticSolver.newton.relativeTolerance = 1e-12
        settings.staticSolver.newton.absoluteTolerance = 1e-12
        settings.staticSolver.newton.numericalDifferentiation.relativeEpsilon = 1e-7
        settings.staticSolver.verboseMode = 0
        settings.solutionSettings.writeSolutionToFile = False
        settings.displayComputationTime = False
        system = self.system
        for share in np.linspace(0, 1, STEPS + 1)[1:]:
            for (marker, centre), rise in zip(self.lifts, travel, strict=True):
                up = centre + np.array([0.0, 0.0, share * rise])
                system.SetMarkerParameter(marker, "localPosition", list(up))
            for marker, local, way in self.shifted:
                there = local + share * rack * way
                system.SetMarkerParameter(marker, "localPosition", list(there))
            system.SolveStatic(settings)
            state = system.systemData.GetSystemState()
            system.systemData.SetSystemState(state, exudyn.ConfigurationType.Initial)
        return np.array([self._place(body, p) for body, p in points_on_bodies(self.m)])

    def _place(self, body: int, point: Floats) -> Floats:
        position = exudyn.OutputVariableType.Position
        local = list(point - self.m.reference)
        return np.array(self.system.GetObjectOutputBody(self.bodies[body], position, local))


def points_on_bodies(m: Mechanism) -> list[tuple[int, Floats]]:
    """Wheel centres, and ends of supports on bodies that do not merely spin."""
    found = [(w.body, w.centre) for w in m.wheels]
    for slot, bodies in ((0, m.outer_body), (1, m.inner_body)):
        found += [(int(b), m.points[i, slot]) for i, b in enumerate(bodies) if b >= 0]
    return found


def our_places(at: Pose, k: int) -> Floats:
    ref = at.mechanism.reference
    return np.array(
        [
            at.rotation[k, b] @ (p - ref) + ref + at.shift[k, b]
            for b, p in points_on_bodies(at.mechanism)
        ]
    )


@pytest.mark.parametrize(("file", "corner"), SHIPPED, ids=NAMES)
@pytest.mark.source("P3: poses of every shipped mechanism")
def test_poses_of_every_mechanism(file: str, corner: str) -> None:
    at = random_poses(file, corner, POSES, seed=90)
    travel = at.hubs[..., 2] - [w.centre[2] for w in at.mechanism.wheels]
    for k in range(POSES):
        theirs = Model(at.mechanism).places(travel[k], float(at.rack[k]))
        assert_allclose(our_places(at, k), theirs, rtol=0, atol=SAME)
    # Twin: 1 mm of travel more is seen.
    more = Model(at.mechanism).places(travel[0] + 1e-3, float(at.rack[0]))
    assert np.max(np.abs(more - our_places(at, 0))) > 5e-4
