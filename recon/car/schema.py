"""The vehicle file as written: keys, types and signs, in the units of its keys.

A key that is not listed here is refused.  What a key means stands in `vehicles/README.md`;
defaults that need a sentence in `Vehicle.assumed` are None here and filled in by the reader.
"""

from __future__ import annotations

from difflib import get_close_matches
from math import dist
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Strict,
    Tag,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from recon.car.bridges import BRIDGES, Bridge
from recon.car.sizes import size_fault
from recon.car.vehicle import KINDS, Kind, Measure

# Far more than cars have; what is longer was copied by mistake and would take for ever.
MOST_BODIES, MOST_SUPPORTS, MOST_GAUGES = 20, 40, 60
Name = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, Field(min_length=1, max_length=5000)]
Positive = Annotated[float, Field(gt=0)]
# Sizes and stiffness of tubes that exist, in mm and GPa; beyond these a key was mistaken.
TubeSize = Annotated[float, Field(ge=0.01, le=1000)]
Stiffness = Annotated[float, Field(ge=0.1, le=2000)]
NotNegative = Annotated[float, Field(ge=0)]
# TOML arrays come as lists; only the container is relaxed, the numbers stay strict.
Point = Annotated[tuple[float, float, float], Strict(False)]
PointU = Annotated[tuple[NotNegative, NotNegative, NotNegative], Strict(False)]
ZERO = (0.0, 0.0, 0.0)
Range = Annotated[tuple[float, float], Strict(False)]
Names = Annotated[tuple[Name, ...], Strict(False), Field(max_length=MOST_BODIES)]


