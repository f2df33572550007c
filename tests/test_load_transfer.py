"""Load transfer: closed forms of textbooks, dampers, air, and what a drive does not allow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import recon.analysis.load_transfer as of_load_transfer
from recon.analysis.load_transfer import load_transfer
from recon.base.errors import DataError
from recon.base.status import BIT
from recon.evaluation.sections.find_sections import find_sections
from recon.evaluation.sections.stated_sections import GivenSection
from recon.reconstruction.result.signed_errors import signed_errors
from recon.report.answers.load_transfer import load_transfer_summary, plot_load_transfer
from tests.days import day
from tests.launch_days import launch_day
from tests.made_drives import MadeCar, MadeDrive
from tests.made_forces import RATE
from tests.pictures import panel_named, require_legible

G = 9.80665
SECONDS = 40.0
TIME = np.arange(int(SECONDS * RATE)) / RATE


def motion(seed: int, size: float, last: float = 2.5) -> np.ndarray:
    """Acceleration [m/s2] in steps of `last` s with slow changes between them."""
    steps = np.random.default_rng(seed).uniform(-size, size, int(SECONDS / last) + 2)
    values = np.repeat(steps, int(last * RATE))[: len(TIME)]
    kernel = np.hanning(int(0.6 * last * RATE) | 1)
    padded = np.pad(values, len(kernel) // 2, mode="edge")
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")


def driven(
    car: MadeCar,
    sideways: np.ndarray,
    along: np.ndarray,
    transfer: tuple[float, float],
    *,
    roll_rate: float = 0.0,
    downforce: float = 0.0,
    speed: np.ndarray | None = None,
    damping: float = 0.0,
) -> MadeDrive:
    """Forces of a car whose load transfer per m/s2 of each axle [kg] is stated.

    `downforce` [kg/m] acts at the middle of both axles; `damping` [N per m/s3] is what dampers
    add to the front axle while the lateral acceleration changes.
    """
    speed = np.full(len(TIME), 20.0) if speed is None else speed
    behind = car.base - car.ahead
    force = np.zeros((len(TIME), 4, 3))
    pitched = car.mass * car.height * along / (2 * car.base)
    change = np.gradient(sideways, 1 / RATE)
    for k in range(4):
        front, side = k < 2, -1.0 if k % 2 == 0 else 1.0
        static = car.mass * G * (behind if front else car.ahead) / (2 * car.base)
        rolled = transfer[0 if front else 1] * sideways + (damping * change if front else 0.0)
        force[:, k, 2] = static + side * rolled + (-pitched if front else pitched)
        force[:, k, 2] += 0.25 * downforce * speed**2
        share = (behind if front else car.ahead) / (2 * car.base)
        force[:, k, 1] = car.mass * sideways * share
        force[:, k, 0] = car.mass * along / 4
    roll = roll_rate * sideways
    specific = np.column_stack([along, sideways * np.cos(roll) + G * np.sin(roll),
                                G * np.cos(roll) - sideways * np.sin(roll)])  # fmt: skip
    channels = {"acceleration": specific, "roll": roll, "pitch": 0 * roll, "speed": speed}
    return MadeDrive(force, car=car, channels=channels)


def rigid(**options: float) -> MadeDrive:
    """A car of 1000 kg and 0.5 m on a track of 1.5 m: 3270 N at 1 g, 55 % of it in front."""
    total = 1000 * 0.5 / 1.5
    return driven(MadeCar(), motion(1, 8), motion(2, 6), (0.55 * total, 0.45 * total), **options)


def inside(answer: xr.Dataset, name: str, truth: float, **at: str) -> bool:
    lower, upper = (float(answer[f"{name}_{end}"].sel(at)) for end in ("lower", "upper"))
    return lower <= truth <= upper


@pytest.mark.source("F7: load transfer of a rigid car")
def test_a_rigid_car_moves_its_load_by_mass_height_and_track() -> None:
    answer = load_transfer(rigid().forces)
    transfer = answer["transfer_per_lateral_acceleration"]
    assert float(transfer.sum()) * G == pytest.approx(3270, rel=0.003)  # noise of means: 0.1 %
    assert float(answer["front_share"]) == pytest.approx(0.55, abs=0.002)
    assert inside(answer, "front_share", 0.55)
    assert inside(answer, "height", 0.5, direction="longitudinal")
    assert float(answer["height"].sel(direction="longitudinal")) == pytest.approx(0.5, rel=0.05)


@pytest.mark.source("F5: lateral load transfer with roll centres", "F6: closure of the whole car")
def test_transfer_is_given_in_the_middle_of_each_bin() -> None:
    """The car corners harder and harder, so that a bin holds more samples near its lower end."""
    sideways = 9.0 * (TIME / SECONDS) ** 3
    answer = load_transfer(driven(MadeCar(), sideways, motion(2, 6), (200.0, 150.0)).forces)
    stated = np.outer(answer["bin_acceleration"], [200.0, 150.0])
    assert answer["transfer"].to_numpy() == pytest.approx(stated, abs=2.0)


def test_two_axles_with_roll_centres() -> None:
    """Totals of 1919 and 1649 N at 0.6 g; their moment is that of all masses and of the lean."""
    front, rear, track, roll_rate = 1922.6, 1650.0, 1.46, 0.0194127  # unrounded
    sprung, mass = 1280.0, 1600.0
    height = (sprung * (0.07 + 0.46 * 0.25 + 0.365) + 140 * 0.28 + 180 * 0.30) / mass
    closed = mass * height * 0.6 * G + sprung * G * 0.365 * roll_rate * 0.6 * G
    assert (front + rear) * track == pytest.approx(closed, rel=2e-3)  # the split is rounded
    car = MadeCar(mass=mass, height=height, tracks=(track, track))
    per = 1 / (0.6 * G)
    sideways = motion(1, 6, last=8)  # the book's car is in a steady state
    made = driven(car, sideways, motion(2, 5), (front * per, rear * per), roll_rate=roll_rate)
    answer = load_transfer(made.forces)
    found = answer["transfer_per_lateral_acceleration"].to_numpy() * 0.6 * G
    assert found == pytest.approx([front, rear], rel=0.005)  # turning of the body is taken off
    assert float(answer["front_share"]) == pytest.approx(front / (front + rear), abs=0.002)
    assert inside(answer, "height", height, direction="lateral")
    # Whoever forgets that the weight moves with the lean finds a height beyond that interval.
    forgetful = (front + rear) * track / (mass * 0.6 * G)
    assert not inside(answer, "height", forgetful, direction="lateral")


@pytest.mark.source("F3: longitudinal load transfer of a braked car")
def test_a_braked_car_loads_its_front_axle() -> None:
    weight, base, height = 9500.0, 2.4, 0.35
    car = MadeCar(mass=weight / G, height=height, ahead=base * 3500 / 9500, base=base)
    made = driven(car, motion(1, 6), motion(2, 6.5), (100.0, 100.0))
    answer = load_transfer(made.forces)
    slope = answer["load_per_longitudinal_acceleration"].sel(corner=["FL", "FR"]).sum()
    axle = 6000 - 0.65 * G * float(slope)
    assert 0.65 * axle == pytest.approx(4485.3, rel=0.003)
    assert inside(answer, "height", height, direction="longitudinal")


def test_dampers_do_not_change_the_share() -> None:
    """A front axle whose dampers add 30 N per m/s3 in quick transitions."""
    quick = 8 * np.sin(2 * np.pi * 0.45 * TIME)
    plain = driven(MadeCar(), quick, motion(2, 6), (150.0, 150.0))
    damped = driven(MadeCar(), quick, motion(2, 6), (150.0, 150.0), damping=30.0)
    shares = [float(load_transfer(made.forces)["front_share"]) for made in (plain, damped)]
    assert shares == pytest.approx([0.5, 0.5], abs=0.002)
    # The same from loads at the largest transfer would be wrong.
    load = damped.force[..., 2]
    front, rear = (np.ptp(load[:, k + 1] - load[:, k]) for k in (0, 2))
    assert front / (front + rear) > 0.53


def test_downforce_is_found_where_speed_varies_and_only_there() -> None:
    speed = 25 + 12 * np.sin(2 * np.pi * TIME / 17)
    made = rigid(downforce=1.2, speed=speed)
    answer = load_transfer(made.forces)
    assert float(answer["downforce_area"]) == pytest.approx(1.2 / 0.6, rel=0.05)
    assert inside(answer, "downforce_area", 2.0)
    still = load_transfer(rigid(downforce=1.2).forces)
    assert np.isnan(still["downforce_area"])
    assert "downforce: speed hardly varies; log speed over slow" in still.attrs["not_given"]


def test_cross_weight_and_its_drift() -> None:
    made = rigid()
    late = (TIME / SECONDS - 0.5)[:, None]
    diagonal = np.array([1.0, -1.0, -1.0, 1.0])
    made.force[..., 2] += diagonal * (50.0 + 40.0 * late)
    answer = load_transfer(made.forces)
    weight = made.car.mass * G
    assert float(answer["cross_weight"]) == pytest.approx(0.5 + 100 / weight, abs=0.001)
    assert float(answer["cross_weight_drift"]) == pytest.approx(80 / weight, abs=0.001)


def test_a_gain_of_one_corner_is_in_the_interval() -> None:
    """One per cent of one corner's load: a quarter of that in the share, and so in its u."""
    plain = load_transfer(rigid().forces)
    made = rigid()
    sure = load_transfer(replace(made, gain=0.01).forces)
    made.force[:, 0, 2] *= 1.01
    off = load_transfer(made.forces)
    moved = float(off["front_share"] - plain["front_share"])
    assert moved == pytest.approx(0.01 * 0.5 * 0.55 * 0.45, rel=0.1)
    added = float(np.sqrt(sure["u_front_share"] ** 2 - plain["u_front_share"] ** 2))
    assert added == pytest.approx(moved, rel=0.15)


