"""Stops, and the drag that is no force of the brakes."""
