"""Photos of every kind are read upright, and the rest refused in a sentence."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from conftest import write_picture
from PIL import Image, ImageCms

from weldsection.errors import PhotoError
from weldsection.photo import read_photo
from weldsection.photo.complaints import caught
from weldsection.photo.exif import ExifFacts, exif_facts, focal_length_px
from weldsection.photo.jpeg import jpeg_parts
from weldsection.photo.read import turned_upright
from weldsection.records import ByteArray

pillow_heif.register_heif_opener()

# EXIF value -> what Pillow does to the upright picture to store it that way;
# outside check: Pillow's own exif_transpose is the inverse of each
STORED_AS = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@pytest.fixture(scope="module")
def small(plate_picture: ByteArray) -> ByteArray:
    """The picture of a plate, 125 rows by 350 columns, to be quick."""
    return cv2.resize(plate_picture, (350, 125), interpolation=cv2.INTER_AREA)


def as_pillow(picture: ByteArray) -> Image.Image:
    """Give a blue-green-red picture as Pillow has it."""
    return Image.fromarray(np.ascontiguousarray(picture[:, :, ::-1]))


def difference(path: Path, picture: ByteArray) -> float:
    """Mean difference in grey levels between a file as read and a picture."""
    read = read_photo(path).bgr
    assert read.shape == picture.shape
    assert read.dtype == np.uint8
    return float(np.abs(read.astype(float) - picture).mean())


# ------------------------------------------------------------------ orientation


@pytest.mark.parametrize("orientation", STORED_AS)
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
def test_every_exif_orientation_comes_upright(
    tmp_path: Path, small: ByteArray, orientation: int, suffix: str
) -> None:
    """Whichever way the camera was held, the pixels come out the same."""
    stored = as_pillow(small)
    if STORED_AS[orientation] is not None:
        stored = stored.transpose(STORED_AS[orientation])
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"turned{suffix}"
    stored.save(path, exif=exif, quality=95)

    assert difference(path, small) < 2


@pytest.mark.parametrize("orientation", STORED_AS)
def test_turning_agrees_with_another_library(orientation: int) -> None:
    """Pillow's exif_transpose turns a small array the same way."""
    stored = np.arange(24, dtype=np.uint8).reshape(2, 4, 3)
    picture = Image.fromarray(stored)
    way = {5: 5, 6: 4, 7: 6, 8: 2, 2: 0, 3: 3, 4: 1}.get(orientation)
    turned = picture if way is None else picture.transpose(Image.Transpose(way))

    assert np.array_equal(turned_upright(stored, orientation), np.asarray(turned))


def test_heic_turned_by_its_container_is_not_turned_twice(
    tmp_path: Path, small: ByteArray
) -> None:
    """A rotation box in the head of the file makes the EXIF tag void."""
    exif = Image.Exif()
    exif[0x0112] = 6
    path = tmp_path / "phone.heic"
    as_pillow(small).save(path, exif=exif, quality=90)
    turned = read_photo(path).shape
    # a box of 8 bytes that decoders skip, but named as the rotation box is
    path.write_bytes(path.read_bytes() + b"\0\0\0\x08irot")

    assert turned == (350, 125)
    assert read_photo(path).shape == (125, 350)


# ------------------------------------------------------------------------ kinds


@pytest.mark.parametrize("mode", ["RGB", "L", "RGBA", "LA", "CMYK", "P"])
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_every_kind_of_pixel_is_read(
    tmp_path: Path, small: ByteArray, mode: str, suffix: str
) -> None:
    """Grey, colour, transparent, palette and CMYK show the same plate."""
    holds = {".jpg": "RGB L CMYK", ".png": "RGB L RGBA LA P"}
    if mode not in holds.get(suffix, "RGB L RGBA LA CMYK P").split():
        pytest.skip(f"{suffix} files have no {mode} pixels")
    picture = as_pillow(small)
    converted = picture.quantize(256) if mode == "P" else picture.convert(mode)
    path = tmp_path / f"plate{suffix}"
    converted.save(path, **({"quality": 95} if suffix == ".jpg" else {}))

    # a palette has 256 colours, and grey has none
    assert difference(path, small) < (12 if mode in ("L", "LA", "P") else 3)


