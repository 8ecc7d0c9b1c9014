"""Distributions, their likelihood and fit."""
