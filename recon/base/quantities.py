"""The one table of names, axes and units.

ISO 8855 axes: x forward, y left, z up.  Forces are those of the road on the tyre.
All values inside the package are in SI units; other units appear only where files are read and
results are printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from recon.base.errors import DataError, nearest

CORNERS = ("FL", "FR", "RL", "RR")
COMPONENTS = ("x", "y", "z")
WRENCH_COMPONENTS = ("Fx", "Fy", "Fz", "Mx", "My", "Mz")
STANDARD_GRAVITY = 9.80665  # m/s2, exact by definition (CGPM 1901)
COVERAGE_FACTOR = 1.959964  # two-sided 95 % of a normal distribution, tables
MOMENT_ARM = 0.1  # m; to compare moments with forces, a moment counts as its force on this arm
POUND_FORCE = 4.4482216152605  # N, exact by definition of pound and standard gravity


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measurement in files: ``si = value * factor + offset``."""

    dimension: str
    factor: float
    offset: float = 0.0


_ANGLE = 3.141592653589793 / 180.0

# Our spellings.  Those of `OF_OTHERS` are taken for them; any other is refused, and the message
# offers the nearest one.
# "kg" is a force in columns of loads only, because scales and hanging load cells show kg.
UNITS: dict[str, dict[str, Unit]] = {
    "time": {
        "s": Unit("time", 1.0),
        "ms": Unit("time", 1e-3),
        "min": Unit("time", 60.0),
        "us": Unit("time", 1e-6),
    },
    "force": {
        "N": Unit("force", 1.0),
        "kN": Unit("force", 1e3),
        "daN": Unit("force", 10.0),
        "kgf": Unit("force", STANDARD_GRAVITY),
        "kg": Unit("force", STANDARD_GRAVITY),
        "lbf": Unit("force", POUND_FORCE),
    },
    "length": {
        "mm": Unit("length", 1e-3),
        "cm": Unit("length", 1e-2),
        "m": Unit("length", 1.0),
        "in": Unit("length", 0.0254),
    },
    "distance": {
        "m": Unit("distance", 1.0),
        "km": Unit("distance", 1e3),
        "mi": Unit("distance", 1609.344),
        "ft": Unit("distance", 0.3048),
    },
    "angle": {"rad": Unit("angle", 1.0), "deg": Unit("angle", _ANGLE)},
    "angular_rate": {
        "rad/s": Unit("angular_rate", 1.0),
        "deg/s": Unit("angular_rate", _ANGLE),
        "rpm": Unit("angular_rate", 2 * 3.141592653589793 / 60),
    },
    "acceleration": {
        "m/s2": Unit("acceleration", 1.0),
        "gn": Unit("acceleration", STANDARD_GRAVITY),
        "g": Unit("acceleration", STANDARD_GRAVITY),
    },
    "speed": {
        "m/s": Unit("speed", 1.0),
        "km/h": Unit("speed", 1 / 3.6),
        "mph": Unit("speed", 0.44704),
    },
    "pressure": {
        "bar": Unit("pressure", 1e5),
        "kPa": Unit("pressure", 1e3),
        "MPa": Unit("pressure", 1e6),
        "Pa": Unit("pressure", 1.0),
        "psi": Unit("pressure", POUND_FORCE / 0.0254**2),
    },
    "temperature": {
        "degC": Unit("temperature", 1.0),
        "K": Unit("temperature", 1.0, -273.15),
        "degF": Unit("temperature", 5 / 9, -160 / 9),
    },
    "ratio": {"1": Unit("ratio", 1.0), "%": Unit("ratio", 0.01), "percent": Unit("ratio", 0.01)},
    # Indications keep the unit of their channel (mV/V, microstrain, V or counts); only the pulls
    # relate them to newtons.  A factor converts between spellings of one unit, never two kinds.
    "mV/V": {"mV/V": Unit("mV/V", 1.0), "uV/V": Unit("mV/V", 1e-3)},
    "microstrain": {"microstrain": Unit("microstrain", 1.0), "um/m": Unit("microstrain", 1.0)},
    "V": {"V": Unit("V", 1.0), "mV": Unit("V", 1e-3)},
    "counts": {"counts": Unit("counts", 1.0), "count": Unit("counts", 1.0)},
}