def test_transparent_parts_are_white(tmp_path: Path, small: ByteArray) -> None:
    """What was cut away in a picture program becomes a white ground."""
    picture = as_pillow(small).convert("RGBA")
    picture.putalpha(0)
    picture.paste((100, 100, 100, 255), (75, 50, 125, 75))
    picture.save(tmp_path / "cut-out.png")

    bgr = read_photo(tmp_path / "cut-out.png").bgr

    assert bgr[0, 0].tolist() == [255, 255, 255]
    assert bgr[60, 100].tolist() == [100, 100, 100]


@pytest.mark.parametrize("suffix", [".tif", ".png"])
@pytest.mark.parametrize("grey", [False, True], ids=["colour", "grey"])
def test_sixteen_bits_become_eight(
    tmp_path: Path, small: ByteArray, suffix: str, grey: bool
) -> None:
    """65535 is white as 255 is: every level is divided by 257."""
    wide = small.astype(np.uint16) * 257
    wide = wide[:, :, 1] if grey else wide
    cv2.imwrite(str(tmp_path / f"wide{suffix}"), wide)
    expected = small[:, :, [1, 1, 1]] if grey else small

    assert difference(tmp_path / f"wide{suffix}", expected) == 0


def profile_with(colorants: dict[bytes, tuple[float, float, float]]) -> bytes:
    """Give sRGB's profile with other primary colours, under another name.

    ICC.1:2010: the tag table stands at byte 128, and the numbers of an XYZ tag
    eight bytes behind its start, as fixed point with 16 binary places.
    """
    profile = bytearray(
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    )
    for name in (b"sRGB", "sRGB".encode("utf-16-be")):
        profile = profile.replace(name, name.replace(b"s", b"z"))
    (count,) = struct.unpack(">I", profile[128:132])
    for at in range(132, 132 + 12 * count, 12):
        tag, start, _ = struct.unpack(">4sII", profile[at : at + 12])
        if tag in colorants:
            fixed = [round(v * 65536) for v in colorants[tag]]
            profile[start + 8 : start + 20] = struct.pack(">3i", *fixed)
    return bytes(profile)


# Colorants of the wide colour space most phones use, adapted to D50, as stand in
# the profiles they embed; and sRGB's own with red and green exchanged.
WIDE = {
    b"rXYZ": (0.51512, 0.2412, -0.00105),
    b"gXYZ": (0.29198, 0.69225, 0.04189),
    b"bXYZ": (0.1571, 0.06657, 0.78407),
}
EXCHANGED = {
    b"rXYZ": (0.38515, 0.71687, 0.09708),
    b"gXYZ": (0.43607, 0.22249, 0.01392),
}


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_a_foreign_colour_profile_is_converted(
    tmp_path: Path, small: ByteArray, suffix: str
) -> None:
    """A profile that exchanges red and green exchanges them in what is read."""
    path = tmp_path / f"profiled{suffix}"
    as_pillow(small).save(path, icc_profile=profile_with(EXCHANGED), quality=95)

    assert difference(path, small[:, :, [0, 2, 1]]) < 3


@pytest.mark.parametrize("colours", ["few", "all"])
def test_a_phone_profile_is_converted_as_littlecms_does(
    tmp_path: Path, small: ByteArray, colours: str
) -> None:
    """Outside check: LittleCMS, by Pillow, on every pixel; within 4 of 255.

    A picture of all colours at once is more than one matrix can do, so it
    takes the exact way; the way must make no difference to see.
    """
    if colours == "all":
        levels = np.arange(0, 256, 15, dtype=np.uint8)
        grid = np.stack(np.meshgrid(levels, levels, levels), axis=-1)
        small = np.tile(grid.reshape(-1, 18 * 18, 3)[:, :300], (8, 1, 1))
    path = tmp_path / "phone.png"
    as_pillow(small).save(path, icc_profile=profile_with(WIDE))
    expected = ImageCms.profileToProfile(
        as_pillow(small),
        ImageCms.ImageCmsProfile(io.BytesIO(profile_with(WIDE))),
        ImageCms.createProfile("sRGB"),
    )

    read = read_photo(path).bgr.astype(int)
    assert np.abs(read - np.asarray(expected)[:, :, ::-1]).max() <= 4


