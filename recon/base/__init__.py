"""Words, units, flags and errors that every stage shares."""
