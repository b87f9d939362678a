"""Output."""
