"""Measurements from a phone photo of a cut and etched weld coupon."""

from weldsection._version import __version__

__all__ = ["__version__"]
