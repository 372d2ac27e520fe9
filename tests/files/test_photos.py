"""Photos of every kind: read as they look, or refused with the reason."""

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from lacelay.errors import MissingFileError, PhotoError
from lacelay.files.photos import open_cutout, open_photo, save_jpeg, save_png

RED, GREEN, BLUE = (220, 30, 40), (20, 160, 60), (30, 60, 200)


def _corners() -> Image.Image:
    """40 x 24 picture: red top left, green top right, blue bottom left, grey elsewhere."""
    image = Image.new("RGB", (40, 24), (128, 128, 128))
    image.paste(RED, (0, 0, 20, 12))
    image.paste(GREEN, (20, 0, 40, 12))
    image.paste(BLUE, (0, 12, 20, 24))
    return image


def _seen(picture: np.ndarray) -> list[tuple[int, ...]]:
    h, w = picture.shape[:2]
    return [tuple(picture[row, col]) for row in (3, h - 4) for col in (3, w - 4)]


TURNED = {  # how a camera stores the upright picture under each orientation number
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@pytest.mark.parametrize("orientation", TURNED)
def test_a_turned_photo_is_set_upright(tmp_path, orientation) -> None:
    stored = _corners()
    if (turn := TURNED[orientation]) is not None:
        stored = stored.transpose(turn)
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored.save(tmp_path / "photo.png", exif=exif)
    picture = open_photo(tmp_path / "photo.png")
    assert picture.shape == (24, 40, 3)
    assert _seen(picture) == [RED, GREEN, BLUE, (128, 128, 128)]


def test_16_bit_grey_is_scaled_not_clipped(tmp_path: Path) -> None:
    deep = np.linspace(0, 65535, 256).astype(np.uint16).reshape(16, 16)
    Image.fromarray(deep).save(tmp_path / "deep.png")
    picture = open_photo(tmp_path / "deep.png")
    assert picture.dtype == np.uint8
    assert picture[..., 0].ravel() == pytest.approx(np.arange(256), abs=1)


def test_16_bit_colour_is_scaled(tmp_path: Path) -> None:
    channels = np.array([[[0, 32768, 65535], [257 * 10, 257 * 100, 257 * 200]]], dtype=">u2")
    _write_png(tmp_path / "deep.png", channels)
    picture = open_photo(tmp_path / "deep.png")
    assert picture[0, 0] == pytest.approx([0, 128, 255], abs=1)
    assert picture[0, 1] == pytest.approx([10, 100, 200], abs=1)


def _write_png(path: Path, channels: np.ndarray) -> None:
    """Write a PNG of 16 bits a channel by hand (PNG, W3C, sections 5 and 11)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    h, w, _ = channels.shape
    rows = b"".join(b"\0" + channels[k].tobytes() for k in range(h))
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", w, h, 16, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("mode", ["L", "1", "P", "RGBA", "CMYK", "LA"])
def test_other_kinds_of_colour_become_rgb(tmp_path, mode) -> None:
    image = Image.new("L", (30, 20), 255)
    image.paste(0, (0, 0, 15, 20))
    ending = "tif" if mode == "CMYK" else "png"
    image.convert("RGB").convert(mode).save(tmp_path / f"photo.{ending}")
    picture = open_photo(tmp_path / f"photo.{ending}")
    assert picture.shape == (20, 30, 3)
    assert picture[10, 5].max() <= 2
    assert picture[10, 25].min() >= 253


def test_cmyk_jpeg_is_not_inverted(tmp_path: Path) -> None:
    Image.new("RGB", (64, 64), (250, 240, 235)).convert("CMYK").save(tmp_path / "print.jpg")
    assert open_photo(tmp_path / "print.jpg").mean() > 220


def test_transparent_parts_are_refused(tmp_path: Path) -> None:
    Image.new("RGBA", (30, 30), (255, 255, 255, 40)).save(tmp_path / "cut.png")
    with pytest.raises(PhotoError, match="transparent"):
        open_photo(tmp_path / "cut.png")


def test_colours_are_converted_by_the_profile(tmp_path: Path) -> None:
    lab_like = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    image = Image.new("RGB", (20, 20), (200, 40, 40))
    image.save(tmp_path / "srgb.png", icc_profile=lab_like.tobytes())
    assert open_photo(tmp_path / "srgb.png")[5, 5] == pytest.approx([200, 40, 40], abs=1)
    swapped = _swap_red_and_green(lab_like.tobytes())
    image.save(tmp_path / "swapped.png", icc_profile=swapped)
    assert open_photo(tmp_path / "swapped.png")[5, 5] == pytest.approx([40, 200, 40], abs=3)


def _swap_red_and_green(profile: bytes) -> bytes:
    """Exchange the tags rXYZ and gXYZ: a profile whose red is sRGB's green."""
    return (
        profile.replace(b"rXYZ", b"????", 1)
        .replace(b"gXYZ", b"rXYZ", 1)
        .replace(b"????", b"gXYZ", 1)
    )


def test_a_broken_profile_is_passed_over(tmp_path: Path) -> None:
    Image.new("RGB", (20, 20), (10, 20, 30)).save(tmp_path / "a.png", icc_profile=b"rubbish")
    assert tuple(open_photo(tmp_path / "a.png")[0, 0]) == (10, 20, 30)


def test_missing_empty_truncated_and_other_files_are_told(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="There is no file"):
        open_photo(tmp_path / "none.jpg")
    with pytest.raises(MissingFileError, match="is a folder"):
        open_photo(tmp_path)
    (tmp_path / "empty.jpg").touch()
    with pytest.raises(PhotoError, match="is empty"):
        open_photo(tmp_path / "empty.jpg")
    (tmp_path / "text.jpg").write_text("a shopping list")
    with pytest.raises(PhotoError, match="is not a photo"):
        open_photo(tmp_path / "text.jpg")
    (tmp_path / "commands.jpg").write_text("%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n")
    with pytest.raises(PhotoError, match="is not a photo"):
        open_photo(tmp_path / "commands.jpg")


@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "tif"])
def test_a_photo_cut_off_anywhere_is_told(tmp_path, ending) -> None:
    noise = np.random.default_rng(5).integers(0, 255, (200, 300, 3), dtype=np.uint8)
    whole = io.BytesIO()
    Image.fromarray(noise).save(whole, {"jpg": "JPEG", "tif": "TIFF"}.get(ending, ending.upper()))
    for share in (0.001, 0.01, 0.3, 0.9):
        cut = tmp_path / f"cut.{ending}"
        cut.write_bytes(whole.getvalue()[: int(len(whole.getvalue()) * share)])
        with pytest.raises(PhotoError):
            open_photo(cut)


