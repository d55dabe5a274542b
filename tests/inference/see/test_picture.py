"""Every usable kind of picture gives the same upright RGB, everything else one plain line."""

import hashlib
import io
import os
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from fiberward.inference.see.picture import Picture, read_picture
from fiberward.model.errors import UnreadablePicture

# A picture whose pixels all differ, not square, so that a wrong turn or channel order shows.
HEIGHT, WIDTH = 6, 9
GREY = np.arange(HEIGHT * WIDTH, dtype=np.uint8).reshape(HEIGHT, WIDTH) * 4
COLOR = np.stack([GREY, 255 - GREY, GREY // 2], axis=2)
DEEP_COLOR = COLOR.astype(np.uint16) * 257
DEEP_GREY = GREY.astype(np.uint16) * 257
GREY_AS_COLOR = np.repeat(GREY[..., None], 3, axis=2)


def pillow(array: np.ndarray, form: str, mode: str | None = None, **options) -> bytes:
    file = io.BytesIO()
    Image.fromarray(array, mode).save(file, form, **options)
    return file.getvalue()


def tiff(array: np.ndarray, **options) -> bytes:
    file = io.BytesIO()
    tifffile.imwrite(file, array, **options)
    return file.getvalue()


def png_chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def deep_png(array: np.ndarray, *chunks: tuple[bytes, bytes]) -> bytes:
    """A 16-bit PNG written here by hand, after the PNG specification (filter 0 throughout)."""
    height, width = array.shape[:2]
    channels = 1 if array.ndim == 2 else array.shape[2]
    color_type = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    rows = array.astype(">u2").reshape(height, -1)
    raw = b"".join(b"\0" + row.tobytes() for row in rows)
    header = struct.pack(">IIBBBBB", width, height, 16, color_type, 0, 0, 0)
    body = [(b"IHDR", header), *chunks, (b"IDAT", zlib.compress(raw)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*each) for each in body)


def palette_png() -> bytes:
    image = Image.fromarray(COLOR).quantize(colors=256, dither=Image.Dither.NONE)
    file = io.BytesIO()
    image.save(file, "PNG")
    return file.getvalue()


def with_alpha(color: np.ndarray, full: int) -> np.ndarray:
    return np.dstack([color, np.full(color.shape[:2], full, color.dtype)])


def read(tmp_path: Path, data: bytes, name: str = "picture.any") -> Picture:
    path = tmp_path / name
    path.write_bytes(data)
    return read_picture(path)


# name of the case: bytes, expected RGB, words that a note must hold ("" = no note at all)
EXACT = {
    "8-bit colour PNG": (pillow(COLOR, "PNG"), COLOR, ""),
    "8-bit colour TIFF": (pillow(COLOR, "TIFF"), COLOR, ""),
    "8-bit colour TIFF, LZW": (pillow(COLOR, "TIFF", compression="tiff_lzw"), COLOR, ""),
    "8-bit BMP": (pillow(COLOR, "BMP"), COLOR, ""),
    "8-bit PPM": (pillow(COLOR, "PPM"), COLOR, ""),
    "lossless WebP": (pillow(COLOR, "WEBP", lossless=True), COLOR, ""),
    "grey PNG": (pillow(GREY, "PNG"), GREY_AS_COLOR, "grey"),
    "palette PNG": (palette_png(), COLOR, "palette"),
    "opaque RGBA": (pillow(with_alpha(COLOR, 255), "PNG"), COLOR, "opaque"),
    "opaque grey and alpha": (
        pillow(np.dstack([GREY, np.full_like(GREY, 255)]), "PNG", "LA"),
        GREY_AS_COLOR,
        "opaque",
    ),
    # 257 * v is v at full range, since 65535 = 257 * 255.
    "16-bit colour PNG": (deep_png(DEEP_COLOR), COLOR, "65535 is white"),
    "16-bit grey PNG": (deep_png(DEEP_GREY), GREY_AS_COLOR, "65535 is white"),
    "16-bit RGBA PNG": (deep_png(with_alpha(DEEP_COLOR, 65535)), COLOR, "opaque"),
    "16-bit colour TIFF": (tiff(DEEP_COLOR, photometric="rgb"), COLOR, "65535 is white"),
    "16-bit big-endian TIFF": (
        tiff(DEEP_COLOR, photometric="rgb", byteorder=">"),
        COLOR,
        "65535 is white",
    ),
    "16-bit planar TIFF": (
        tiff(np.moveaxis(DEEP_COLOR, 2, 0), photometric="rgb", planarconfig="separate"),
        COLOR,
        "65535 is white",
    ),
    "16-bit TIFF, zstd": (
        tiff(DEEP_COLOR, photometric="rgb", compression="zstd"),
        COLOR,
        "65535 is white",
    ),
    "16-bit grey TIFF": (tiff(DEEP_GREY, photometric="minisblack"), GREY_AS_COLOR, "grey"),
    "16-bit TIFF, 0 is white": (
        tiff(65535 - DEEP_GREY, photometric="miniswhite"),
        GREY_AS_COLOR,
        "inverted",
    ),
    "16-bit RGBA TIFF": (
        tiff(with_alpha(DEEP_COLOR, 65535), photometric="rgb", extrasamples=["unassalpha"]),
        COLOR,
        "opaque",
    ),
    "float TIFF, 0..1": (
        tiff((COLOR / 255).astype(np.float32), photometric="rgb"),
        COLOR,
        "1 is white",
    ),
    "float TIFF with a declared white level": (
        tiff(COLOR.astype(np.float32) * 4, photometric="rgb", extratags=[(341, "f", 1, 1020.0)]),
        COLOR,
        "1020 is white",
    ),
    # A 12-bit camera's samples: 4080 = 16 * 255.
    "12 bits in 16, declared by MaxSampleValue": (
        tiff(COLOR.astype(np.uint16) * 16, photometric="rgb", extratags=[(281, "H", 1, 4080)]),
        COLOR,
        "4080 is white",
    ),
    "32-bit TIFF with a declared white level": (
        tiff(COLOR.astype(np.uint32) * 1000, photometric="rgb", extratags=[(281, "I", 1, 255000)]),
        COLOR,
        "255000 is white",
    ),
}


@pytest.mark.parametrize("case", EXACT)
def test_every_usable_kind_gives_the_same_pixels(case: str, tmp_path: Path):
    data, expected, words = EXACT[case]
    picture = read(tmp_path, data)
    np.testing.assert_array_equal(picture.rgb, expected)
    assert picture.rgb.dtype == np.uint8
    if words:
        assert any(words in note for note in picture.notes), picture.notes
    else:
        assert picture.notes == ()


def test_the_file_is_known_by_the_hash_of_its_bytes(tmp_path: Path):
    data = pillow(COLOR, "PNG")
    assert read(tmp_path, data).sha256 == hashlib.sha256(data).hexdigest()


def test_a_jpeg_is_within_a_few_levels_of_what_was_written(tmp_path: Path):
    smooth = np.repeat(np.repeat(COLOR, 16, axis=0), 16, axis=1)
    picture = read(tmp_path, pillow(smooth, "JPEG", quality=95, subsampling=0))
    assert np.abs(picture.rgb.astype(int) - smooth).mean() < 2


def test_12_bits_left_unscaled_in_a_png_count_by_the_declared_significant_bits(tmp_path: Path):
    samples = COLOR.astype(np.uint16) * 16
    picture = read(tmp_path, deep_png(samples, (b"sBIT", bytes([12, 12, 12]))))
    # 255 * 16 v / 4095, rounded
    np.testing.assert_array_equal(picture.rgb, np.rint(samples * (255 / 4095)))


def test_12_bits_scaled_up_as_the_png_specification_asks_are_left_as_they_are(tmp_path: Path):
    picture = read(tmp_path, deep_png(DEEP_COLOR, (b"sBIT", bytes([12, 12, 12]))))
    np.testing.assert_array_equal(picture.rgb, COLOR)


def test_a_dark_16_bit_picture_is_not_stretched(tmp_path: Path):
    picture = read(tmp_path, deep_png(DEEP_COLOR // 16))
    assert picture.rgb.max() <= 16  # 255 / 16, rounded


def test_cmyk_is_converted_and_noted(tmp_path: Path):
    # Full cyan, magenta, yellow and black, and bare paper; RGB = (1 - ink)(1 - black).
    inks = np.array([[[255, 0, 0, 0], [0, 255, 0, 0], [0, 0, 255, 0]]], np.uint8)
    paper = np.array([[[0, 0, 0, 255], [0, 0, 0, 0], [0, 0, 0, 0]]], np.uint8)
    cmyk = np.concatenate([inks, paper])
    expected = [
        [[0, 255, 255], [255, 0, 255], [255, 255, 0]],
        [[0, 0, 0], [255, 255, 255], [255, 255, 255]],
    ]
    for data in (
        pillow(cmyk, "TIFF", "CMYK"),
        tiff(cmyk.astype(np.uint16) * 257, photometric="separated"),
    ):
        picture = read(tmp_path, data)
        np.testing.assert_array_equal(picture.rgb, expected)
        assert any("CMYK" in note for note in picture.notes)


def test_one_bit_is_converted_and_noted(tmp_path: Path):
    file = io.BytesIO()
    Image.fromarray(GREY > 100).save(file, "PNG")
    picture = read(tmp_path, file.getvalue())
    assert set(np.unique(picture.rgb)) == {0, 255}
    assert "1 bit" in picture.notes[0]


# A transparent pixel shows nothing; black counts as not seen, another colour could pass for clean.
def test_transparent_pixels_become_black_and_are_noted(tmp_path: Path):
    rgba = with_alpha(np.full_like(COLOR, 200), 255)
    rgba[0, 0, 3] = 0
    rgba[0, 1, 3] = 51  # a fifth
    for data in (pillow(rgba, "PNG"), deep_png(rgba.astype(np.uint16) * 257)):
        picture = read(tmp_path, data)
        assert picture.rgb[0, 0].tolist() == [0, 0, 0]
        assert picture.rgb[0, 1].tolist() == [40, 40, 40]
        assert picture.rgb[1, 1].tolist() == [200, 200, 200]
        assert any("transparent" in note for note in picture.notes)


def test_a_transparent_palette_entry_becomes_black(tmp_path: Path):
    indices = np.zeros((4, 4), np.uint8)
    indices[0, 0] = 1
    image = Image.fromarray(indices, "P")
    image.putpalette([10, 20, 30, 200, 200, 200])
    file = io.BytesIO()
    image.save(file, "PNG", transparency=1)
    picture = read(tmp_path, file.getvalue())
    assert picture.rgb[0, 0].tolist() == [0, 0, 0]
    assert picture.rgb[1, 1].tolist() == [10, 20, 30]


def oriented(form: str, orientation: int) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    if form == "deep PNG":
        # The eXIf chunk holds a TIFF header and one directory entry (PNG specification, eXIf).
        entry = struct.pack(">HHHIHHI", 1, 0x0112, 3, 1, orientation, 0, 0)
        return deep_png(DEEP_COLOR, (b"eXIf", b"MM\0*\0\0\0\x08" + entry))
    if form == "deep TIFF":
        tag = (274, "H", 1, orientation, False)
        return tiff(DEEP_COLOR, photometric="rgb", extratags=[tag])
    if form == "TIFF":
        return pillow(COLOR, form, tiffinfo={274: orientation})
    if form == "WEBP":
        return pillow(COLOR, form, exif=exif, lossless=True)
    if form == "JPEG":
        big = np.kron(COLOR, np.ones((16, 16, 1), np.uint8))
        return pillow(big, form, exif=exif, quality=95, subsampling=0)
    return pillow(COLOR, form, exif=exif)


# Exif 2.3, 4.6.4 A: where the stored row 0 and column 0 are seen. Each as numpy's own turns.
TURNS = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: np.swapaxes(a, 0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.rot90(np.swapaxes(a, 0, 1), 2),
    8: lambda a: np.rot90(a, 1),
}


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP", "deep PNG", "deep TIFF"])
@pytest.mark.parametrize("orientation", TURNS)
def test_the_orientation_is_applied_exactly_once(form: str, orientation: int, tmp_path: Path):
    picture = read(tmp_path, oriented(form, orientation))
    rgb = picture.rgb[8::16, 8::16] if form == "JPEG" else picture.rgb
    tolerance = 12 if form == "JPEG" else 0
    np.testing.assert_allclose(rgb.astype(int), TURNS[orientation](COLOR), atol=tolerance)
    assert any("upright" in note for note in picture.notes) == (orientation != 1)


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_impossible_orientation_is_left_alone(orientation: int, tmp_path: Path):
    np.testing.assert_array_equal(read(tmp_path, oriented("PNG", orientation)).rgb, COLOR)


@pytest.mark.parametrize("name", ["é 日本 ü.png", "no extension", "wrong.jpg", "new\nline.png"])
def test_any_name_will_do(name: str, tmp_path: Path):
    np.testing.assert_array_equal(read(tmp_path, pillow(COLOR, "PNG"), name).rgb, COLOR)


def test_a_name_that_is_not_unicode_will_do(tmp_path: Path):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff.png"))
    path.write_bytes(pillow(COLOR, "PNG"))
    np.testing.assert_array_equal(read_picture(path).rgb, COLOR)


@pytest.mark.parametrize("shape", [(1, 1, 3), (1, 5000, 3), (5000, 1, 3)])
def test_a_single_row_column_or_pixel_is_read(shape: tuple[int, ...], tmp_path: Path):
    assert read(tmp_path, pillow(np.zeros(shape, np.uint8), "PNG")).rgb.shape == shape


def frames(form: str) -> bytes:
    first, second = Image.fromarray(COLOR), Image.fromarray(255 - COLOR)
    file = io.BytesIO()
    first.save(file, form, save_all=True, append_images=[second])
    return file.getvalue()


def huge_png() -> bytes:
    header = struct.pack(">IIBBBBB", 200_000, 200_000, 8, 2, 0, 0, 0)
    body = png_chunk(b"IHDR", header) + png_chunk(b"IDAT", b"") + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


# name of the case: bytes, words that the one line must hold
REFUSED = {
    "empty": (b"", "empty"),
    "text": (b"dear reader, this is no picture\n" * 9, "not a picture of a kind"),
    "zeros": (bytes(5000), "not a picture of a kind"),
    "a PDF": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "not a picture of a kind"),
    "PNG signature alone": (b"\x89PNG\r\n\x1a\n", "not a picture of a kind"),
    "half a JPEG": (pillow(np.tile(COLOR, (30, 30, 1)), "JPEG")[:1500], "cut short"),
    "half a PNG": (pillow(COLOR, "PNG")[:-60], "cut short"),
    "half a TIFF": (pillow(np.tile(COLOR, (9, 9, 1)), "TIFF")[:400], ""),
    "half a 16-bit PNG": (deep_png(DEEP_COLOR)[:-60], "cut short"),
    "half a 16-bit TIFF": (tiff(DEEP_COLOR, photometric="rgb")[:-60], "cut short"),
    "animated GIF": (frames("GIF"), "2 frames"),
    "animated PNG": (frames("PNG"), "2 frames"),
    "animated WebP": (frames("WEBP"), "2 frames"),
    "TIFF of two pages": (frames("TIFF"), "2 pages"),
    "deep TIFF of two pages": (
        tiff(np.stack([DEEP_GREY, DEEP_GREY]), photometric="minisblack"),
        "2 pages",
    ),
    "40 gigapixels": (huge_png(), "pixels"),
    "float TIFF beyond 1": (tiff(GREY.astype(np.float32), photometric="minisblack"), "white level"),
    "float TIFF with NaN": (
        tiff(np.full((4, 4), np.nan, np.float32), photometric="minisblack"),
        "white level",
    ),
    "signed 16-bit TIFF": (tiff(DEEP_GREY.astype(np.int16), photometric="minisblack"), "white"),
    "complex TIFF": (tiff(GREY.astype(np.complex64), photometric="minisblack"), ""),
    "Lab TIFF": (pillow(COLOR, "TIFF", "LAB"), "not read"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_whatever_is_not_one_whole_picture_is_refused_in_one_line(case: str, tmp_path: Path):
    data, words = REFUSED[case]
    with pytest.raises(UnreadablePicture) as caught:
        read(tmp_path, data, "view 1.png")
    line = str(caught.value)
    assert line.startswith(str(tmp_path / "view 1.png"))
    assert words in line
    assert "\n" not in line


def test_a_missing_file_a_folder_and_a_pipe_are_refused_without_waiting(tmp_path: Path):
    os.mkfifo(tmp_path / "pipe")
    for name, words in (("gone.png", "no such file"), ("", "folder"), ("pipe", "regular file")):
        with pytest.raises(UnreadablePicture, match=words):
            read_picture(tmp_path / name)
    with pytest.raises(UnreadablePicture, match="cannot be read"):
        read_picture("nul\0byte.png")


def test_a_file_without_permission_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "locked.png"
    path.write_bytes(pillow(COLOR, "PNG"))

    # Root may read any file, so the refusal is made here.
    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(UnreadablePicture, match="no permission"):
        read_picture(path)


def test_a_camera_jpeg_with_a_preview_inside_gives_its_first_picture(tmp_path: Path):
    picture = read(tmp_path, frames("MPO"))
    assert picture.rgb.shape == COLOR.shape
    assert "first of the 2" in picture.notes[0]


def test_a_reduced_preview_page_in_a_tiff_does_not_count(tmp_path: Path):
    file = io.BytesIO()
    with tifffile.TiffWriter(file) as writer:
        writer.write(DEEP_COLOR, photometric="rgb")
        writer.write(DEEP_COLOR[::2, ::2], photometric="rgb", subfiletype=1)
    np.testing.assert_array_equal(read(tmp_path, file.getvalue()).rgb, COLOR)


def test_damage_in_a_png_never_passes_unnoticed(tmp_path: Path):
    noise = np.random.default_rng(5).integers(0, 256, (40, 40, 3), dtype=np.uint8)
    whole = pillow(noise, "PNG")
    start = whole.index(b"IDAT") + 12
    for at in range(start, len(whole) - 20, 97):
        broken = bytearray(whole)
        broken[at] ^= 0x55
        with pytest.raises(UnreadablePicture):
            read(tmp_path, bytes(broken))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_jpeg_that_ends_early_is_refused_even_if_closed_properly(share: float, tmp_path: Path):
    noise = np.random.default_rng(5).integers(0, 256, (160, 160, 3), dtype=np.uint8)
    whole = pillow(noise, "JPEG", quality=90)
    with pytest.raises(UnreadablePicture, match="cut short"):
        read(tmp_path, whole[: int(share * len(whole))] + b"\xff\xd9")


def stretched_tiff(data: bytes, rows: int) -> bytes:
    """Entries 257 and 278 (TIFF 6.0, ImageLength and RowsPerStrip) of one strip set to `rows`."""
    changed = bytearray(data)
    (first,) = struct.unpack_from("<I", changed, 4)
    for at in range(first + 2, first + 2 + 12 * struct.unpack_from("<H", changed, first)[0], 12):
        if struct.unpack_from("<H", changed, at)[0] in (257, 278):
            struct.pack_into("<HII", changed, at + 2, 4, 1, rows)
    return bytes(changed)


@pytest.mark.parametrize("packing", ["raw", "jpeg", "tiff_lzw", "tiff_adobe_deflate", "packbits"])
def test_a_tiff_that_holds_fewer_rows_than_it_says_is_refused(packing: str, tmp_path: Path):
    """A decoder would fill up with black."""
    whole = pillow(np.full((40, 32, 3), 90, np.uint8), "TIFF", compression=packing)
    assert read(tmp_path, whole).rgb.shape == (40, 32, 3)
    with pytest.raises(UnreadablePicture, match="damaged or cut short"):
        read(tmp_path, stretched_tiff(whole, 155))


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_a_png_that_holds_fewer_rows_than_it_says_is_refused(mode: str, tmp_path: Path):
    """The height in IHDR raised, its checksum put right (PNG specification, 11.2.2)."""
    buffer = io.BytesIO()
    Image.fromarray(np.full((40, 30, 3), 90, np.uint8)).convert(mode).save(buffer, "PNG")
    data = bytearray(buffer.getvalue())
    assert read(tmp_path, bytes(data)).rgb.shape == (40, 30, 3)
    data[20:24] = struct.pack(">I", 41)
    data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
    with pytest.raises(UnreadablePicture, match="damaged or cut short"):
        read(tmp_path, bytes(data))


@pytest.mark.parametrize("size_hw", [(1, 1), (3, 5), (8, 8), (13, 9)])
def test_an_interlaced_png_is_read(size_hw: tuple[int, int], tmp_path: Path):
    """Written by hand in the seven passes of the PNG specification, 8.2; Pillow writes none."""
    grey = np.arange(size_hw[0] * size_hw[1], dtype=np.uint8).reshape(size_hw)
    starts = ((0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2))
    rows = b"".join(
        b"\0" + row.tobytes()
        for y, x, dy, dx in (*starts, (1, 0, 2, 1))
        for row in grey[y::dy, x::dx]
        if row.size
    )

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    def png(packed: bytes) -> bytes:
        header = struct.pack(">IIBBBBB", size_hw[1], size_hw[0], 8, 0, 0, 0, 1)
        body = chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
        return b"\x89PNG\r\n\x1a\n" + body

    seen = read(tmp_path, png(zlib.compress(rows)))
    assert np.array_equal(seen.rgb[..., 0], grey)
    with pytest.raises(UnreadablePicture, match="damaged or cut short"):
        read(tmp_path, png(zlib.compress(rows[:-1])))


def test_a_jpeg_that_is_grey_all_over_is_whole(tmp_path: Path):
    grey = np.full((64, 64, 3), 128, np.uint8)
    assert (read(tmp_path, pillow(grey, "JPEG")).rgb == 128).all()


def test_the_original_stays_as_it_was(tmp_path: Path):
    data = oriented("PNG", 6)
    read(tmp_path, data)
    assert (tmp_path / "picture.any").read_bytes() == data


def test_the_pixels_cannot_be_written_to(tmp_path: Path):
    picture = read(tmp_path, pillow(COLOR, "PNG"))
    with pytest.raises(ValueError, match="read-only"):
        picture.rgb[0, 0] = 0


def test_a_picture_takes_only_8_bit_rgb():
    with pytest.raises(ValueError, match=r"expected uint8 \[H, W, 3\], got uint8 \[6, 9\]"):
        Picture(Path("a"), "", GREY)


@pytest.mark.long
def test_a_60_megapixel_16_bit_picture_is_read(tmp_path: Path):
    tile = np.tile(DEEP_COLOR, (1060, 1060, 1))[:6336, :9504]
    picture = read(tmp_path, tiff(tile, photometric="rgb"))
    assert picture.rgb.shape == (6336, 9504, 3)
    np.testing.assert_array_equal(picture.rgb[-HEIGHT:, :WIDTH], COLOR)


SEEDS = [data for data, *_ in EXACT.values()] + [
    *(data for data, _ in REFUSED.values() if len(data) > 8),
    *(oriented(form, 6) for form in ("JPEG", "WEBP", "deep PNG", "deep TIFF")),
]


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A real file with a few bytes changed, a piece cut out, or its end missing."""
    data = bytearray(draw(st.sampled_from(SEEDS)))
    for _ in range(draw(st.integers(0, 6))):
        data[draw(st.integers(0, len(data) - 1))] = draw(st.integers(0, 255))
    start = draw(st.integers(0, len(data)))
    end = draw(st.sampled_from([start, start + 1, start + 40, len(data)]))
    del data[start:end]
    return bytes(data)


@settings(max_examples=600, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=damaged() | st.binary(max_size=300))
def test_any_bytes_give_a_picture_or_one_plain_refusal(data: bytes, tmp_path: Path):
    line, size = "", 0
    try:
        size = read(tmp_path, data).rgb.size
    except UnreadablePicture as error:
        line = str(error)
    assert (size > 0) != (line != "")
    assert "\n" not in line


def test_pages_that_point_to_each_other_without_end_are_refused(tmp_path):
    """The first page names itself as the next one, as a turned bit can make it (TIFF 6.0)."""
    path = tmp_path / "ring.tif"
    tifffile.imwrite(path, np.zeros((8, 8), np.uint16))
    data = bytearray(path.read_bytes())
    (first,) = struct.unpack_from("<I", data, 4)
    (tags,) = struct.unpack_from("<H", data, first)
    struct.pack_into("<I", data, first + 2 + 12 * tags, first)
    path.write_bytes(data)
    with pytest.raises(UnreadablePicture):
        read_picture(path)
