"""Names, units, status flags, errors and small tools that all stages share."""