def celsius(fahrenheit: Any) -> Any:
    """Temperature [degC], a number or an array (...), of one in degF."""
    unit = UNITS["temperature"]["degF"]
    return unit.factor * fahrenheit + unit.offset


# Spellings of others that can mean one unit only, in small letters without spaces and underscores.
OF_OTHERS = {
    **dict.fromkeys(("kph", "kmh", "kmph", "km/hr"), "km/h"),
    **dict.fromkeys(("c", "\u00b0c", "celsius", "degc", "degreecelsius", "degreescelsius"), "degC"),
    **dict.fromkeys(("f", "\u00b0f", "fahrenheit", "degf", "degreesfahrenheit"), "degF"),
    **dict.fromkeys(("kelvin",), "K"),
    **dict.fromkeys(("\u00b0", "degree", "degrees"), "deg"),
    **dict.fromkeys(("\u00b0/s", "dps"), "deg/s"),
    **dict.fromkeys(("m/s\u00b2", "m/s^2"), "m/s2"),
    **dict.fromkeys(("u\u03b5", "ustrain"), "microstrain"),
    **dict.fromkeys(("sec", "secs", "seconds"), "s"),
    **dict.fromkeys(("inch", "inches", '"'), "in"),
    **dict.fromkeys(("kp", "kilopond"), "kgf"),
}
# Spellings that mean several units: which, and how to write the one that is meant.
OF_SEVERAL = {
    "lb": "may be a mass or a force: write lbf or kg",
    "grad": "may be degrees or gon: write deg, and a factor of 0.9 under [corrections] for gon",
}
# Signs that are written for others: either micro, the ordinal for the degree, and both in one.
_SIGNS = str.maketrans(
    {"\u00b5": "u", "\u03bc": "u", "\u00ba": "\u00b0", "\u2103": "\u00b0C", "\u2109": "\u00b0F"}
)

# Largest size of each kind of quantity that a table may hold, in SI.  Cars and their sensors
# stay far below; what is larger is a mistyped number, a wrong unit or a logger's mark for
# "missing" (common practice, no source).
LARGEST: dict[str, float] = {
    "time": 1e10,
    "force": 1e8,
    "length": 1e3,
    "distance": 1e7,
    "angle": 1e4,
    "angular_rate": 1e6,
    "acceleration": 1e6,
    "speed": 1e4,
    "pressure": 1e10,
    "temperature": 1e4,
    "ratio": 1e6,
    "mV/V": 1e6,
    "microstrain": 1e9,
    "V": 1e6,
    "counts": 1e12,
    "gauge": 1e12,  # of a unit that depends on the row
}

INDICATION_UNITS = ("mV/V", "microstrain", "V", "counts")


def our_spelling(spelling: str) -> str:
    """A unit as this program spells it; a spelling that nobody knows stays as it is."""
    plain = spelling.translate(_SIGNS)
    if any(plain in table for table in UNITS.values()):
        return plain
    bare = plain.casefold().replace(" ", "").replace("_", "")
    return OF_OTHERS.get(bare, plain)


def unit_of(spelling: str, dimension: str, where: str, others: tuple[str, ...] = ()) -> Unit:
    """The unit of `dimension` that is spelled `spelling`; `where` is used in the message.

    `others` are spellings that the caller takes besides.

    Raises DataError: the spelling is not known for that dimension, or means several units.
    """
    table = UNITS[dimension]
    ours = our_spelling(spelling)
    if ours in table:
        return table[ours]
    units, several = (*table, *others), OF_SEVERAL.get(spelling.casefold())
    raise DataError(
        where,
        f"unit '{spelling}' for a quantity of kind {dimension}",
        f"one of {', '.join(units)}" if several else nearest(ours, units),
        "Correct the unit in the header's brackets, in the units row or in the column map"
        + (f" ('{spelling}' {several})." if several else "."),
    )
