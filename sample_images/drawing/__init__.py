"""Draws etched weld sections as a phone camera would see them, with their truth."""
