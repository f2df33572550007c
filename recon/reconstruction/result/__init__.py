"""Solved samples as a labelled result, with the loadings of all causes."""
