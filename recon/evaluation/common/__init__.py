"""Estimates with signed errors, and the labels of results: common ground of all answers."""
