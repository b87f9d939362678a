"""Photo stage: a file becomes upright pixels and a note of where they came from.

Nothing else in the package opens image files.

==============  ==============================================================
`read`          the procedure: file → checked, upright `Photo`
`jpeg`          the parts of a JPEG file, and whether it is complete
`complaints`    what the decoder says of damaged data
`exif`          camera, time, orientation and focal length from an EXIF block
`decode`        pixels of every other kind of file, by Pillow
`profile`       colours of an embedded profile converted to sRGB
`limits`        how large, and how empty, a picture may be
==============  ==============================================================
"""

from weldsection.photo.read import read_photo, sha256_of

__all__ = ["read_photo", "sha256_of"]
