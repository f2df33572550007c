"""Every cause of error in words: its name, the quantity that it is the uncertainty of, a cure."""

from __future__ import annotations

import re
from typing import NamedTuple


class Description(NamedTuple):
    """A cause for people: `words` name it, `of` is the uncertain quantity, `cure` costs least."""

    words: str
    of: str
    cure: str


UNKNOWN = "not known to this version"
NOISE = Description(
    "noise of single samples",
    "gauges and hub accelerometer within the bandwidth",
    "lower --bandwidth, or average: noise cancels in means, the other causes do not",
)
BEYOND = Description(
    "force beyond the largest pull",
    "map outside the forces that were pulled",
    "pull this wheel further, within the limits of strap and links",
)
UNSEEN = Description(
    "forces that the gauges do not see",
    "what roll, pitch and heading turn into this force, or a gauge that failed leaves open",
    "add the gauge that the summary of the forces names, or repair the one that failed",
)
_LOG = "a stated assumption is used instead: log {}"
_MORE_PULLS = (
    "pull again, with more load and in more directions; `recon calibrate` names the weak one"
)
# Pattern of a cause's name without its owner, and the part that it belongs to ("" for any).
_DESCRIPTIONS = (
    ("zeros", "", "zeros of the gauges", "zero of each gauge during the drive",
     "take tares right before and after the drive, in the same state and temperature"),
    ("pulls", "", "map from the pulls", "indication of each gauge per load", _MORE_PULLS),
    ("zeros that drift together", "", "zeros that drift together",
     "course of a drift that most gauges share, between its tares",
     "let gauges and amplifiers warm up before the first tare, and take tares during the drive"),
    (".*gain", "", "gain of a load cell or scale", "gain of the device, common to all corners",
     "have the load cell or the scale calibrated and state the uncertainty of its gain: column "
     "u_strap_gain or u_pad_gain of the pull sheet"),
    ("hardpoints", "", "hardpoints", "position of each joint and wheel centre",
     "measure the points better, or pull at the travel of interest too"),
    (".* compliance", "", "stated compliances", "stiffness of supports that share load",
     "measure the rate of that support and state it with its uncertainty in the vehicle file"),
    ("wind-up", "", "axle that turns on its links",
     "angle by which links that give let the axle turn while it brakes",
     "fit stiffer bushes to the links of the axle"),
    ("propeller shaft", "", "couple of the propeller shaft",
     "whether the axle was driven or braked, which is not logged",
     _LOG.format("the pressure of a brake line (channel brake_pressure)")),
    ("friction", "", "friction in the joints", "loop between rising and falling loads",
     "free or replace stiff joints; pull up and down to show what is left"),
    ("friction while loads build up", "", "friction, in all joints at once",
     "loop between rising and falling loads",
     "free or replace stiff joints; pull up and down to show what is left"),
    ("creep of the gauges", "", "creep of the gauges", "load that stands, against one that passes",
     "nothing cheap; the value is common practice"),
    ("linearity", "", "links that give under load", "share of each force that each link takes",
     "nothing cheap; the value is common practice"),
    ("thermal slope.*", "", "warming of the links", "temperature between pulls and drive",
     "log the temperature of the gauges (channel gauge_temperature), pull at that of the drive"),
    ("dampers", "", "dampers beside springs", "force of the dampers, which springs and bars share",
     "gauge every spring, damper and drop link of the axle; pull with and without the bar"),
    ("bushes", "", "rubber bushes", "rate of the bushes beside the links",
     "measure the rate with the spring off and state its uncertainty, u_bush_rate_N_per_mm in "
     "[corner.NAME]"),
    ("travel", "assumption", "travel", "travel, which is not logged",
     _LOG.format("the travel of the wheel (channel travel)")),
    ("travel", "", "travel", "travel sensor",
     "calibrate the sensor against a ruler and state its uncertainty, u_travel_mm in [sensors]"),
    ("steer", "assumption", "steer", "steer, which is not logged",
     _LOG.format("the steer angle (channel steer)")),
    ("steer", "", "steer", "steer sensor: it moves the loads and turns the tyre axes",
     "centre the sensor on toe plates and state its uncertainty, u_steer_deg in [sensors]"),
    ("(hub|body) acceleration.*", "assumption", "acceleration of the hub",
     "hub acceleration, which is not logged",
     _LOG.format("the acceleration of the hub (channel hub_acceleration)")),
    ("hub acceleration.*", "", "acceleration of the hub", "hub accelerometer",
     "check it by turning it over and state its uncertainty, u_hub_acceleration_m_per_s2 in "
     "[sensors]"),
    ("unsprung mass", "", "unsprung mass", "mass that hangs on the upright",
     "weigh wheel, brake and upright; state the uncertainty, u_unsprung_mass_kg in [corner.NAME]"),
    ("droop travel", "", "droop travel", "travel at which the wheel hung during the tare",
     "measure it during the tare; state its uncertainty, u_droop_travel_mm in [corner.NAME]"),
    ("loaded radius", "", "loaded radius", "height of the hub above the road",
     "measure it on the pads at hot pressure and state its uncertainty, u_loaded_radius_mm in "
     "[corner.NAME.wheel]"),
    ("aligning moment", "", "aligning moment", "pneumatic trail of the tyre (prior of Mz)",
     "six gauges that see Mz, or, with a reason, a narrower trail: u_pneumatic_trail_mm in [tyre]"),
    ("overturning moment", "", "overturning moment", "sideways shift of the contact (prior of Mx)",
     "six gauges that see Mx, or, with a reason, a narrower shift: u_patch_shift_mm in [tyre]"),
    ("hub moment", "", "moment that the hub passes", "bearing drag, or an unknown brake torque",
     "log the line pressure (channel brake_pressure) and state the torque per bar, "
     "brake_torque_Nm_per_bar in [corner.NAME]"),
    ("brake torque per pressure", "", "brake torque", "torque of the caliper per line pressure",
     "pull with a known pressure; state its uncertainty, u_brake_torque_Nm_per_bar in "
     "[corner.NAME]"),
    ("size of .", "", "prior of a force", "size of a force that the gauges hardly see",
     "add the gauge that `recon observe` names"),
    ("split of load at the tare", "", "twist of a bar at the tare", "load that a bar holds then",
     "tare with both wheels hanging level"),
    ("split of load", "", "split between bar and springs", "share of load in a bar or beam",
     "gauge the bar, or state the rates of bar and springs"),
    ("map at a bar's twist", "", "map at a bar's twist", "indications when a bar twists alone",
     "pull both wheels in opposite directions"),
    ("table over travel and steer", "", "table of the estimator", "rounding between its nodes",
     "narrow the stated range of travel and steer, or add a gauge"),
    ("(roll|pitch) on the springs", "assumption", "lean of the body on its springs",
     "roll and pitch, which are not logged, and travels calculated from them",
     _LOG.format("the travels of all wheels (channel travel), or roll and pitch")),
    ("(roll|pitch) on the springs", "", "lean of the body on its springs",
     "attitude sensor, from which travels are calculated",
     "level the sensor on the setup pad; log the travels (channel travel)"),
    ("(roll|pitch) of the body", "assumption", "roll and pitch of the body",
     "roll and pitch, which are not logged",
     _LOG.format("the attitude of the body (channels roll and pitch)")),
    ("(roll|pitch) of the body", "", "roll and pitch of the body", "attitude sensor",
     "level the sensor on the setup pad; state its uncertainty, u_attitude_deg in [sensors]"),
)  # fmt: skip


def description_of(name: str, part: str, owners: tuple[str, ...]) -> Description:
    """Describe a cause of a result.

    `name` is its `cause_name`, which may begin with one of the `owners` (corners and axles), and
    `part` its `cause_part`.  A name that this version does not know describes itself.
    """
    first, _, rest = name.partition(" ")
    bare = rest if first in owners else name
    for pattern, of_part, *words in _DESCRIPTIONS:
        if of_part in ("", part) and re.fullmatch(pattern, bare):
            return Description(*words)
    return Description(bare, UNKNOWN, UNKNOWN)
