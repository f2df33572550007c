"""The car as its file describes it: text to frozen dataclasses, with their checks."""
