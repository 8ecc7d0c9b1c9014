"""Bounds of other kinds: tolerance factors, order statistics, likelihood, cautious, unseen minority."""