def test_an_srgb_profile_changes_nothing(tmp_path: Path, small: ByteArray) -> None:
    """A picture that says it is sRGB is taken as it is."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    as_pillow(small).save(tmp_path / "a.jpg", icc_profile=srgb, quality=95)
    as_pillow(small).save(tmp_path / "b.jpg", quality=95)

    read = [read_photo(tmp_path / name).bgr for name in ("a.jpg", "b.jpg")]
    assert np.array_equal(*read)


def test_a_broken_profile_is_passed_over(tmp_path: Path, small: ByteArray) -> None:
    """A profile nobody can read costs the conversion, not the picture."""
    path = tmp_path / "broken.png"
    as_pillow(small).save(path, icc_profile=b"no profile at all")

    assert difference(path, small) == 0


def test_data_behind_the_picture_are_passed_over(photo_file: Path) -> None:
    """Phones hang films and depth maps behind the end of a JPEG."""
    before = read_photo(photo_file).bgr
    photo_file.write_bytes(photo_file.read_bytes() + b"\xff\xd8film" * 500)

    assert np.array_equal(read_photo(photo_file).bgr, before)


# ------------------------------------------------------------------------ origin


def test_origin_says_what_the_file_is(tmp_path: Path, small: ByteArray) -> None:
    """Digest, size, camera, time and focal length are kept with the photo."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Maker", "Model 3", 8
    exif.get_ifd(0x8769).update({0x9003: "2026:03:14 09:26:53", 0xA405: 26})
    path = tmp_path / "whole.jpg"
    picture = as_pillow(small).transpose(Image.Transpose.ROTATE_270)
    picture.save(path, exif=exif)

    origin = read_photo(path).origin

    assert origin.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (origin.width_px, origin.height_px) == (350, 125)
    assert origin.exif_orientation == 8
    assert origin.camera == "Maker Model 3"
    assert origin.taken == "2026:03:14 09:26:53"
    # 26 mm on a frame of 43.27 mm diagonal, the picture's being 371.7 px
    assert origin.focal_length_px == pytest.approx(223.3, abs=0.1)


def test_focal_length_from_the_sensor(photo_file: Path) -> None:
    """6 mm at 400 px/mm of sensor are 2400 px, and half of it at half size."""
    facts = ExifFacts(
        focal_length_mm=6.0, plane_px_per_mm=400.0, original_size_px=(4000, 3000)
    )

    assert focal_length_px(facts, 4000, 3000) == pytest.approx(2400)
    assert focal_length_px(facts, 1500, 2000) == pytest.approx(1200)
    assert focal_length_px(facts, 4000, 2250) is None  # cropped
    assert read_photo(photo_file).origin.focal_length_px is None


@pytest.mark.parametrize("cut", range(8, 60, 5))
def test_a_broken_exif_block_is_no_obstacle(cut: int) -> None:
    """Whatever is left of a block, reading it gives facts and no error."""
    exif = Image.Exif()
    exif[0x0110], exif[0x0112] = "Model", 6
    block = exif.tobytes()[:cut]

    assert exif_facts(block).orientation in (1, 6)


# ----------------------------------------------------------------------- refusal


def test_text_with_a_picture_ending(tmp_path: Path) -> None:
    """A text file renamed to .jpg is told apart by what is in it."""
    path = tmp_path / "notes.jpg"
    path.write_text("bead 1: 140 A")

    with pytest.raises(PhotoError, match=r"notes.jpg is not a picture"):
        read_photo(path)


