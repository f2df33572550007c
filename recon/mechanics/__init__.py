"""Bodies and supports: motion, equilibrium, loads and axes; knows nothing of files."""
