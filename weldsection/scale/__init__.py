"""Scale."""
