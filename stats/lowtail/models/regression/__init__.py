"""Strength against a covariate, and batches beside it."""