def test_missing_folder_and_empty(tmp_path: Path) -> None:
    """What is no file at all is called by its name."""
    (tmp_path / "empty.jpg").touch()
    for name, words in [
        ("missing.jpg", "There is no file"),
        ("", "is a folder"),
        ("empty.jpg", "is empty"),
        ("a\0b.jpg", "check its name"),
    ]:
        with pytest.raises(PhotoError, match=words):
            read_photo(tmp_path / name)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A named pipe would block for ever."""
    os.mkfifo(tmp_path / "pipe.jpg")

    with pytest.raises(PhotoError, match="is not a file"):
        read_photo(tmp_path / "pipe.jpg")


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95, 0.9999])
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
def test_a_file_cut_short_is_refused(
    tmp_path: Path, small: ByteArray, suffix: str, share: float
) -> None:
    """Half a picture must not be measured as if the rest were grey."""
    path = tmp_path / f"cut{suffix}"
    compression = {"compression": "tiff_lzw"} if suffix == ".tif" else {}
    as_pillow(small).save(path, **compression)
    data = path.read_bytes()
    path.write_bytes(data[: min(int(len(data) * share), len(data) - 40)])

    with pytest.raises(PhotoError, match=r"^cut\.\w+ "):
        read_photo(path)


def test_a_jpeg_filled_up_with_zeros_is_refused(photo_file: Path) -> None:
    """A copy that broke off can have its full length, but no end marker."""
    data = photo_file.read_bytes()
    photo_file.write_bytes(data[: len(data) // 2].ljust(len(data), b"\0"))

    with pytest.raises(PhotoError, match="cut short"):
        read_photo(photo_file)


# ways to write a JPEG, in words of Pillow
JPEG_KINDS = {
    "baseline": {},
    "progressive": {"progressive": True},
    "with restarts": {"restart_marker_blocks": 10},
    "full colour": {"subsampling": 0},
}
# what happens to copies: each takes the data and a place in the scan
DAMAGE = {
    "cut, end put back": lambda data, at: data[:at] + b"\xff\xd9",
    "bytes missing": lambda data, at: data[:at] + data[at + 900 :],
    "another file's bytes": lambda data, at: (
        data[:at] + b"not of this picture " * 200 + data[at + 4000 :]
    ),
}


@pytest.fixture(params=JPEG_KINDS)
def jpeg(
    request: pytest.FixtureRequest, tmp_path: Path, plate_picture: ByteArray
) -> Path:
    """A JPEG file of each kind, with noise as of a camera."""
    path = tmp_path / "photo.jpg"
    noise = np.random.default_rng(5).normal(0, 6, plate_picture.shape)
    noisy = np.clip(plate_picture + noise, 0, 255).astype(np.uint8)
    as_pillow(noisy).save(path, quality=90, **JPEG_KINDS[request.param])
    return path


def test_a_whole_jpeg_raises_no_doubt(jpeg: Path) -> None:
    """Of every kind; bytes too many before the end are common and do no harm."""
    data = jpeg.read_bytes()
    whole = read_photo(jpeg).bgr
    jpeg.write_bytes(data[:-2] + bytes(7) + data[-2:])

    np.testing.assert_array_equal(read_photo(jpeg).bgr, whole)


@pytest.mark.parametrize("share", [0.35, 0.8])
def test_a_jpeg_cut_with_its_end_put_back_is_refused(
    jpeg: Path, share: float, capfd: pytest.CaptureFixture[str]
) -> None:
    """The decoder's own complaint becomes our sentence and is not printed."""
    data = jpeg.read_bytes()
    jpeg.write_bytes(DAMAGE["cut, end put back"](data, int(share * len(data))))

    with pytest.raises(PhotoError, match=r"^photo\.jpg is damaged"):
        read_photo(jpeg)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("damage", ["bytes missing", "another file's bytes"])
@pytest.mark.parametrize("share", [0.35, 0.8])
@pytest.mark.parametrize(
    "jpeg", ["baseline", "with restarts", "full colour"], indirect=True
)
def test_a_jpeg_with_damaged_data_is_refused(
    jpeg: Path, damage: str, share: float
) -> None:
    """The end marker is there, but a block of the disk before it is not."""
    data = jpeg.read_bytes()
    jpeg.write_bytes(DAMAGE[damage](data, int(share * len(data))))

    with pytest.raises(PhotoError, match=r"^photo\.jpg is damaged"):
        read_photo(jpeg)


