"""Link loads against equilibrium and a virtual car, what they are compared with, and refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.analysis.link_loads import NO_CLEARANCE, link_loads
from recon.base.errors import DataError
from recon.base.quantities import COVERAGE_FACTOR
from recon.base.status import BIT
from recon.car.bridges import Tube
from recon.car.vehicle import Vehicle
from recon.conditioning.filters import low_pass
from recon.evaluation.links.load_errors import ForceErrors, link_errors
from recon.evaluation.links.loads_per_force import Inputs, LinkMap
from recon.evaluation.sections.find_sections import find_sections
from recon.mechanics.assembly import assembly_of
from recon.mechanics.motion import pose
from recon.mechanics.moved_points import moved_points
from recon.planning.unknowns import reference_of
from recon.records.sheets import GivenSection
from recon.report.answers.link_loads import link_loads_summary, plot_link_loads
from tests.days import club_car, day
from tests.shipped_mechanisms import shipped
from tests.suspension_days import axle_day, unit_day

RATE_OF_DAY = 200.0
STILL = (0.0, 0.0, 9.80665)


def inputs(n: int, seed: int = 0, mode: int = 0) -> Inputs:
    """Forces of a hard drive at all travels and racks of one front corner."""
    rng = np.random.default_rng(seed)
    return Inputs(
        force=rng.normal(0, 2000, (1, 4, n)) * np.array([1, 1, 1, 0.1])[:, None],
        hub=rng.normal(0, 10, (1, 3, n)),
        travel=rng.uniform(-0.06, 0.06, (1, n)),
        rack=rng.uniform(-0.04, 0.04, n),
        mode=np.full((1, n), mode),
    )


def at_design(force: np.ndarray, torque: float, mode: int) -> Inputs:
    return Inputs(
        force=np.append(force, torque)[None, :, None],
        hub=np.array(STILL)[None, :, None],
        travel=np.zeros((1, 1)),
        rack=np.zeros(1),
        mode=np.full((1, 1), mode),
    )


def upright_balance(
    name: str, force: np.ndarray, torque: float, mode: int, loads_of: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Force and moment about the wheel centre that are left on the upright, from its points alone.

    The moment about the spin axis that a rolling hub does not pass is taken out.  The loads are
    those of the mode `loads_of`, where it is another one.
    """
    car = club_car()
    corner = car.corners[name]
    link_map = LinkMap.of(car, assembly_of(car, name))
    given = at_design(force, torque, mode if loads_of is None else loads_of)
    loads = link_map.loads(given)[:, 0]
    centre = np.array(corner.wheel.centre)
    left, moment = np.zeros(3), np.zeros(3)
    for support, load in zip(link_map.supports, loads, strict=True):
        outer, inner = np.array(support.outer.point), np.array(support.inner.point)
        pull = load * (inner - outer) / np.linalg.norm(inner - outer)
        left += pull
        moment += np.cross(outer - centre, pull)
    left += force - corner.unsprung_mass * np.array(STILL)
    side = 1.0 if name.endswith("L") else -1.0
    camber, toe = corner.wheel.camber, corner.wheel.toe_in
    # Negative camber has the top inwards and so the outer end up; toe-in has the front inwards.
    spin = np.array([np.sin(toe) * side, np.cos(toe) * np.cos(camber), -side * np.sin(camber)])
    spin /= np.linalg.norm(spin)
    down = spin * spin[2] - np.array([0, 0, 1.0])
    contact = centre + corner.wheel.loaded_radius * down / np.linalg.norm(down)
    road = np.cross(contact - centre, force)
    tyre, load = car.tyre, reference_of(car, corner).vertical
    road += [tyre.shift_per_force * load * force[1], 0.0, -tyre.trail * force[1]]
    if mode != 2:
        road -= spin * (spin @ road)
    road += spin * torque
    return left, moment + road


