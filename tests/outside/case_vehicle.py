"""Write vehicles/case_car.toml from the case's tables of measured points, facts and gauges.

    python tests/outside/case_vehicle.py CAR_FOLDER OUT.toml

CAR_FOLDER holds hardpoints_measured.csv, facts.csv and gauges.csv.  Nothing of the case's truth
is read.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

AXLE = {"F": "front", "R": "rear"}
BRIDGE = {
    "full bridge: 2 axial + 2 Poisson gauges": "full_axial",
    "half bridge: 2 axial gauges on opposite sides, 2 fixed resistors": "half_axial_opposite",
}
HEAD = """\
# An invented car, made with general-purpose engines: invented points, masses and gauges.
# Points as a tape measure gave them, with errors of 2 mm (5 mm where hard to reach).
format = 1
name = "Invented case car"
source = "an invented car, made with general-purpose engines"
"""
SENSORS = """
[steering]
rack_mm = [-60, 60]

[sensors]
u_travel_mm = 0.5
u_travel_percent = 0.5
u_steer_deg = 0.08
u_attitude_deg = 0.05
u_hub_acceleration_m_per_s2 = 0.1
u_hub_acceleration_percent = 1
"""

Rows = list[dict[str, str]]


def _rows(path: Path) -> Rows:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


class Facts:
    """Values with standard uncertainties, as `key = value` lines."""

    def __init__(self, rows: Rows) -> None:
        self.rows = {row["name"]: row for row in rows}

    def number(self, name: str, factor: float = 1.0, what: str = "value") -> str:
        """One number, scaled; `what` is value or standard_uncertainty."""
        return f"{factor * float(self.rows[name][what]):.6g}"

    def lines(self, key: str, name: str, factor: float = 1.0) -> list[str]:
        """The key and its `u_` twin."""
        u = self.number(name, factor, "standard_uncertainty")
        return [f"{key} = {self.number(name, factor)}", f"u_{key} = {u}"]

    def vector(self, what: str) -> str:
        """Centre of mass or its standard uncertainty, in mm."""
        return "[" + ", ".join(self.number(f"cg_{axis}", 1e3, what) for axis in "xyz") + "]"


def _point(row: dict[str, str]) -> str:
    return "[" + ", ".join(f"{float(row[f'{axis}_mm']):g}" for axis in "xyz") + "]"


def _end(key: str, on: str, row: dict[str, str], *, rack: bool = False) -> str:
    moves = ", moves_with_rack = true" if rack else ""
    u = f"u_mm = {float(row['sd_mm']):g}"
    return f'{key} = {{ on = "{on}", point_mm = {_point(row)}, {u}{moves} }}'


def _support(corner: str, name: str, kind: str, lines: list[str]) -> list[str]:
    return ["", f"[[corner.{corner}.support]]", f'name = "{name}"', f'kind = "{kind}"', *lines]


def _supports(corner: str, points: dict[tuple[str, str], dict[str, str]]) -> list[str]:
    lines = []
    for member in dict.fromkeys(name for name, end in points if end == "upright"):
        body = "rocker" if member == "push_rod" else "chassis"
        inner = points[member, body]
        ends = [
            _end("outer", "upright", points[member, "upright"]),
            _end("inner", body, inner, rack=member == "tie_rod"),
        ]
        lines += _support(corner, member, "link", ends)
    pivot = points["rocker", "pivot_ahead"]
    ends = [_end("outer", "rocker", pivot), _end("inner", "chassis", pivot)]
    axis = f"axis_point_mm = {_point(points['rocker', 'pivot_behind'])}"
    lines += _support(corner, "rocker_pivot", "pivot", [*ends, axis])
    ends = [
        _end("outer", "rocker", points["spring", "rocker"]),
        _end("inner", "chassis", points["spring", "chassis"]),
    ]
    return lines + _support(corner, "spring", "spring", ends)


def _corner(corner: str, points: dict[tuple[str, str], dict[str, str]], facts: Facts) -> list[str]:
    axle = AXLE[corner[0]]
    centre = points["wheel", "centre"]
    return [
        "",
        f"[corner.{corner}]",
        'bodies = ["upright", "rocker"]',
        "travel_mm = [-75, 75]",
        *facts.lines("droop_travel_mm", f"droop_travel_{axle}", 1e3),
        f"driven = {str(axle == 'rear').lower()}",
        'brake = "outboard"',
        *facts.lines("brake_torque_Nm_per_bar", f"brake_torque_per_bar_{axle}_per_wheel"),
        *facts.lines("unsprung_mass_kg", f"unsprung_mass_{axle}_per_corner"),
        "",
        f"[corner.{corner}.wheel]",
        'on = "upright"',
        f"centre_mm = {_point(centre)}",
        f"u_centre_mm = {float(centre['sd_mm']):g}",
        *facts.lines("loaded_radius_mm", "loaded_radius", 1e3),
        f"toe_in_deg = {facts.number(f'toe_in_{axle}')}",
        f"camber_deg = {facts.number(f'camber_{axle}')}",
        *facts.lines("spin_inertia_kg_m2", "wheel_spin_inertia"),
        *_supports(corner, points),
    ]


def _gauge(row: dict[str, str], facts: Facts) -> list[str]:
    corner = row["corner"]
    tube = f"tube_{AXLE[corner[0]]}_{row['member']}"
    return [
        "",
        f"[[corner.{corner}.gauge]]",
        f'name = "{row["channel"]}"',
        f'on = "{row["member"]}"',
        f'unit = "{row["unit"]}"',
        f'bridge = "{BRIDGE[row["bridge"]]}"',
        f'sign = "{row["expected_sign"]}"',
        *facts.lines("gauge_factor", "gauge_factor"),
        *facts.lines("tube_outside_diameter_mm", f"{tube}_outside_diameter"),
        *facts.lines("tube_wall_mm", f"{tube}_wall"),
        *facts.lines("youngs_modulus_GPa", "youngs_modulus_links"),
        *facts.lines("poisson_ratio", "poisson_ratio_links"),
    ]


def vehicle_text(folder: Path) -> str:
    """Text of the vehicle file that the tables of `folder` make."""
    facts = Facts(_rows(folder / "facts.csv"))
    points = _rows(folder / "hardpoints_measured.csv")
    gauges = _rows(folder / "gauges.csv")
    lines = [
        HEAD,
        "[mass]",
        *facts.lines("total_kg", "mass"),
        f"centre_of_mass_mm = {facts.vector('value')}",
        f"u_centre_of_mass_mm = {facts.vector('standard_uncertainty')}",
        SENSORS.rstrip(),
    ]
    for corner in ("FL", "FR", "RL", "RR"):
        own = {(p["member"], p["end"]): p for p in points if p["corner"] == corner}
        lines += _corner(corner, own, facts)
        for row in gauges:
            if row["corner"] == corner:
                lines += _gauge(row, facts)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    Path(sys.argv[2]).write_text(vehicle_text(Path(sys.argv[1])), encoding="utf-8")
