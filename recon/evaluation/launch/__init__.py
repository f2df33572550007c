"""Launches and gear shifts: drive force, slip and wheel hop."""