@pytest.mark.parametrize(("mode", "torque"), [(0, 3.0), (1, 400.0), (2, 0.0)])
@pytest.mark.parametrize("name", ["FL", "FR", "RR"])
def test_links_and_road_hold_the_upright(name: str, mode: int, torque: float) -> None:
    """Newton's laws on the upright, from the points of the vehicle file and no other code."""
    force = np.array([-900.0, 1500.0, 2600.0])
    left, moment = upright_balance(name, force, torque, mode)
    np.testing.assert_allclose(left, 0.0, atol=1.0)  # N; the table is good to 0.02 % of 5 kN
    np.testing.assert_allclose(moment, 0.0, atol=0.3)  # N m, 1 N on a third of a metre
    # Twin: a hub that passes the road's moment, or does not, makes a difference that shows.
    _, other = upright_balance(name, force, torque, 0 if mode == 2 else 2, loads_of=mode)
    assert np.abs(other).max() > 100.0


def test_the_table_agrees_with_exact_poses() -> None:
    link_map = LinkMap.of(club_car(), assembly_of(club_car(), "FL"))
    for mode in (0, 2):
        given = inputs(400, mode=mode)
        exact = exact_loads(link_map, given)
        off = np.abs(link_map.loads(given) - exact).max()
        assert off < 2e-3 * np.abs(exact).max()  # the farthest corner of travel and rack
    assert np.abs(link_map.applied(link_map.tables(2), 2, given) - exact).max() > 10 * off  # twin


def exact_loads(link_map: LinkMap, given: Inputs) -> np.ndarray:
    """Loads (link, sample) [N] by posing the mechanism at every sample."""
    posed = pose(link_map.assembly.mechanism, given.travel.T, given.rack)
    unknown, hub = link_map.direct(posed, given.mode)
    x = np.zeros((6, given.force.shape[-1]))
    x[[0, 1, 2, 4]] = given.force[0]
    return np.einsum("slk,ks->ls", unknown, x) + np.einsum("slk,ks->ls", hub, given.hub[0])


def test_true_loads_of_a_virtual_day_lie_within_the_intervals() -> None:
    """Hardpoints, bridges, zeros, tyre and friction of this car are drawn; the truth is its own."""
    answer = link_loads(day().forces, vehicle=day().car)
    true, names = [], []
    load = day().truth["link_load"]
    for corner in load["corner"].to_numpy():
        for link in load["link"].to_numpy():
            values = load.sel(corner=corner, link=link).to_numpy()
            if np.isfinite(values).all() and f"{corner} {link}" in answer["link"]:
                names.append(f"{corner} {link}")
                true.append(low_pass(values[:, None], 25.0, RATE_OF_DAY)[:, 0])
    assert len(names) == 24
    found = answer.sel(link=names)
    ends = np.stack([np.max(true, axis=1), np.min(true, axis=1)], axis=1)
    over_u = (found["peak_load"].to_numpy() - ends) / found["u_peak_load"].to_numpy()
    inside = np.abs(over_u) <= COVERAGE_FACTOR
    assert inside.mean() >= 0.9
    # One car is one draw of some thirty points and priors: 1/sqrt(60) = 13 %, and three of that.
    assert 0.5 < np.sqrt(np.mean(over_u**2)) < 1.4
    # Twin: a tenth more load than there is lies outside.
    wrong = (1.1 * found["peak_load"].to_numpy() - ends) / found["u_peak_load"].to_numpy()
    assert np.sqrt(np.mean(wrong**2)) > 1.4


@pytest.mark.slow(6)
def test_true_loads_of_a_tied_axle_lie_within_the_intervals() -> None:
    """A bar ties the front axle: links of both wheels and the bar's own are one answer."""
    front = unit_day("anti_roll_bar", "FL", 0)
    answer = link_loads(front.forces, vehicle=front.described)
    alike = front.forces["hub_moment_correlation"].to_numpy()
    assert (alike[:, 0] == alike[:, 1]).all()
    assert (np.abs(alike).max() > 0, np.abs(alike).max() <= 1) == (True, True)
    assert {"FL tie_rod", "FR tie_rod", "front drop_link_left"} <= set(answer["link"].to_numpy())
    peaks, u = answer["peak_load"].to_numpy(), answer["u_peak_load"].to_numpy()
    assert np.isfinite(peaks).all()
    assert (np.abs(peaks) > u / 10).all()
    left, right = (answer["peak_load"].sel(link=f"front drop_link_{s}") for s in ("left", "right"))
    # The bar pushes on one side as much as it pulls on the other, arms being alike.
    both = (left.sel(direction="tension") + right.sel(direction="compression")).item()
    assert abs(both) < 0.1 * abs(left.sel(direction="tension").item())


