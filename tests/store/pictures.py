"""Small pictures, made by hand: no camera's, and no more than their form asks."""

from __future__ import annotations

import struct
import zlib


def chunk(name: bytes, body: bytes) -> bytes:
    check = zlib.crc32(name + body)
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", check)


def a_png(width: int = 1, height: int = 1) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"".join(bytes(width + 1) for _ in range(height)))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
    )


def segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body


def a_jpeg(width: int = 1, height: int = 1, *, note: bytes = b"") -> bytes:
    frame = struct.pack(">BHHB", 8, height, width, 1) + b"\x01\x11\x00"
    return (
        b"\xff\xd8"
        + segment(0xE0, b"JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00")
        + (segment(0xFE, note) if note else b"")
        + segment(0xC0, frame)
        + segment(0xDA, b"\x01\x01\x00\x00\x3f\x00")
        + b"\x00\xff\x00\x12"
        + b"\xff\xd9"
    )


def a_webp(name: bytes = b"VP8L", body: bytes = b"\x2f\x00\x00\x00\x00") -> bytes:
    padded = body + bytes(len(body) % 2)
    inner = b"WEBP" + name + struct.pack("<I", len(body)) + padded
    return b"RIFF" + struct.pack("<I", len(inner)) + inner
