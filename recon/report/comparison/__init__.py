"""A comparison of two set-ups in words and as a picture."""
