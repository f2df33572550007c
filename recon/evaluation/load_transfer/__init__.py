"""Load transfer in parts, and the height of the centre of mass."""
