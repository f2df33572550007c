"""A vehicle in words and pictures, and what its gauges determine."""
