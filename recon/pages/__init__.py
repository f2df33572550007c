"""The page: a whole drive in one HTML file that needs no network and no program to be read."""