def test_lifted_wheels_do_not_enter() -> None:
    forces = rigid().forces
    every = int(load_transfer(forces)["samples"])
    forces["status"].values[1000:2000, 2] = BIT["bound_active"]  # 5 s of 40
    assert int(load_transfer(forces)["samples"]) == every - 50


def test_without_roll_the_heights_are_wider_and_the_reason_is_given() -> None:
    full = rigid()
    channels = {k: v for k, v in full.channels.items() if k not in ("roll", "pitch")}
    bare = load_transfer(replace(full, channels=channels).forces)
    known = load_transfer(full.forces)
    assert "roll and pitch are not logged" in bare.attrs["assumed"]
    assert float(bare["front_share"]) == pytest.approx(0.55, abs=0.002)
    for direction in ("lateral", "longitudinal"):
        wider, narrow = (float(a["u_height"].sel(direction=direction)) for a in (bare, known))
        assert wider > narrow


def test_a_vehicle_logger_that_starts_late_takes_only_its_own_part() -> None:
    """Beside the first sample of a channel its change is not known, either."""
    drive = rigid(roll_rate=0.003)
    for channel in drive.channels.values():
        channel[: int(0.94 * RATE)] = np.nan
    answer = load_transfer(drive.forces)
    assert int(answer["samples"]) < 10 * (SECONDS - 0.9)
    assert inside(answer, "front_share", 0.55)


