"""Batches drawn at random."""
