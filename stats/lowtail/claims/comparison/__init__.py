"""Shock against slow pull: tests, ratios with intervals, verdicts."""