def test_one_axle_has_its_slopes_and_no_share() -> None:
    made = rigid()
    front = replace(made, force=made.force[:, :2], corners=("FL", "FR"))
    answer = load_transfer(front.forces)
    transfer = answer["transfer_per_lateral_acceleration"].to_numpy()
    assert transfer[0] == pytest.approx(0.55 * 1000 * 0.5 / 1.5, rel=0.005)
    assert np.isnan(transfer[1])
    assert np.isnan(answer["front_share"])
    assert "only FL, FR gauged; gauge all four corners" in answer.attrs["not_given"]
    assert "nan" not in "\n".join(load_transfer_summary(answer)).lower()
    figure = plot_load_transfer(front.forces, answer)
    panel = panel_named(figure, "change of each tyre's load at 1 g")
    shown = [t.get_text().replace("±", "+-") for t in panel.texts]
    assert len(shown) == 2
    for corner, words in zip(("FL", "FR"), shown, strict=True):
        assert f"{corner} {words.replace('+- ', '+-')}" in load_transfer_summary(answer)[0]
    require_legible(figure)


def test_a_drive_straight_ahead_has_no_lateral_transfer() -> None:
    made = driven(MadeCar(), 0 * TIME, motion(2, 6), (150.0, 150.0))
    answer = load_transfer(made.forces)
    assert np.isnan(answer["front_share"])
    assert answer["transfer"].size
    assert answer["transfer"].isnull().all()  # not nought within nothing
    assert np.isnan(answer["height"].sel(direction="lateral"))
    assert "lateral acceleration varies by 0.0 m/s2" in answer.attrs["not_given"]
    assert inside(answer, "height", 0.5, direction="longitudinal")
    first, *rest = load_transfer_summary(answer)
    assert first.startswith("Load transfer, without corners; height of the centre of mass: from")
    assert not any("eight of the centre of mass: from" in line for line in rest)


