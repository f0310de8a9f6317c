"""Pictures: photographs written anew from their points, without what came with them, and their
thumbnails.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any, Final

from PIL import Image, ImageCms, ImageOps, JpegImagePlugin

from kitwright.web.edge.problems import Refusal

MOST_POINTS: Final = 50_000_000
"""The most points of a picture: decoded, it takes four bytes for each."""
MOST_SIDE: Final = 16_383
"""The most points along a side: WebP has no longer one."""
THUMBNAIL_SIDE: Final = 320
"""The longer side of a thumbnail, in points."""
THUMBNAIL_MEDIA: Final = "image/jpeg"
_FORMATS: Final = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}
"""Media type -> its name in the library, which tries no other format."""
_MOST_PROFILE: Final = 1024 * 1024
"""The largest colour profile that is read, in bytes."""
_QUALITY: Final = 88
_THUMBNAIL_QUALITY: Final = 80
_DEEP: Final = frozenset({"I", "I;16", "I;16B", "I;16L", "F"})
"""Modes of grey pictures with 16 bits a point."""
_UNREADABLE: Final = (OSError, SyntaxError, ValueError, TypeError, EOFError, IndexError, KeyError)
"""What the library raises for a picture that it can't decode; it names no errors of its own."""
_TURNED: Final = "the picture can't be decoded: it is cut off or damaged; send the whole file"
_one_at_a_time: Final = Lock()
"""Held while a picture is decoded: a large one takes 200 MB, and as much again to be turned."""

Image.MAX_IMAGE_PIXELS = MOST_POINTS


def reprinted(data: bytes, media: str, most: int) -> bytes:
    """Return a picture written anew from its points, upright and in the same format.

    Nothing else of the file is in it: no EXIF, place, comment, preview, colour profile (the colours
    are converted to sRGB) or appended bytes. It has 8 bits for each colour. A picture that was
    written by this function does not change in PNG.

    Args:
        most: the most bytes that the result may have.

    Raises: Refusal: wrong-media-type, if it can't be decoded or has several frames; body-too-large.
    """
    with _one_at_a_time, _unwarned():
        picture = _opened(data, media)
        # a photograph for a viewer of stereo pictures has a second one behind the first
        if media != "image/jpeg" and getattr(picture, "n_frames", 1) > 1:
            raise Refusal("wrong-media-type", "the picture has several frames: send a single one")
        how = _as_it_was(picture, data)
        written = _written(_plain(_decoded(picture)), media, **how)
    if len(written) > most:
        raise Refusal(
            "body-too-large",
            f"the picture has {len(written)} bytes once it is written without metadata, "
            f"at most {most} are allowed: send a smaller one",
        )
    return written


def thumbnail_of(data: bytes, media: str) -> bytes:
    """Return a JPEG of a picture, upright and at most 320 points wide and high, without metadata.

    Raises: Refusal: wrong-media-type, body-too-large, for a picture that is not decoded.
    """
    with _one_at_a_time, _unwarned():
        picture = _opened(data, media)
        # a JPEG is decoded at an eighth of its size at least, if that is enough
        picture.draft("RGB", (THUMBNAIL_SIDE, THUMBNAIL_SIDE))
        plain = _plain(_decoded(picture))
        plain.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE))
        if plain.mode == "RGBA":
            paper = Image.new("RGB", plain.size, "white")
            paper.paste(plain, mask=plain)
            plain = paper
        return _written(plain, THUMBNAIL_MEDIA, quality=_THUMBNAIL_QUALITY)


@contextmanager
def _unwarned() -> Iterator[None]:
    """Make too many points an error, before any is decoded, and stay silent about broken EXIF."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        yield


def _opened(data: bytes, media: str) -> Image.Image:
    """Return a picture of which only the head was read. Raises: Refusal."""
    try:
        picture = Image.open(io.BytesIO(data), formats=(_FORMATS[media],))
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise _too_large(None) from None
    except _UNREADABLE:
        raise Refusal("wrong-media-type", _TURNED) from None
    if max(picture.size) > MOST_SIDE or picture.width * picture.height > MOST_POINTS:
        raise _too_large(picture.size)
    return picture


def _too_large(size: tuple[int, int] | None) -> Refusal:
    found = "more" if size is None else f"{size[0]} by {size[1]}"
    return Refusal(
        "body-too-large",
        f"the picture has {found} points: at most {MOST_POINTS} in all, and {MOST_SIDE} along "
        "a side, are decoded; send a smaller one",
    )


def _decoded(picture: Image.Image) -> Image.Image:
    """Return all points of a picture, upright. Raises: Refusal."""
    try:
        picture.load()
        return ImageOps.exif_transpose(picture)
    except _UNREADABLE:
        raise Refusal("wrong-media-type", _TURNED) from None


def _shallow(picture: Image.Image) -> Image.Image:
    """Return a picture with 8 bits for each colour."""
    if picture.mode not in _DEEP:
        return picture
    # a plain conversion would make everything brighter than 255 white
    return picture.point(lambda point: point * (1 / 256)).convert("L")


def _plain(picture: Image.Image) -> Image.Image:
    """Return a picture in grey, RGB or RGBA of sRGB, with nothing but its points."""
    shallow = _shallow(picture)
    profile = shallow.info.get("icc_profile")
    has_alpha = shallow.has_transparency_data
    wanted = "L" if shallow.mode in ("1", "L") and not has_alpha else "RGB"
    wanted = "RGBA" if has_alpha else wanted
    if isinstance(profile, bytes) and len(profile) <= _MOST_PROFILE:
        shallow = _in_srgb(shallow, profile, wanted)
    plain = shallow if shallow.mode == wanted else shallow.convert(wanted)
    # the library would write some of it into the new file
    plain.info = {}
    return plain


def _in_srgb(picture: Image.Image, profile: bytes, wanted: str) -> Image.Image:
    """Return a picture with its colours in sRGB; as it is, if its profile is of no use."""
    if picture.mode not in ("RGB", "RGBA", "CMYK") or wanted == "L":
        return picture
    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        mode = "RGBA" if picture.mode == "RGBA" else "RGB"
        found = ImageCms.profileToProfile(
            picture, own, ImageCms.createProfile("sRGB"), outputMode=mode
        )
    except (ImageCms.PyCMSError, *_UNREADABLE):
        return picture
    return picture if found is None else found


def _as_it_was(picture: Image.Image, data: bytes) -> dict[str, Any]:
    """Return how a picture is to be written so that it loses as little as possible."""
    if picture.format == "PNG":
        return {}
    if picture.format == "WEBP":
        return {"quality": _QUALITY, "lossless": data[12:16] == b"VP8L"}
    tables = getattr(picture, "quantization", None)
    if not tables or picture.mode not in ("L", "RGB"):
        return {"quality": _QUALITY}
    return {"qtables": tables, "subsampling": JpegImagePlugin.get_sampling(picture)}


def _written(picture: Image.Image, media: str, **how: Any) -> bytes:
    file = io.BytesIO()
    try:
        picture.save(file, _FORMATS[media], **how)
    except _UNREADABLE:
        # tables that no encoder takes
        file = io.BytesIO()
        picture.save(file, _FORMATS[media], quality=_QUALITY)
    return file.getvalue()
