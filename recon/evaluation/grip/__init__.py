"""Envelopes of the forces of a tyre, and evidence that it was at its limit."""
