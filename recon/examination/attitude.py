"""Roll and pitch against travels and accelerations.

Roll and pitch of the body are seen twice: by their own channels and by the travels of the wheels,
but for what the tyres give.  A turn leans the body outwards and braking lowers its nose, whatever
the springs are.  What a sound car may show is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from recon.base.arrays import Floats
from recon.base.quantities import CORNERS
from recon.examination.comparison import Comparison
from recon.examination.motion import Motion

TYRE_RATE = 200e3  # N/m
# Of what the body leans on its tyres: by its acceleration, by its roll on springs soft or stiff.
U_TYRES, U_TYRES_SHARE = 0.5, 1.0
ATTITUDE_ZERO = 0.012  # rad: zero of the sensor, design height, crossfall of the road
UNEVEN, UNEVEN_TIED = 0.008, 0.02  # rad: the road under the wheels, and under a tied axle
ROLL_PER_FORCE, U_ROLL_PER_FORCE = 0.004, 0.0018  # rad per m/s2
PITCH_PER_FORCE, U_PITCH_PER_FORCE = 0.002, 0.0012  # rad per m/s2
SOFT = 0.25  # of the angle: soft cars roll and pitch more than twice as much


def attitude_agrees(motion: Motion) -> Iterator[Comparison]:
    """Every comparison of roll, pitch and travels that the log allows."""
    yield from _lean(motion)
    yield from _dive(motion)
    yield from _felt(motion)


def _angle(
    motion: Motion,
    name: str,
    channels: tuple[str, ...],
    seen: Floats,
    expected: Floats,
    effects: list[Floats],
    spread: Floats | float = UNEVEN,
    shares: Mapping[str, Floats] | None = None,
) -> Comparison:
    """A comparison of two angles (n,) [rad], with what their zeros may be off."""
    return Comparison(
        name=name,
        place="car",
        corners=motion.view.corners,
        unit="rad",
        seen=seen,
        expected=expected,
        spread=spread,
        effects=[*effects, ATTITUDE_ZERO * np.ones(motion.count)],
        channels=channels,
        shares=shares or {},
    )


def _lean(motion: Motion) -> Iterator[Comparison]:
    """Roll against the travels of each axle, and the travels of the axles against each other."""
    car, roll = motion.view.prepared.car, motion.channel("roll")
    leans = []
    for axle, names in (("front", CORNERS[:2]), ("rear", CORNERS[2:])):
        if not set(names) <= set(car.corners):
            continue
        left, right = (motion.channel("travel", c) for c in names)
        track = car.corners[names[0]].wheel.centre[1] - car.corners[names[1]].wheel.centre[1]
        leans.append((right - left) / track)
        rate = 0.5 * car.mass * car.centre_of_mass[2] / (TYRE_RATE * track**2 / 2)
        felt = rate * motion.body[1]
        # Where nothing shows the acceleration, tyres have their usual share of the roll.
        on_tyres = np.where(np.isfinite(felt), felt, roll * rate / (rate + ROLL_PER_FORCE))
        u_tyres = np.where(np.isfinite(felt), U_TYRES, U_TYRES_SHARE) * on_tyres
        yield _angle(
            motion,
            f"roll against the travels of the {axle} wheels",
            ("roll", *(f"travel_{c}" for c in names)),
            leans[-1],
            roll - on_tyres,
            [u_tyres, 0.1 * roll],
            UNEVEN_TIED if car.corners[names[0]].axle else UNEVEN,
            {
                "roll": -roll,
                "travel": leans[-1],
                f"travel_{names[0]}": -left / track,
                f"travel_{names[1]}": right / track,
            },
        )
    if len(leans) == 2:
        yield _angle(
            motion,
            "lean of the front wheels against that of the rear wheels",
            tuple(f"travel_{c}" for c in CORNERS),
            leans[0],
            leans[1],
            [0.15 * leans[1]],
            UNEVEN_TIED if car.axles else UNEVEN,
        )


def _dive(motion: Motion) -> Iterator[Comparison]:
    """Pitch against the travels of front and rear wheels."""
    stance = motion.stance
    if stance is None:
        return
    pitch, ahead = motion.channel("pitch"), np.nan_to_num(motion.body[0])
    t = np.array([motion.channel("travel", c) for c in CORNERS])
    each = np.array([0.5, 0.5, -0.5, -0.5])[:, None] * t / stance.base
    yield _angle(
        motion,
        "pitch against the travels of front and rear wheels",
        ("pitch", *(f"travel_{c}" for c in CORNERS)),
        each.sum(axis=0),
        pitch,
        [0.1 * pitch, PITCH_PER_FORCE / 8 * ahead],
        shares={"pitch": -pitch, "travel": each.sum(axis=0)}
        | {f"travel_{c}": own for c, own in zip(CORNERS, each, strict=True)},
    )


def _felt(motion: Motion) -> Iterator[Comparison]:
    """Roll and pitch against the acceleration along the axes of the body.

    It is not turned level: a wrong sign of roll would hide in its own correction.
    """
    felt = motion.view.channel("acceleration")
    if felt is None:
        return
    (ahead, aside), jerk = felt[:, :2].T, np.abs(motion.jerk)
    yield _angle(
        motion,
        "roll against sideways acceleration",
        ("roll", "acceleration_y"),
        motion.channel("roll"),
        ROLL_PER_FORCE * aside,
        [U_ROLL_PER_FORCE * aside, SOFT * motion.channel("roll")],
        np.hypot(UNEVEN, 0.05 * ROLL_PER_FORCE * jerk[1]),
        {"roll": motion.channel("roll"), "acceleration_y": -ROLL_PER_FORCE * aside},
    )
    yield _angle(
        motion,
        "pitch against acceleration ahead",
        ("pitch", "acceleration_x"),
        motion.channel("pitch"),
        -PITCH_PER_FORCE * ahead,
        [U_PITCH_PER_FORCE * ahead, SOFT * motion.channel("pitch")],
        np.hypot(UNEVEN, 0.2 * PITCH_PER_FORCE * jerk[0]),
        {"pitch": motion.channel("pitch"), "acceleration_x": PITCH_PER_FORCE * ahead},
    )