def test_what_others_say_meanwhile_is_passed_on(
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Only the decoder's line is kept back."""
    with caught() as complaints:
        os.write(2, b"another library\nCorrupt JPEG data: bad Huffman code\n")

    assert complaints.data_lost
    assert capfd.readouterr().err == "another library\n"


def test_a_photo_is_read_where_there_is_no_standard_error(photo_file: Path) -> None:
    """As in a program without a terminal, where the handle is closed."""
    code = (
        "import os, sys; os.close(2); from weldsection.photo import read_photo; "
        "sys.exit(read_photo(sys.argv[1]).bgr.ndim)"
    )
    ran = subprocess.run([sys.executable, "-c", code, photo_file], check=False)

    assert ran.returncode == 3


def test_a_thumbnail_does_not_hide_a_cut(tmp_path: Path, small: ByteArray) -> None:
    """The end marker of the thumbnail in the EXIF block is not the picture's."""
    thumbnail = io.BytesIO()
    as_pillow(small).resize((70, 25)).save(thumbnail, "JPEG")
    exif = b"Exif\0\0II*\0\x08\0\0\0\0\0\0\0\0\0" + thumbnail.getvalue()
    path = tmp_path / "whole.jpg"
    as_pillow(small).save(path, exif=exif)
    data = path.read_bytes()

    assert jpeg_parts(data).complete
    assert not jpeg_parts(data[:-500]).complete


def bomb(width: int, height: int) -> bytes:
    """Give a PNG of a few kilobytes that claims to be huge."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = chunk(b"IDAT", zlib.compress(bytes(10_000_000)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + body + chunk(b"IEND", b"")


@pytest.mark.parametrize("side", [11_000, 40_000, 2_000_000])
def test_a_decompression_bomb_is_refused_at_once(tmp_path: Path, side: int) -> None:
    """The size a file claims is looked at before any of it is unpacked."""
    (tmp_path / "bomb.png").write_bytes(bomb(side, side))
    start = time.perf_counter()

    with pytest.raises(PhotoError, match=r"bomb.png is .*save a smaller copy"):
        read_photo(tmp_path / "bomb.png")

    assert time.perf_counter() - start < 1


def test_a_huge_jpeg_is_refused_by_its_header(tmp_path: Path) -> None:
    """65 000 by 65 000 pixels would take 12 GB."""
    data = cv2.imencode(".jpg", np.zeros((200, 200, 3), np.uint8))[1].tobytes()
    at = data.index(b"\xff\xc0") + 5
    huge = data[:at] + struct.pack(">HH", 65000, 65000) + data[at + 4 :]
    (tmp_path / "huge.jpg").write_bytes(huge)

    with pytest.raises(PhotoError, match="the limit is 120 megapixels"):
        read_photo(tmp_path / "huge.jpg")


@pytest.mark.parametrize(
    ("size", "level", "words"),
    [
        ((1, 1), 90, "is only 1 x 1 pixels"),
        ((400, 99), 90, "needs at least 100 on each side"),
        ((400, 300), 0, "is all black"),
        ((400, 300), 255, "is all white"),
        ((400, 300), 128, "is one even tone"),
    ],
)
def test_a_picture_of_nothing_is_refused(
    tmp_path: Path, size: tuple[int, int], level: int, words: str
) -> None:
    """Tiny, black, white and even pictures show no coupon."""
    picture = np.full((size[1], size[0], 3), level, np.uint8)
    for suffix in (".jpg", ".png"):
        path = write_picture(tmp_path / f"nothing{suffix}", picture)
        with pytest.raises(PhotoError, match=words):
            read_photo(path)


@pytest.mark.parametrize("seed", range(30))
def test_spoilt_bytes_give_a_picture_or_a_sentence(
    tmp_path: Path, small: ByteArray, seed: int
) -> None:
    """No damage to a file ends in anything but a photo or a PhotoError."""
    dice = np.random.default_rng(seed)
    suffix = [".jpg", ".png", ".tif", ".heic"][seed % 4]
    path = tmp_path / f"spoilt{suffix}"
    as_pillow(small).save(path)
    data = bytearray(path.read_bytes())
    for at in dice.integers(4, len(data), 20):
        data[at] = dice.integers(256)
    path.write_bytes(data)

    try:
        read = read_photo(path)
    except PhotoError as error:
        assert str(error).startswith(path.name)
    else:
        assert read.bgr.dtype == np.uint8


def test_a_raw_file_is_named_as_such(tmp_path: Path, small: ByteArray) -> None:
    """A raw camera file holds a small preview first, which is not the photo."""
    path = tmp_path / "raw.tif"
    as_pillow(small).save(path, tiffinfo={0xC612: b"\x01\x04\0\0"})

    with pytest.raises(PhotoError, match="raw camera file"):
        read_photo(path)


def test_floating_point_pixels_are_refused(tmp_path: Path) -> None:
    """Nobody knows what black and white are in a floating point picture."""
    Image.fromarray(np.ones((200, 200), np.float32)).save(tmp_path / "f.tif")

    with pytest.raises(PhotoError, match=r"^f.tif: pixels are floating point"):
        read_photo(tmp_path / "f.tif")


def test_separate_planes_of_sixteen_bits_are_refused(
    tmp_path: Path, small: ByteArray
) -> None:
    """Pillow would give stripes without a word; tifffile writes such a file."""
    planes = small.astype(np.uint16).transpose(2, 0, 1) * 257
    path = tmp_path / "planes.tif"
    tifffile.imwrite(path, planes, planarconfig="separate", photometric="rgb")

    with pytest.raises(PhotoError, match="colours interleaved"):
        read_photo(path)
