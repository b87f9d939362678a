"""Make the picture in the README: ``python docs/make_example.py``."""

from __future__ import annotations

from pathlib import Path

import cv2

import weldsection

DOCS = Path(__file__).resolve().parent
SAMPLE = DOCS.parent / "sample_images" / "phone-card.jpg"
# Wide enough to be read on a page, small enough to travel with the project.
WIDTH_PX = 1600


def main() -> None:
    """Measure a sample and write its annotated picture, made smaller."""
    photo = weldsection.read_photo(SAMPLE)
    picture = weldsection.draw_overlay(photo, weldsection.measure(SAMPLE))
    height_px = round(picture.shape[0] * WIDTH_PX / picture.shape[1])
    small = cv2.resize(picture, (WIDTH_PX, height_px), interpolation=cv2.INTER_AREA)
    cv2.imwrite(
        str(DOCS / "overlay-example.jpg"), small, [cv2.IMWRITE_JPEG_QUALITY, 85]
    )


if __name__ == "__main__":
    main()
