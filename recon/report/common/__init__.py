"""Sheets, labels, text and panels that pictures share."""