def test_a_corner_without_links_is_refused() -> None:
    rear = axle_day("strut")
    with pytest.raises(DataError, match=r"no link in rear; need links, or springs with a gauge"):
        link_loads(rear.forces, vehicle=rear.described)


def test_moments_known_in_sum_alone_leave_loads_of_the_axle_known() -> None:
    """Brakes of a beam axle: links bear both together, so errors against each other cancel."""
    car = shipped("solid_axle")
    link_map = LinkMap.of(car, assembly_of(car, "rear"))
    still = Inputs(
        force=np.zeros((2, 4, 1)),
        hub=np.zeros((2, 3, 1)),
        travel=np.zeros((2, 1)),
        rack=np.zeros(1),
        mode=np.ones((2, 1), dtype=np.int64),
    )

    def u_of_links(alike: float) -> np.ndarray:
        errors = ForceErrors(
            effect=np.zeros((len(names), 1, 2, 3)),
            beyond=np.zeros((1, 2, 3)),
            hub_moment=np.full((9, 2), 300.0),
            alike=np.full((9, 2), alike),
            names=np.array(names),
            corners=["RL", "RR"],
            where="an axle",
        )
        nothing = np.zeros((len(link_map.rows), 0))
        rows = link_errors(link_map, still, errors, car.tyre, nothing)[len(names) :]
        return np.sqrt(np.sum(rows**2, axis=0))[0]

    names = ["rear hardpoints"] * (len(moved_points(link_map.assembly)[1]) - 1)
    for wheel in ("RL", "RR"):
        names += [f"{wheel} {axis} moment" for axis in ("aligning", "overturning")] * 2
    for alike, right in ((-1.0, -300.0), (1.0, 300.0)):
        moments = np.zeros((2, 4, 1))
        moments[:, 3, 0] = 300.0, right
        change = link_map.loads(replace(still, force=moments)) - link_map.loads(still)
        np.testing.assert_allclose(u_of_links(alike), np.abs(change[:, 0]), atol=0.5)  # N, single
    both = np.hypot(u_of_links(1.0), u_of_links(-1.0))
    np.testing.assert_allclose(u_of_links(0.0), both / np.sqrt(2), rtol=1e-9)
    assert u_of_links(-1.0).max() < 0.2 * u_of_links(0.0).max()


def test_a_wheel_that_locks_at_one_sample_makes_no_peak() -> None:
    """The caliper's moment before is the road's own afterwards: the same force, the same loads."""
    forces = day().forces.copy(deep=True)
    half = forces.sizes["elapsed_time"] // 2
    for name in ("tyre_force_vehicle", "hub_moment", "hub_acceleration", "travel", "rack"):
        forces[name].values[:] = 0.0
    force = np.array([-2500.0, 0.0, 3000.0])
    forces["tyre_force_vehicle"].values[:] = force
    forces["hub_mode"].values[:half], forces["hub_mode"].values[half:] = 1, 2
    car = day().car
    for k, name in enumerate(forces["corner"].to_numpy()):
        link_map = LinkMap.of(car, assembly_of(car, str(name)))
        free, with_1, held = (
            link_map.loads(at_design(force, torque, mode))
            for torque, mode in ((0.0, 1), (1.0, 1), (0.0, 2))
        )
        per_moment, wanted = (with_1 - free)[:, 0], (held - free)[:, 0]
        forces["hub_moment"].values[:half, k] = wanted @ per_moment / (per_moment @ per_moment)
    assert (np.abs(forces["hub_moment"].values[0]) > 500.0).all()
    peaks = link_loads(forces, vehicle=car)["peak_load"]
    tension, compression = (peaks.sel(direction=way) for way in ("tension", "compression"))
    np.testing.assert_allclose(tension, compression, atol=20.0)  # N, of 2 kN


