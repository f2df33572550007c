"""Condition a log before calibration is applied: bad samples, tares and drift, low-pass filter."""