def test_parts_given_by_hand_restrict_the_samples() -> None:
    forces = rigid().forces
    sections = find_sections(forces, [GivenSection("first half", "part", 0.0, 20.0)])
    half = load_transfer(forces, sections=sections)
    assert int(half["samples"]) == pytest.approx(int(load_transfer(forces)["samples"]) / 2, abs=2)


def test_too_little_is_refused() -> None:
    forces = rigid().forces
    forces["status"].values[400:] = BIT["bound_active"]  # 2 s are left
    with pytest.raises(DataError, match=r"made-up drive: 20 means of 0\.1 s in which all tyres"):
        load_transfer(forces)
    with pytest.raises(DataError, match="made-up drive: 30 samples at 200 Hz"):
        load_transfer(rigid().forces.isel(elapsed_time=slice(0, 30)))


def test_the_virtual_day_has_the_share_that_was_planted() -> None:
    """The virtual car splits its load transfer 52 to 48."""
    answer = load_transfer(day().forces)
    assert inside(answer, "front_share", 0.52)
    assert float(answer["front_share"]) == pytest.approx(0.52, abs=0.02)
    assert answer["u_front_share"] < 0.01


def test_the_words_begin_with_the_finding_and_the_picture_has_both_axles() -> None:
    forces = rigid().forces
    answer = load_transfer(forces)
    lines = load_transfer_summary(answer)
    assert lines[0].startswith("Load transfer: the front axle takes 55.")
    assert any("Height of the centre of mass: from cornering" in line for line in lines)
    assert len(lines) <= 9
    answer["cross_weight_drift"][...] = -4e-4
    assert "changed by +0.0 +-" in " ".join(load_transfer_summary(answer))  # nothing has no minus
    figure = plot_load_transfer(forces, answer)
    panel = figure.axes[0]
    heights = np.array([bar.get_height() for bar in panel.patches])
    assert heights == pytest.approx(answer["transfer"].to_numpy().T.ravel())


def test_gauges_that_drift_during_the_drive_are_in_the_uncertainty_of_downforce(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In a launch speed rises with time, as a zero does that moves."""
    forces = launch_day()[0]
    time = forces["elapsed_time"].to_numpy()
    late = (time - time.mean()) / np.ptp(time)
    plain = load_transfer(forces)
    moved = []
    for k in range(4):
        other = forces.copy(deep=True)
        for name in ("tyre_force_vehicle", "tyre_force_intermediate"):
            other[name].values[:, k, 2] += 100.0 * late
        found = load_transfer(other)["downforce_area"] - plain["downforce_area"]
        moved.append(float(found) / 100.0)
    errors = signed_errors(forces, np.arange(100, len(time) - 100, 50), "vehicle")[..., 2]
    zeros = [i for i, n in enumerate(forces["cause_name"].to_numpy()) if str(n).endswith(" zeros")]
    expected = np.linalg.norm(0.9 * errors[zeros].mean(axis=1) @ moved)
    monkeypatch.setattr(of_load_transfer, "DURING", {" zeros": 0.9})
    u = [float(load_transfer(forces)["u_downforce_area"])]
    monkeypatch.setattr(of_load_transfer, "DURING", {})
    u.append(float(load_transfer(forces)["u_downforce_area"]))
    assert np.sqrt(u[0] ** 2 - u[1] ** 2) == pytest.approx(expected, rel=0.1)
    assert float(plain["u_downforce_area"]) > 1.1 * u[1]


def test_tracks_by_tape_are_in_the_uncertainty_of_the_share(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A front track that is 4 mm too wide makes the share s too large by s (1 - s) 4 mm / track."""
    stated = load_transfer(day().forces)
    monkeypatch.setattr(of_load_transfer, "U_TRACK", 0.0)
    exact = load_transfer(day().forces)
    share, y = float(stated["front_share"]), day().forces["contact_point"].to_numpy()[:, 1]
    tracks = np.array([y[0] - y[1], y[2] - y[3]])
    by_tracks = share * (1 - share) * 0.004 * np.linalg.norm(1 / tracks)
    both = np.hypot(float(exact["u_front_share"]), by_tracks)
    assert float(stated["u_front_share"]) == pytest.approx(both, rel=1e-6)
    assert float(exact["front_share"]) == share
