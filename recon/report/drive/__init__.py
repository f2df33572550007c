"""A solved drive in words and pictures."""
