"""Quantities of a bead: the geometry of a section, its uncertainty, its flags."""

from weldsection.measurement.bead import level, measure_bead

__all__ = ["level", "measure_bead"]
