"""A small invented car made by hand, for tests of the records: two corners, four gauges."""

from recon.car.bridges import BenchPull
from recon.car.vehicle import (
    Attachment,
    Brake,
    Corner,
    Gauge,
    Sensors,
    Steering,
    Support,
    Tyre,
    Vehicle,
    Wheel,
)


def _corner(name: str, gauges: tuple[Gauge, ...]) -> Corner:
    left = 1.0 if name.endswith("L") else -1.0
    supports = tuple(
        Support(
            gauge.on,
            "link",
            Attachment("upright", (0.0, 0.6 * left, 0.3), 0.002),
            Attachment("chassis", (0.1, 0.3 * left, 0.3), 0.002),
        )
        for gauge in gauges
    )
    wheel = Wheel("upright", (0.0, 0.7 * left, 0.3), 0.002, 0.3, 0.002, 0.0, 0.0, 1.0, 0.1)
    brake = Brake("outboard", 1.2e-4, 2e-5)
    return Corner(
        name, ("upright",), supports, gauges, wheel, brake, False, 30.0, 0.5, (-0.06, 0.06),
        -0.05, 0.002,
    )  # fmt: skip


def small_car(
    unit: str = "mV/V",
    corners: tuple[str, ...] = ("FL", "FR"),
    names: tuple[str, ...] = ("G1", "G2", "G3", "G4"),
) -> Vehicle:
    """Return the car; its gauges `names` are shared out evenly among `corners`."""
    share = len(names) // len(corners)
    described = {}
    for index, corner in enumerate(corners):
        own = names[index * share : (index + 1) * share]
        gauges = tuple(Gauge(n, f"link {n}", unit, BenchPull(8e-5, 1e-6), 0) for n in own)
        described[corner] = _corner(corner, gauges)
    return Vehicle(
        "Small invented car", "invented for tests, no real car", 700.0, 2.0, (-1.0, 0.0, 0.4),
        (0.01, 0.01, 0.02), described, Tyre(), Steering(), Sensors(),
    )  # fmt: skip
