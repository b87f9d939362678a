"""Output stage: finished results become tables, records and pictures.

==============  ==============================================================
`table`         rows as CSV, JSON or a table to read
`record`        the full record of one photo as JSON, and back
`overlay`       the photo with the measured lines drawn on it
`files`         results folder, and files that are complete or not there
==============  ==============================================================

Four files serve `overlay`: `geometry` says what is drawn, `layout` where labels
go, `strokes` how lines look, and `closeups` shows each bead larger.
"""
