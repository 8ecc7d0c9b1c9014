"""Specimens yet to come: the lowest of the next few, the next batch, the statistics of a whole lot, on arrays."""
