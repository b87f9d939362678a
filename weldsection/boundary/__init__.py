"""Trace the fusion line and the outer HAZ edge of each bead.

`evidence` says what each point of the face looks like, `fan` lays rays across
the bead, `trellis` finds both lines together with their posterior, `contour`
follows the weld face and its toes, and `trace` puts them together.
"""
