"""Families, likelihood and confidence engines; arrays only."""
