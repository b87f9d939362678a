"""The version, kept apart so that asking for it loads nothing."""

__version__ = "0.1.0"
