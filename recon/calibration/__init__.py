"""From pulls to the map: fit of K with covariance, cross-talk, verification, calibration file."""
