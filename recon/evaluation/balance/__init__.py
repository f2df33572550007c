"""Both axles of a car in corners, and which is first at its limit."""
