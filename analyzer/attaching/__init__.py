"""Carry the quality of positions over to the rows of a measurement, after showing that the two clocks agree."""
