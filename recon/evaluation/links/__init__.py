"""Loads of the links through a drive, their cycles, errors and limits."""
