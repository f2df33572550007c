"""A virtual gauged car: its truth, and the records that its crew would have written.

The car solves its corners by itself as elastic systems and carries effects that the inverse
does not model: compliance, bush stiffness that by-passes the links, friction, creep, a gain
that moves with temperature, wandering zeros.  Everything is invented; magnitudes are common
practice (no source) or from memory, as noted where they stand.
"""
