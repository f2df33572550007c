"""Sections of a drive, and estimates from forces with signed errors: common ground of answers."""
