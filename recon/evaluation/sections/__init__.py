"""Sections of a drive: found in the motion of the car, or stated."""
