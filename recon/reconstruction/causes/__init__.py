"""Causes of error as signed sensitivities, each in words with its cheapest cure."""
