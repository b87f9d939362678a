"""Boundary."""