def test_all_links_stand_at_the_same_instant() -> None:
    answer = link_loads(day().forces, vehicle=day().car)
    links = list(answer["link"].to_numpy())
    for case, words in enumerate(answer["case_of"].to_numpy()):
        for word in str(words).split(", "):
            name, _, direction = word.rpartition(" ")
            at = {
                "link": links.index(name),
                "direction": ["tension", "compression"].index(direction),
            }
            assert answer["peak_load"][at] == answer["case_load"][case, at["link"]]
            u = float(answer["u_case_load"][case, at["link"]])
            assert float(answer["u_peak_load"][at]) == pytest.approx(u, rel=1e-12)  # order of sums
            assert answer["peak_time"][at] == answer["case_time"][case]
    # At one instant the other links have less than their own peaks.
    assert (
        np.abs(answer["case_load"]).max("case") == np.abs(answer["peak_load"]).max("direction")
    ).all()


def test_a_part_given_by_hand_restricts_the_samples() -> None:
    forces = day().forces
    part = GivenSection("part", "part", 2.0, 3.0)
    answer = link_loads(forces, vehicle=day().car, sections=find_sections(forces, [part]))
    assert ((answer["peak_time"] >= 2.0) & (answer["peak_time"] <= 3.0)).all()
    whole = link_loads(forces, vehicle=day().car)
    assert (answer["samples_used"] < whole["samples_used"]).all()


def with_strength(**sizes: float) -> Vehicle:
    """The car of the day whose left tie rod has a tube with a yield strength of 460 MPa."""
    tube = Tube(0.0159, 0.00005, 0.0009, 0.00005, 205e9, 5e9, 0.29, 0.01)
    car = day().car
    corner = car.corners["FL"]
    supports = tuple(
        replace(s, tube=tube, **({"yield_strength": 460e6, "limit": np.nan} | sizes))
        if s.name == "tie_rod"
        else s
        for s in corner.supports
    )
    return replace(car, corners=car.corners | {"FL": replace(corner, supports=supports)})


def test_a_peak_is_compared_with_the_lowest_limit() -> None:
    answer = link_loads(day().forces, vehicle=with_strength())
    rod = answer.sel(link="FL tie_rod")
    tension, compression = (rod.sel(direction=way) for way in ("tension", "compression"))
    assert tension["limit_kind"] == "yield of the tube"
    assert str(compression["limit_kind"].item()).startswith("column of the tube by ")
    assert tension["limit"] == pytest.approx(460e6 * np.pi / 4 * (0.0159**2 - 0.0141**2), rel=1e-9)
    assert compression["limit"] < tension["limit"]
    for way, sign in ((tension, 1.0), (compression, -1.0)):
        assert way["utilisation"] == pytest.approx(float(sign * way["peak_load"] / way["limit"]))
        relative = np.hypot(way["u_peak_load"] / way["peak_load"], way["u_limit"] / way["limit"])
        assert way["u_utilisation"] == pytest.approx(float(relative * way["utilisation"]), rel=1e-6)
    assert rod["yield_load"] == tension["limit"]
    assert rod["column_load"] == compression["limit"]
    assert answer["column_load"].sel(link="FR tie_rod").isnull()
    stated = link_loads(day().forces, vehicle=with_strength(limit=1500.0)).sel(link="FL tie_rod")
    assert set(stated["limit_kind"].to_numpy()) == {"limit_N of the file"}
    assert (stated["limit"] == 1500.0).all()


def test_every_line_says_that_it_is_no_clearance() -> None:
    answer = link_loads(day().forces, vehicle=with_strength())
    lines = link_loads_summary(answer)
    assert len(lines) <= 9
    assert all(NO_CLEARANCE in line for line in lines)
    assert NO_CLEARANCE in answer.attrs["caution"]
    figure = plot_link_loads(day().forces, answer)
    assert any(NO_CLEARANCE in text.get_text() for text in figure.texts)
    assert "state tube_outside_diameter_mm" in "\n".join(lines)


def test_a_limit_beyond_the_axis_is_named_at_its_edge() -> None:
    """A link with the largest load may have its limit far outside."""
    answer = link_loads(day().forces, vehicle=day().car)
    panel = plot_link_loads(day().forces, answer).axes[0]
    rows = [name.partition(" ")[2] for name in answer["link"].to_numpy() if name[:2] == "FL"]
    arm = float(rows.index("lower_front"))
    limit = float(answer["limit"].sel(link="FL lower_front")[0]) / 1e3
    low, high = panel.get_xlim()
    assert -limit < low < high < limit
    found = [text for text in panel.texts if text.xy[1] == arm]
    words = {text.get_text(): text.xy[0] for text in found}
    assert set(words) == {f"{limit:.0f} \u2192", f"\u2190 {limit:.0f}"}
    assert all(low < place < high for place in words.values())


