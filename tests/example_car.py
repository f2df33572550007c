"""The example of vehicles/README.md, as it stands and with some of its text exchanged."""

import re
from pathlib import Path

import pytest

from recon.base.errors import VehicleError
from recon.records.vehicles import read_vehicle

VEHICLES = Path(__file__).parents[1] / "vehicles"
EXAMPLE = re.search(
    r"```toml\n(.*?)```", (VEHICLES / "README.md").read_text(encoding="utf-8"), re.DOTALL
)[1]
MIRROR = """
[corner.FR]
mirror_of = "FL"

[[corner.FR.gauge]]
name = "FR_push_rod"
on = "push_rod"
unit = "counts"
bridge = "quarter"
"""


def write_example(folder, *changes, more=""):
    """Write the example to `folder`; each change (old, new) is made once, `more` put at the end."""
    text = EXAMPLE
    for old, new in changes:
        assert old in text, f"the example holds no {old!r}"
        text = text.replace(old, new, 1)
    path = folder / "car.toml"
    path.write_text(text + more, encoding="utf-8")
    return path


def refusal(path):
    """Message that refuses a vehicle file; it names the file."""
    with pytest.raises(VehicleError, match=re.escape(str(path))) as caught:
        read_vehicle(path)
    return str(caught.value)
