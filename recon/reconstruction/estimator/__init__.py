"""From gauges and priors to forces at a pose: the linear estimator of an assembly."""
