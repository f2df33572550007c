"""From a conditioned log to travel, steer and acceleration, logged or stood in for."""
