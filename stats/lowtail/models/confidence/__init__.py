"""Confidence distributions: exact quadrature for one sample or many."""
