"""Strength along age, exposure or loading rate."""