def test_what_is_not_known_is_said() -> None:
    forces = day().forces.copy(deep=True)
    forces["tyre_force_vehicle"].values[:, 1, 0] = np.nan
    forces["tyre_force"].values[:, 1, 0] = np.nan
    answer = link_loads(forces, vehicle=day().car)
    assert answer["peak_load"].sel(link="FR tie_rod").isnull().all()
    assert answer["peak_load"].sel(link="FL tie_rod").notnull().all()
    assert "load of FR upper_front" in answer.attrs["not_given"]
    text = "\n".join(link_loads_summary(answer))
    assert "FR: loads not known" in text
    assert "nan" not in text
    forces["tyre_force_vehicle"].values[:] = np.nan
    with pytest.raises(DataError, match=r"Tyre forces of .*: no corner with three known forces"):
        link_loads(forces, vehicle=day().car)


def test_samples_beyond_the_stated_poses_are_listed() -> None:
    forces = day().forces.copy(deep=True)
    some = slice(None, forces.sizes["elapsed_time"] // 4)
    forces["status"].values[some, 1] |= BIT["beyond_pose"]
    forces["tyre_force_vehicle"].values[some, 1] = np.nan
    answer = link_loads(forces, vehicle=day().car)
    assert "loads of FR at 25 % of the samples, with travel or" in answer.attrs["not_given"]
    assert "loads of FL" not in answer.attrs["not_given"]
    used = dict(zip(answer["corner"].to_numpy(), answer["samples_used"].to_numpy(), strict=True))
    assert used["FR"] == pytest.approx(0.75 * used["FL"], rel=0.01)


def test_a_moment_that_nobody_knows_is_named_and_makes_no_largest_load() -> None:
    forces = day().forces
    assert (forces["hub_moment_correlation"] == 0).all()  # no axle ties these wheels
    unknown = forces.assign(u_hub_moment=forces["u_hub_moment"].copy())
    unknown["u_hub_moment"].values[:, 1] = 2000.0  # N m
    answer = link_loads(unknown, vehicle=day().car)
    assert answer.attrs["widest"].startswith("widest interval: FR ")
    assert "from moment that the hub passes: bearing drag, or an unknown" in answer.attrs["widest"]
    far = answer["peak_load_upper"].sel(direction="tension")
    assert str(far["link"].to_numpy()[np.argmax(far.to_numpy())]).startswith("FR ")
    assert not link_loads_summary(answer)[0].startswith("Link loads: largest FR ")


def test_another_car_and_impossible_bandwidths_are_refused() -> None:
    forces, car = day().forces, day().car
    with pytest.raises(
        DataError, match=r"no vehicle file; need the vehicle file of 'Invented club"
    ):
        link_loads(forces)
    other = replace(car, name="Another car")
    with pytest.raises(DataError, match=r"of 'Invented club racer' with .* of 'Another car'"):
        link_loads(forces, vehicle=other)
    for wrong in (0.0, np.nan, -3.0):
        with pytest.raises(DataError, match=rf"bandwidth = {wrong:g} Hz asked for"):
            link_loads(forces, vehicle=car, bandwidth=wrong)
    with pytest.raises(DataError, match=r"a bandwidth of 1e-06 Hz at"):
        link_loads(forces, vehicle=car, bandwidth=1e-6)
    corner = car.corners["FL"]
    apart = tuple(
        replace(s, outer=replace(s.outer, u=0.004)) if s.name == "upper_front" else s
        for s in corner.supports
    )  # no longer one joint with the rear link
    other = replace(car, corners=car.corners | {"FL": replace(corner, supports=apart)})
    with pytest.raises(DataError, match=r"45 uncertain coordinates .* in corner FL, and 48 in"):
        link_loads(forces, vehicle=other)


def test_a_vehicle_file_of_one_axle_has_not_the_links_of_the_other() -> None:
    front = {name: day().car.corners[name] for name in ("FL", "FR")}
    with pytest.raises(DataError, match=r"forces of RL, RR, which the vehicle file of .* lacks"):
        link_loads(day().forces, vehicle=replace(day().car, corners=front))
