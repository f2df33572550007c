"""Range of every number of the vehicle file, by the unit that ends its key.

Cars stay well inside; a number outside was mistyped or is in another unit, and its squares and
reciprocals would leave what a computer can hold.  Common practice, no source.
"""

from __future__ import annotations

from typing import Any

# Smallest size above zero, and largest size.
SIZES: dict[str, tuple[float, float]] = {
    "kg": (1e-3, 1e5),
    "kg_m2": (1e-6, 1e4),
    "mm": (1e-6, 2e4),
    "mm_per_kN": (1e-9, 1e5),
    "mm_per_turn": (1e-3, 1e4),
    "percent": (1e-6, 1e3),
    "deg": (1e-6, 360.0),
    "m_per_s2": (1e-6, 1e4),
    "N": (1e-3, 1e8),
    "N_per_mm": (1e-6, 1e9),
    "Nm_per_deg": (1e-6, 1e9),
    "Nm_per_bar": (1e-6, 1e6),
    "GPa": (1e-3, 1e5),
    "MPa": (1e-3, 1e5),
    "per_kN": (1e-9, 1e9),
    "per_kNm": (1e-9, 1e9),
    "along": (1e-6, 1e6),
    "across": (1e-6, 1e6),
    "gauge_factor": (1e-6, 1e3),
    "poisson_ratio": (1e-6, 1.0),
    "full_scale": (1e-9, 1e12),
    "final_drive_ratio": (0.1, 100.0),
}


def range_of(key: str) -> tuple[str, tuple[float, float]] | None:
    """Unit that ends `key`, the longest that fits, and its range; None where there is none."""
    fits = [unit for unit in SIZES if key == unit or key.endswith(f"_{unit}")]
    if not fits:
        return None
    unit = max(fits, key=len)
    return unit, SIZES[unit]


def size_fault(key: str, value: Any) -> tuple[str, str] | None:
    """The number found and the range needed, where a number is out of range; else None."""
    numbers = value if isinstance(value, tuple) else (value,)
    numbers = tuple(n for n in numbers if isinstance(n, float))
    limits = range_of(key) if numbers else None
    if limits is None:
        return None
    unit, (least, most) = limits
    for number in numbers:
        if number != 0 and not least <= abs(number) <= most:
            of = "" if unit in ("along", "across") or unit == key else f" {unit}"
            return f"{number:g}{of}", f"0 or a size from {least:g} to {most:g}{of}"
    return None
