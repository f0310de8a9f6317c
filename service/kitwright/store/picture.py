"""Picture: recognises the type of a picture by the structure of its bytes, never by its name.

Only formats that a browser displays without running anything in them: JPEG (ITU-T T.81), PNG (W3C),
WebP (RFC 9649).
"""

from __future__ import annotations

import zlib
from typing import Final

_PNG: Final = b"\x89PNG\r\n\x1a\n"
_FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""JPEG markers that begin a frame, which states the picture's size."""
_LONE: Final = frozenset({0x01, *range(0xD0, 0xD8)})
"""JPEG markers without a length."""
_SCAN: Final = 0xDA
_END: Final = 0xD9


def kind_of(data: bytes) -> str | None:
    """Return the media type of a picture, or None if the bytes are not a picture, cut off or
    broken.

    The caller must limit the size of the file and of the picture.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg" if _is_jpeg(data) else None
    if data.startswith(_PNG):
        return "image/png" if _is_png(data) else None
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp" if _is_webp(data) else None
    return None


def _is_jpeg(data: bytes) -> bool:
    """Return whether there is a frame with a size, then a scan, then an end."""
    at, has_frame = 2, False
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return False
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker in _LONE:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4])
        if marker == _END or length < 2 or at + 2 + length > len(data):
            return False
        if marker == _SCAN:
            # cameras append previews and the like, so the end marker need not come last
            return has_frame and data.find(bytes((0xFF, _END)), at + 2 + length) > 0
        if marker in _FRAMES:
            # a height of zero is given after the scan, which no camera does
            has_frame = length >= 8 and all(
                int.from_bytes(data[at + start : at + start + 2]) for start in (5, 7)
            )
        at += 2 + length
    return False


def _is_png(data: bytes) -> bool:
    """Return whether there is a header with a size, picture data and an end, each chunk valid."""
    at, names = len(_PNG), list[bytes]()
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4])
        name, body, end = data[at + 4 : at + 8], at + 8, at + 8 + length
        check = data[end : end + 4]
        if len(check) < 4 or zlib.crc32(data[at + 4 : end]) != int.from_bytes(check):
            return False
        if not names and (
            (name, length) != (b"IHDR", 13)
            or not all(int.from_bytes(data[body + start : body + start + 4]) for start in (0, 4))
        ):
            return False
        names.append(name)
        at = end + 4
        if name == b"IEND":
            return b"IDAT" in names and at == len(data)
    return False


def _is_webp(data: bytes) -> bool:
    """Return whether the chunks fill the file to its end, and one of them is a picture."""
    if int.from_bytes(data[4:8], "little") != len(data) - 8:
        return False
    at, names = 12, list[bytes]()
    while at + 8 <= len(data):
        names.append(data[at : at + 4])
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        at += 8 + length + length % 2
    first = names[:1]
    return (
        at == len(data)
        and first in ([b"VP8 "], [b"VP8L"], [b"VP8X"])
        and any(name in (b"VP8 ", b"VP8L", b"ANMF") for name in names)
    )
