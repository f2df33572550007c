"""Lateral forces in a slalom: peaks at cones, and the lag of the rear axle."""
