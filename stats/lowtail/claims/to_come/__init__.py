"""Specimens yet to come: what the next ones hold, and whether a new lot is accepted."""
