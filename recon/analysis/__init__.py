"""Answers from forces: slalom, friction use."""
