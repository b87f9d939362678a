"""Colours of an embedded profile converted to sRGB, quickly.

Phones write photos in a wider colour space than sRGB, so nearly every photo of
theirs would wait half a second for its conversion. The profile's conversion is
carried out exactly for a sample of the photo's own colours; where one matrix
does the same to them, and it does for a phone's, the matrix is used for all.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import cv2
import numpy as np

from weldsection.records import ByteArray

if TYPE_CHECKING:
    from PIL import Image

# So many colours are converted exactly to find the matrix.
_SAMPLE_PX = 20_000
# Grey levels of 255 by which the matrix may be off at any colour of the sample.
_LARGEST_ERROR = 3.0


def is_srgb(icc_profile: bytes) -> bool:
    """Whether an embedded profile is sRGB (or absent, which means the same).

    Only the profile's description is looked at, in either of its two codings.
    """
    name_16 = "sRGB".encode("utf-16-be")
    return not icc_profile or b"sRGB" in icc_profile or name_16 in icc_profile


def as_srgb(bgr: ByteArray, icc_profile: bytes) -> ByteArray:
    """Convert a picture from the colours of its profile to sRGB.

    A profile nobody can read, or of another kind of picture, changes nothing.
    """
    step = max(round((bgr.shape[0] * bgr.shape[1] / _SAMPLE_PX) ** 0.5), 1)
    sample = np.ascontiguousarray(bgr[::step, ::step].reshape(1, -1, 3))
    wanted = _exactly(sample, icc_profile)
    if wanted is None:
        return bgr
    known = np.column_stack([sample[0].astype(np.float64), np.ones(sample.shape[1])])
    matrix, *_ = np.linalg.lstsq(known, wanted[0].astype(np.float64), rcond=None)
    if np.abs(known @ matrix - wanted[0]).max() <= _LARGEST_ERROR:
        return np.asarray(cv2.transform(bgr, matrix.T), dtype=np.uint8)
    exact = _exactly(bgr, icc_profile)
    return bgr if exact is None else exact


def by_profile(picture: Image.Image, icc_profile: bytes) -> Image.Image | None:
    """Convert a picture to sRGB exactly; None if its profile does not fit it."""
    from PIL import ImageCms  # noqa: PLC0415 - needed for profiles only

    try:
        return ImageCms.profileToProfile(
            picture,
            ImageCms.ImageCmsProfile(io.BytesIO(icc_profile)),
            ImageCms.createProfile("sRGB"),
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError):
        return None


def _exactly(bgr: ByteArray, icc_profile: bytes) -> ByteArray | None:
    from PIL import Image  # noqa: PLC0415 - needed for profiles only

    rgb = np.ascontiguousarray(bgr[:, :, ::-1])
    converted = by_profile(Image.fromarray(rgb), icc_profile)
    if converted is None:
        return None
    return np.ascontiguousarray(np.asarray(converted, dtype=np.uint8)[:, :, ::-1])