def _claiming(path: Path, width: int, height: int, ending: str = "png") -> Path:
    """Write a picture of one grey that claims to be this large."""
    Image.new("1", (width, height)).save(path / f"large.{ending}")
    return path / f"large.{ending}"


def test_108_megapixels_are_read(tmp_path: Path) -> None:
    assert open_photo(_claiming(tmp_path, 12000, 9000)).shape == (9000, 12000, 3)


def test_more_than_250_megapixels_are_refused_before_decoding(tmp_path: Path) -> None:
    path = tmp_path / "large.png"

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    header = struct.pack(">IIBBBBB", 20000, 13000, 8, 2, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", b""))
    with pytest.raises(PhotoError, match="260 megapixels, more than the 250"):
        open_photo(path)


def test_the_size_limit_of_the_library_is_left_as_it_was(tmp_path: Path) -> None:
    before = Image.MAX_IMAGE_PIXELS
    save_png(tmp_path / "a.png", np.zeros((4, 4, 3), np.uint8))
    open_photo(tmp_path / "a.png")
    assert before == Image.MAX_IMAGE_PIXELS


def test_pictures_written_are_read(tmp_path: Path) -> None:
    rgba = np.random.default_rng(2).integers(0, 256, (30, 50, 4), dtype=np.uint8)
    save_png(tmp_path / "a.png", rgba)
    assert np.array_equal(open_cutout(tmp_path / "a.png"), rgba)
    flat = np.full((30, 50, 3), (200, 100, 50), np.uint8)
    save_jpeg(tmp_path / "a.jpg", flat)
    assert np.abs(open_photo(tmp_path / "a.jpg").astype(int) - flat).max() <= 3
    save_png(tmp_path / "b.png", flat)
    with pytest.raises(PhotoError, match="no transparency"):
        open_cutout(tmp_path / "b.png")
    with pytest.raises(MissingFileError):
        open_cutout(tmp_path / "c.png")


@pytest.mark.public
@pytest.mark.parametrize(
    ("name", "upright"),
    [
        ("orientation_Landscape_6.jpg", "wide"),
        ("orientation_Portrait_3.jpg", "tall"),
        ("orientation_Portrait_6.jpg", "tall"),
        ("orientation_Portrait_8.jpg", "tall"),
    ],
)
def test_public_photos_stand_upright(public_photos, name, upright) -> None:
    h, w, _ = open_photo(public_photos / name).shape
    assert (w > h) == (upright == "wide")


@pytest.mark.public
def test_public_portraits_are_one_picture(public_photos: Path) -> None:
    pictures = [
        np.asarray(
            Image.fromarray(open_photo(public_photos / f"orientation_Portrait_{k}.jpg")).resize(
                (60, 80)
            ),
            dtype=float,
        )
        for k in (3, 6, 8)
    ]
    assert np.abs(pictures[0] - pictures[1]).mean() < 8
    assert np.abs(pictures[0] - pictures[2]).mean() < 8


@pytest.mark.public
def test_public_phone_photo_is_upright(public_photos: Path) -> None:
    assert open_photo(public_photos / "phone.heic").shape == (4032, 3024, 3)


@pytest.mark.public
def test_public_16_bit_photo_has_its_full_range(public_photos: Path) -> None:
    picture = open_photo(public_photos / "sixteen_bit.png")
    assert picture.dtype == np.uint8
    assert picture.max() > 200
    assert picture.std() > 10
