"""A calibration in words and pictures."""
