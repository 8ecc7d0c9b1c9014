"""Confidence distributions of many small simulated series at once."""
