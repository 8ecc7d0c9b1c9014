"""A figure an answer."""
