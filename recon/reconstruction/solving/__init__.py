"""An assembly that is prepared once solves any samples: bounds, limits, variances."""
