"""Attributes of a result's variables: units, names in words, flags, and where it comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recon.base.status import FLAGS
from recon.planning.unknowns import MODES
from recon.reconstruction.in_axes import AXES

if TYPE_CHECKING:
    import xarray as xr

    from recon.calibration.calibrated import Calibration
    from recon.car.vehicle import Vehicle


def attributes_of(name: str) -> dict[str, str]:
    """Attributes of a variable of forces, or of a channel beside them, by its name."""
    if name == "hub_moment":
        words = "moment of the hub on the upright about the spin axis"
        note = "a feature of the uncertainty model, not a result"
        return {"units": "N m", "long_name": words, "comment": note}
    if name == "travel":
        return {"units": "m", "long_name": "travel as used, bump positive"}
    if name == "heading":
        return {"units": "rad", "long_name": "heading of the wheel against the car, left positive"}
    axes = next((a for a in ("_intermediate", "_vehicle") if a in name), "")
    kind = "force of the road on the tyre"
    if name.startswith("u_"):
        kind = f"standard uncertainty of the {kind}"
        part = name.removeprefix(f"u_tyre_force{axes}").strip("_")
        kind += f", part {part}" if part else ", total"
    for end in ("lower", "upper"):
        if name.endswith(end):
            kind = f"{end} 95 % limit of the {kind}"
    if name.endswith("unbounded"):
        kind += " without the bound Fz >= 0"
    out = {"units": "N", "long_name": f"{kind}, {AXES[axes]}"}
    if name == "tyre_force":
        out["ancillary_variables"] = "u_tyre_force tyre_force_lower tyre_force_upper status"
    return out


def status_attributes(of: str) -> dict[str, object]:
    """Attributes of flags of the sample of a corner or a gauge, CF conventions."""
    return {
        "long_name": f"status of the sample, by {of}",
        "standard_name": "quality_flag",
        "flag_masks": np.array([f.bit for f in FLAGS], dtype=np.uint16),
        "flag_meanings": " ".join(f.name for f in FLAGS),
        "comment": " | ".join(f"{f.name}: {f.meaning}" for f in FLAGS),
    }


def mode_attributes() -> dict[str, object]:
    """Attributes of the modes of the hubs."""
    return {
        "long_name": "what the hub passes to the upright about the spin axis",
        "flag_values": np.arange(len(MODES), dtype=np.int8),
        "flag_meanings": " ".join(MODES),
    }


def provenance(log: xr.Dataset, car: Vehicle, calibration: Calibration) -> dict[str, object]:
    """Attributes of the whole result: sources with their checksums, references, assumptions."""
    return {
        "title": f"Tyre forces of {car.name}",
        "source": "strain gauges on suspension links, reconstructed",
        "institution": "not stated",
        "references": "ISO 8855:2011 for axes; JCGM 100:2008 for uncertainty",
        "comment": "Forces are those of the road on the tyre. A bound in contact is a flag, "
        "never a measurement.",
        "vehicle": car.name,
        "vehicle_checksum": car.checksum,
        "log_checksum": str(log.attrs.get("checksum", "")),
        "calibration_created": calibration.created,
        "calibration_sources": "; ".join(f"{p} {c}" for p, c in calibration.sources),
        "bandwidth_Hz": float(log.attrs.get("bandwidth", np.nan)),
        "rate_Hz": float(log.attrs.get("rate", np.nan)),
        "assumptions": " | ".join(car.assumed),
        "format": 1,
    }
