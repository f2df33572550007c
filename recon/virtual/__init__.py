"""A virtual gauged car: the true forces, and the records that its crew would have written.

The car has its own solver, which treats a corner or axle as an elastic system, and has effects
that the reconstruction does not model: compliance, bush stiffness that bypasses the links,
friction, creep, a gain that varies with temperature, wandering zeros.  Everything is invented;
magnitudes are common practice (no source) or from memory, as noted beside each.
"""