class Table(BaseModel):
    """Base of every table of the file."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="after")
    @classmethod
    def _size(cls, value: Any, info: ValidationInfo) -> Any:
        """Every number lies in the range of its unit."""
        fault = size_fault(str(info.field_name), value)
        if fault:
            (found, needed), key = fault, ""
            raise _fault(key, found, needed)
        return value


def _fault(key: str, found: str, needed: str) -> PydanticCustomError:
    """Fault that is worded here, at `key` of the table, or at the table or field itself."""
    return PydanticCustomError(
        "together", "{found}; {needed}", {"key": key, "found": found, "needed": needed}
    )


def _require_rising(key: str, limits: tuple[float, float] | None) -> None:
    if limits is not None and not limits[0] < limits[1]:
        raise _fault(key, f"{limits[0]:g} before {limits[1]:g}", "the lower limit first")


class MassTable(Table):
    """Mass of the car as weighed for the run."""

    total_kg: Positive
    u_total_kg: NotNegative | None = None
    centre_of_mass_mm: Point
    u_centre_of_mass_mm: PointU | None = None
    wheelbase_mm: Positive | None = None


class TyreTable(Table):
    """Priors of the moments at the contact."""

    pneumatic_trail_mm: float | None = None
    u_pneumatic_trail_mm: NotNegative | None = None
    patch_shift_mm_per_kN: float | None = None
    u_patch_shift_mm: NotNegative | None = None


class SteeringTable(Table):
    """Rack."""

    rack_mm: Range | None = None
    rack_mm_per_turn: Positive | None = None

    @model_validator(mode="after")
    def _order(self) -> Self:
        _require_rising("rack_mm", self.rack_mm)
        return self


class SensorsTable(Table):
    """Fixed standard uncertainties of the ordinary sensors."""

    u_travel_mm: NotNegative | None = None
    u_travel_percent: NotNegative | None = None
    u_steer_deg: NotNegative | None = None
    u_attitude_deg: NotNegative | None = None
    u_hub_acceleration_m_per_s2: NotNegative | None = None
    u_hub_acceleration_percent: NotNegative | None = None


class WheelTable(Table):
    """Wheel at design height."""

    on: Name
    centre_mm: Point
    u_centre_mm: NotNegative | None = None
    loaded_radius_mm: Positive
    u_loaded_radius_mm: NotNegative | None = None
    toe_in_deg: Annotated[float, Field(gt=-20, lt=20)] | None = None
    camber_deg: Annotated[float, Field(gt=-20, lt=20)] | None = None
    spin_inertia_kg_m2: Positive | None = None
    u_spin_inertia_kg_m2: NotNegative | None = None


class PointTable(Table):
    """A point on a body."""

    on: Name
    point_mm: Point
    u_mm: NotNegative | None = None
    moves_with_rack: bool = False

    @model_validator(mode="after")
    def _rack(self) -> Self:
        if self.moves_with_rack and self.on != "chassis":
            key, found = "moves_with_rack", f"true for a point on '{self.on}'"
            raise _fault(key, found, "a point on 'chassis'")
        return self


class TubeTable(Table):
    """Size of a round tube, for its strain or its strength."""

    tube_outside_diameter_mm: TubeSize | None = None
    u_tube_outside_diameter_mm: NotNegative | None = None
    tube_wall_mm: TubeSize | None = None
    u_tube_wall_mm: NotNegative | None = None
    youngs_modulus_GPa: Stiffness | None = None
    u_youngs_modulus_GPa: NotNegative | None = None

    @model_validator(mode="after")
    def _tube(self) -> Self:
        diameter, wall = self.tube_outside_diameter_mm, self.tube_wall_mm
        if (diameter is None) != (wall is None):
            key = "tube_wall_mm" if wall is None else "tube_outside_diameter_mm"
            found = "no such key"
            raise _fault(key, found, "outside diameter and wall of the tube together")
        if diameter is not None and wall is not None and 2 * wall > diameter:
            key, found = "tube_wall_mm", f"{wall:g} mm in a tube of {diameter:g} mm"
            raise _fault(key, found, "a wall of at most half the outside diameter")
        return self


class SupportTable(TubeTable):
    """One thing that joins two bodies."""

    name: Name
    kind: Kind
    outer: PointTable
    inner: PointTable
    axis_point_mm: Point | None = None
    limit_N: Positive | None = None
    yield_strength_MPa: Positive | None = None
    compliance_mm_per_kN: NotNegative | None = None
    u_compliance_mm_per_kN: NotNegative | None = None
    rate_N_per_mm: NotNegative | None = None
    u_rate_N_per_mm: NotNegative | None = None
    rate_Nm_per_deg: Positive | None = None
    u_rate_Nm_per_deg: NotNegative | None = None

    @model_validator(mode="after")
    def _axis(self) -> Self:
        with_axis = self.kind in ("pivot", "slider", "torsion")
        if with_axis != (self.axis_point_mm is not None):
            key, count = "axis_point_mm", "none" if self.axis_point_mm is None else "one"
            needed = "one on each pivot, slider and torsion and on nothing else"
            raise _fault(key, f"{count} on a {self.kind}", needed)
        return self

    @model_validator(mode="after")
    def _strength(self) -> Self:
        keys = (*TubeTable.model_fields, "yield_strength_MPa")
        stated = [key for key in keys if getattr(self, key) is not None]
        if stated and self.kind != "link":
            raise _fault(stated[0], f"one on a {self.kind}", "tube and strength on links only")
        return self

    @model_validator(mode="after")
    def _stiffness(self) -> Self:
        own = {"spring": "rate_N_per_mm", "torsion": "rate_Nm_per_deg"}
        right = own.get(self.kind, "compliance_mm_per_kN")
        for key in ("compliance_mm_per_kN", "rate_N_per_mm", "rate_Nm_per_deg"):
            for name in (key, f"u_{key}"):
                if key != right and getattr(self, name) is not None:
                    raise _fault(name, f"one on a {self.kind}", f"{right} on a {self.kind}")
        return self

    @model_validator(mode="before")
    @classmethod
    def _one_place(cls, data: Any) -> Any:
        """Both points of a joint are one place: the inner point may be left out."""
        if isinstance(data, dict) and data.get("kind") in KINDS[2:]:
            outer, inner = data.get("outer"), data.get("inner")
            if isinstance(outer, dict) and isinstance(inner, dict) and "point_mm" not in inner:
                same = {k: outer[k] for k in ("point_mm", "u_mm") if k in outer}
                return data | {"inner": same | inner}
        return data


class GaugeTable(TubeTable):
    """One channel."""

    name: Name
    on: Name
    unit: Literal["mV/V", "microstrain", "V", "counts"]
    bridge: Bridge | None = None
    measures: Measure = "axial"
    station_mm: Point | None = None
    along: Point | None = None
    across: Point | None = None
    gauge_factor: Positive | None = None
    u_gauge_factor: NotNegative | None = None
    sign: Literal["unknown", "tension_positive", "tension_negative"] = "unknown"
    poisson_ratio: Annotated[float, Field(ge=0, le=0.5)] | None = None
    u_poisson_ratio: NotNegative | None = None
    bench_slope_per_kN: Positive | None = None
    u_bench_slope_per_kN: NotNegative | None = None
    bench_slope_per_kNm: Positive | None = None
    u_bench_slope_per_kNm: NotNegative | None = None
    full_scale: Positive | None = None

    @model_validator(mode="after")
    def _section(self) -> Self:
        if (self.station_mm is None) != (self.along is None):
            key, found = "along" if self.along is None else "station_mm", "no such key"
            raise _fault(key, found, "station_mm and along of a cut together")
        if self.measures in ("bending", "shear"):
            for key in ("along", "across"):
                if getattr(self, key) is None:
                    raise _fault(key, f"none for {self.measures}", f"the direction '{key}'")
        if self.across is not None and (self.along is None or _parallel(self.along, self.across)):
            key, found = "across", f"{list(self.across)}"
            raise _fault(key, found, "a direction that is not that of along")
        if self.along is not None and not any(self.along):
            key, found = "along", "[0, 0, 0]"
            raise _fault(key, found, "a direction")
        return self

    @model_validator(mode="after")
    def _bridge(self) -> Self:
        key = "bridge"
        if self.bridge is None and self.measures == "axial":
            kinds = " or ".join(f'"{kind}"' for kind in BRIDGES)
            raise _fault(key, "a gauge of axial load without this key", f"{key} = {kinds}")
        if self.bridge is not None and self.measures != "axial":
            needed = "no bridge, which belongs to axial load"
            raise _fault(key, f"'{self.bridge}' where it measures {self.measures}", needed)
        turning = self.measures in ("bending", "torsion")
        wrong = "bench_slope_per_kN" if turning else "bench_slope_per_kNm"
        right = "bench_slope_per_kNm" if turning else "bench_slope_per_kN"
        for name in (wrong, f"u_{wrong}"):
            if getattr(self, name) is not None:
                raise _fault(name, f"one where it measures {self.measures}", right)
        return self


def _parallel(a: tuple[float, float, float], b: tuple[float, float, float]) -> bool:
    size = dist(a, ZERO) * dist(b, ZERO)
    # The sine of a degree: less is no direction of its own.
    cosine = sum(x * y for x, y in zip(a, b, strict=True))
    return size**2 - cosine**2 <= (0.0175 * size) ** 2


Supports = Annotated[tuple[SupportTable, ...], Strict(False), Field(max_length=MOST_SUPPORTS)]
Gauges = Annotated[tuple[GaugeTable, ...], Strict(False), Field(max_length=MOST_GAUGES)]


class CornerTable(Table):
    """One wheel with its suspension."""

    bodies: Names
    travel_mm: Range
    droop_travel_mm: float | None = None
    u_droop_travel_mm: NotNegative | None = None
    bush_rate_N_per_mm: NotNegative | None = None
    u_bush_rate_N_per_mm: NotNegative | None = None
    driven: bool
    brake: Literal["outboard", "inboard", "none"]
    brake_torque_Nm_per_bar: Positive | None = None
    u_brake_torque_Nm_per_bar: NotNegative | None = None
    unsprung_mass_kg: Positive
    u_unsprung_mass_kg: NotNegative | None = None
    wheel: WheelTable
    support: Supports = ()
    gauge: Gauges = ()

    @model_validator(mode="after")
    def _travel(self) -> Self:
        _require_rising("travel_mm", self.travel_mm)
        low, high = self.travel_mm
        droop = self.droop_travel_mm
        if droop is not None and not low <= droop <= high:
            key, limits = "droop_travel_mm", f"[{low:g}, {high:g}]"
            raise _fault(key, f"{droop:g} mm", f"a travel within travel_mm = {limits}")
        return self


class MirrorTable(Table):
    """A corner that is another one with y turned round."""

    mirror_of: Literal["FL", "FR", "RL", "RR"]
    gauge: Gauges = ()


def _corner_form(data: Any) -> str:
    keys = data if isinstance(data, dict) else ()
    mirrored = isinstance(data, MirrorTable) or get_close_matches("mirror_of", keys, cutoff=0.8)
    return "mirrored" if mirrored else "described"


AnyCorner = Annotated[
    Annotated[CornerTable, Tag("described")] | Annotated[MirrorTable, Tag("mirrored")],
    Discriminator(_corner_form),
]
FORMS: dict[str, type[Table]] = {"described": CornerTable, "mirrored": MirrorTable}


class CornersTable(Table):
    """The corners that the file describes."""

    FL: AnyCorner | None = None
    FR: AnyCorner | None = None
    RL: AnyCorner | None = None
    RR: AnyCorner | None = None

    @model_validator(mode="after")
    def _some(self) -> Self:
        if not self.present:
            key, found = "", "no corner"
            raise _fault(key, found, "at least one of the tables FL, FR, RL, RR")
        return self

    @property
    def present(self) -> dict[str, CornerTable | MirrorTable]:
        """The corners described, in the order FL FR RL RR."""
        return {name: corner for name, corner in self if corner is not None}


class AxleTable(Table):
    """Bodies and supports that tie the two corners of an axle."""

    bodies: Names = ()
    final_drive_ratio: float | None = None
    mass_kg: Positive | None = None
    support: Supports = ()
    gauge: Gauges = ()


class AxlesTable(Table):
    """The axles that tie their corners."""

    front: AxleTable | None = None
    rear: AxleTable | None = None

    @property
    def present(self) -> dict[str, AxleTable]:
        """The axles described, front first."""
        return {name: axle for name, axle in self if axle is not None}


class VehicleTable(Table):
    """The whole file."""

    format: Literal[1]
    name: Name
    source: Words
    mass: MassTable
    tyre: TyreTable = TyreTable()
    steering: SteeringTable = SteeringTable()
    sensors: SensorsTable = SensorsTable()
    corner: CornersTable
    axle: AxlesTable = AxlesTable()
