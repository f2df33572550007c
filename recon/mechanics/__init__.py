"""Mechanics: motion, equilibrium, loads and axes of bodies on supports; no files."""
