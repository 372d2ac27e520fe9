"""Photos and pictures in and out: upright, 8-bit sRGB, whatever they came as."""

from __future__ import annotations

import contextlib
import io
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lacelay.errors import LacelayError, PhotoError
from lacelay.files.disk import missing_file, write_file

if TYPE_CHECKING:
    from PIL import Image

Picture = NDArray[np.uint8]
#: A phone of 200 megapixels is read; 250 takes 750 MB of memory and is no phone's.
LARGEST_PIXELS = 250_000_000
#: What is tried, so that a file of commands (PostScript, say) is never run.
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "BMP")
_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif")
_REMEDY = "Take the photo again, or copy it from the phone once more."
_size_guard = threading.Lock()


def open_photo(path: Path) -> Picture:
    """Decode a photo.

    JPEG, PNG, TIFF, WebP, BMP and HEIC are read. The orientation stored by the camera is
    applied, a colour profile is converted to sRGB (where it is broken, the colours are
    taken as they are), 16 bits become 8 by scale, grey and CMYK become RGB.

    Parameters
    ----------
    path : Path

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        Upright, red, green, blue.

    Raises
    ------
    MissingFileError
        When there is no such file or it may not be read.
    PhotoError
        When it is empty, damaged, not a photo, larger than 250 megapixels, or partly
        transparent.
    """
    try:
        if path.stat().st_size == 0:
            raise PhotoError(f"{path} is empty.", _REMEDY)
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as problem:
        raise missing_file(path, problem) from problem
    with warnings.catch_warnings():
        # A stray tag in a camera's notes is no trouble of hers.
        warnings.simplefilter("ignore")
        try:
            return _decode(path, head)
        except LacelayError:
            raise
        except MemoryError as problem:
            raise PhotoError(
                f"{path} needs more memory than there is.", "Close other programs, or shrink it."
            ) from problem
        except Exception as problem:  # decoders fail in every way there is on damaged bytes
            raise PhotoError(f"{path} is damaged or cut off ({problem}).", _REMEDY) from problem


def save_png(path: Path, picture: Picture) -> None:
    """Write a PNG, shape (h, w, 3) or (h, w, 4), whole or not at all.

    Raises
    ------
    WriteError
        When it cannot be written.
    """
    write_file(path, encode_png(picture))


def encode_png(picture: Picture) -> bytes:
    """Return the bytes of a PNG, the same for the same picture."""
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(buffer, "PNG", compress_level=3)
    return buffer.getvalue()


def save_jpeg(path: Path, picture: Picture, *, quality: int = 90) -> None:
    """Write a JPEG, shape (h, w, 3), whole or not at all.

    Raises
    ------
    WriteError
        When it cannot be written.
    """
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(buffer, "JPEG", quality=quality)
    write_file(path, buffer.getvalue())


def open_cutout(path: Path) -> Picture:
    """Decode a picture with transparency, shape (h, w, 4), as `save_png` wrote it.

    Raises
    ------
    MissingFileError, PhotoError
        When it is not there, or is no such picture.
    """
    from PIL import Image

    try:
        with _size_limit_lifted(), Image.open(path, formats=("PNG",)) as image:
            _hold_size(path, image.size)
            if image.mode != "RGBA":
                raise PhotoError(
                    f"{path} has no transparency, so it is not a lace cut out of its mat.",
                    "Read the photo again.",
                )
            return np.asarray(image)
    except LacelayError:
        raise
    except (FileNotFoundError, PermissionError, IsADirectoryError) as problem:
        raise missing_file(path, problem) from problem
    except Exception as problem:
        raise PhotoError(f"{path} is damaged or cut off.", "Read the photo again.") from problem


def _decode(path: Path, head: bytes) -> Picture:
    from PIL import Image, ImageOps, UnidentifiedImageError

    with _size_limit_lifted():
        if head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS:
            opened = _open_heif(path)
        else:
            try:
                opened = Image.open(path, formats=_FORMATS)
            except UnidentifiedImageError as problem:
                raise PhotoError(
                    f"{path} is not a photo.", "Give a JPEG, PNG, TIFF, WebP or HEIC photo."
                ) from problem
    with opened as image:
        _hold_size(path, image.size)
        image.load()
        profile = image.info.get("icc_profile")
        upright: Image.Image = image
        # A damaged orientation tag is ignored: the reader works at any angle.
        with contextlib.suppress(Exception):
            upright = ImageOps.exif_transpose(image)
        return np.ascontiguousarray(_to_srgb(path, upright, profile))


def _open_heif(path: Path) -> Image.Image:
    import pi_heif

    heif = pi_heif.open_heif(path, convert_hdr_to_8bit=True)
    _hold_size(path, heif.size)
    picture: Image.Image = heif.to_pillow()
    return picture


@contextlib.contextmanager
def _size_limit_lifted() -> Iterator[None]:
    """Lift Pillow's own size limit, which refuses a 200 megapixel phone, while opening."""
    from PIL import Image

    with _size_guard:
        before = Image.MAX_IMAGE_PIXELS
        Image.MAX_IMAGE_PIXELS = None
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = before


def _hold_size(path: Path, size: tuple[int, int]) -> None:
    width, height = size
    if width * height > LARGEST_PIXELS:
        raise PhotoError(
            f"{path} has {width * height / 1e6:.0f} megapixels, more than the 250 that are read.",
            "Save a smaller copy of it.",
        )


def _to_srgb(path: Path, image: Image.Image, profile: bytes | None) -> Picture:
    if image.mode.startswith("I"):
        return _from_deep_grey(path, np.asarray(image))
    if image.mode == "F":
        raise PhotoError(
            f"{path} stores decimal numbers, not a photo's colours.", "Save it as JPEG or PNG."
        )
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        image = _without_alpha(path, image)
    if image.mode in ("1", "P"):
        image = image.convert("RGB")
    if profile and image.mode in ("RGB", "L", "CMYK"):
        converted = _through_profile(image, profile)
        if converted is not None:
            return np.asarray(converted)
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"))


def _without_alpha(path: Path, image: Image.Image) -> Image.Image:
    with_alpha = image.convert("RGBA")
    lowest = with_alpha.getchannel("A").getextrema()[0]
    if not isinstance(lowest, int | float) or lowest < 250:
        raise PhotoError(
            f"{path} has transparent parts, so there is no mat under the lace.",
            "Give the photo as the camera took it.",
        )
    return with_alpha.convert("RGB")


def _through_profile(image: Image.Image, profile: bytes) -> Image.Image | None:
    """Convert to sRGB, or return None where the profile is broken or of another kind."""
    from PIL import ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        return ImageCms.profileToProfile(
            image,
            source,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None


def _from_deep_grey(path: Path, values: NDArray[np.generic]) -> Picture:
    """Grey of 16 bits to three channels of 8: 65535 is white."""
    deep = values.astype(np.int64)
    if deep.min() < 0 or deep.max() > 65535:
        raise PhotoError(
            f"{path} stores more than 16 bits a pixel, not a photo's grey.",
            "Save it as JPEG or PNG.",
        )
    grey = ((deep * 255 + 32767) // 65535).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)
