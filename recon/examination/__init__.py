"""Tests of a drive against itself, the car and the day of the pulls; doubts with named causes."""
