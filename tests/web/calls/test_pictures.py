"""Pictures: what is taken out of them, what is refused, and their thumbnails.

What is left in a file is read here by its own structure, not by the library that wrote it.
"""

import io
import struct
import zlib
from collections.abc import Iterator
from typing import Any, Final

import pytest
from litestar.testing import TestClient
from PIL import Image, ImageCms
from tests.desks import Counter
from tests.web.calls.shop import JPEG, LEAKING_VALVE, add, kept, once, png, problem

from kitwright.web.calls.pictures import MOST_POINTS, MOST_SIDE, reprinted, thumbnail_of
from kitwright.web.edge.problems import Refusal

Client = TestClient[Any]
MOST: Final = 10 * 1024 * 1024
SECRET: Final = b"51.4778N-0.0015W"
FORMATS: Final = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}
BARE: Final = {
    # ITU-T T.81: application 0 (JFIF), tables, frames, scan
    "image/jpeg": {"ffe0", "ffdb", "ffc0", "ffc4", "ffda"},
    "image/png": {"IHDR", "IDAT", "IEND"},
    "image/webp": {"VP8 ", "VP8L", "VP8X", "ALPH"},
}
"""Media type -> the parts of a file that hold nothing but points."""


def coloured(mode: str = "RGB", size: tuple[int, int] = (24, 16)) -> Image.Image:
    """Return a picture that is red on the left and blue on the right."""
    picture = Image.new("RGB", size, (200, 10, 10))
    picture.paste((10, 10, 200), (size[0] // 2, 0, *size))
    return picture.convert(mode)


def written(picture: Image.Image, media: str, **how: Any) -> bytes:
    file = io.BytesIO()
    picture.save(file, FORMATS[media], **how)
    return file.getvalue()


def marked(media: str, orientation: int = 1, **how: Any) -> bytes:
    """Return a picture with a place, a maker's text and comments in all ways its format knows."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010E] = SECRET.decode()
    exif.get_ifd(0x8825)[1] = SECRET.decode()
    exif.get_ifd(0x8769)[0x927C] = SECRET * 100
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    more: dict[str, Any] = {"exif": exif, "icc_profile": profile, "xmp": b"<x>" + SECRET + b"</x>"}
    if media == "image/jpeg":
        more["comment"] = SECRET
    return written(coloured(), media, **more, **how)


def parts(data: bytes, media: str) -> set[str]:
    """Return the names of the parts of a file."""
    return set({"image/jpeg": _segments, "image/png": _chunks, "image/webp": _riff}[media](data))


def _segments(data: bytes) -> Iterator[str]:
    at = 2
    while True:
        yield data[at : at + 2].hex()
        if data[at + 1] == 0xDA:
            # nothing after the end of the scan
            assert data.index(b"\xff\xd9", at) == len(data) - 2
            return
        at += 2 + int.from_bytes(data[at + 2 : at + 4])


def _chunks(data: bytes) -> Iterator[str]:
    at = 8
    while at < len(data):
        yield data[at + 4 : at + 8].decode()
        at += 12 + int.from_bytes(data[at : at + 4])
    assert at == len(data)


def _riff(data: bytes) -> Iterator[str]:
    at = 12
    while at < len(data):
        yield data[at : at + 4].decode()
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        at += 8 + length + length % 2
    assert at == len(data)


@pytest.mark.parametrize("media", FORMATS)
def test_reprinted_has_points_and_nothing_else(media: str) -> None:
    data = marked(media)
    assert SECRET in data
    assert parts(data, media) - BARE[media]
    clean = reprinted(data, media, MOST)
    assert SECRET not in clean
    assert parts(clean, media) <= BARE[media]
    assert b"Exif" not in clean


@pytest.mark.parametrize("media", FORMATS)
@pytest.mark.parametrize("orientation", range(1, 9))
def test_reprinted_is_upright(media: str, orientation: int) -> None:
    clean = Image.open(io.BytesIO(reprinted(marked(media, orientation), media, MOST)))
    assert clean.size == ((24, 16) if orientation < 5 else (16, 24))
    # TIFF 6.0, orientation: where the row 0 and column 0 of the stored picture are to be
    red = {1: (2, 8), 2: (21, 8), 3: (21, 8), 4: (2, 8), 5: (8, 2), 6: (8, 2), 7: (8, 21)}
    at = red.get(orientation, (8, 21))
    point = clean.convert("RGB").getpixel(at)
    assert isinstance(point, tuple)
    assert point[0] > 150
    assert point[2] < 60


def test_reprinted_loses_nothing_of_a_png_and_is_then_the_same() -> None:
    data = marked("image/png")
    clean = reprinted(data, "image/png", MOST)
    assert Image.open(io.BytesIO(clean)).tobytes() == coloured().tobytes()
    assert reprinted(clean, "image/png", MOST) == clean


@pytest.mark.parametrize(
    ("mode", "media"),
    [
        ("CMYK", "image/jpeg"),
        ("L", "image/jpeg"),
        ("1", "image/png"),
        ("LA", "image/png"),
        ("P", "image/png"),
        ("RGBA", "image/png"),
        ("RGBA", "image/webp"),
    ],
)
def test_reprinted_takes_pictures_of_every_mode(mode: str, media: str) -> None:
    clean = reprinted(written(coloured(mode), media), media, MOST)
    assert parts(clean, media) <= BARE[media]
    assert Image.open(io.BytesIO(clean)).size == (24, 16)
    assert thumbnail_of(clean, media)[:3] == b"\xff\xd8\xff"


def test_reprinted_keeps_the_shades_of_16_bits() -> None:
    data = written(Image.new("I;16", (4, 4), 0x8000), "image/png")
    clean = Image.open(io.BytesIO(reprinted(data, "image/png", MOST)))
    assert (clean.mode, clean.getpixel((1, 1))) == ("L", 0x80)


def test_reprinted_drops_what_is_appended() -> None:
    page = b"<script>alert(1)</script>PK\x03\x04"
    for media in ("image/jpeg", "image/png"):
        assert page not in reprinted(written(coloured(), media) + page, media, MOST)


def test_reprinted_takes_exif_as_large_as_it_can_be() -> None:
    most = 65_533 - 6
    body = b"Exif\0\0" + b"MM\0*" + b"\xff" * (most - 4)
    data = JPEG[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + JPEG[2:]
    assert reprinted(data, "image/jpeg", MOST) == reprinted(JPEG, "image/jpeg", MOST)


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def a_png(width: int, height: int, rows: bytes, *more: bytes) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    ends = chunk(b"IDAT", rows), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + b"".join((*more, *ends))


@pytest.mark.parametrize(
    ("width", "height"),
    [
        (MOST_SIDE, MOST_SIDE),
        (MOST_SIDE + 1, 1),
        (1, MOST_SIDE + 1),
        (MOST_POINTS // 5000 + 1, 5000),
        (2**31 - 1, 2**31 - 1),
    ],
)
def test_reprinted_refuses_a_bomb_before_it_is_decoded(width: int, height: int) -> None:
    with pytest.raises(Refusal) as refused:
        reprinted(a_png(width, height, zlib.compress(bytes(100))), "image/png", MOST)
    assert refused.value.code == "body-too-large"
    assert "points" in str(refused.value)


def test_reprinted_refuses_a_bomb_of_text() -> None:
    text = chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(200 * 1024 * 1024)))
    with pytest.raises(Refusal) as refused:
        reprinted(a_png(1, 1, zlib.compress(bytes(4)), text), "image/png", MOST)
    assert refused.value.code == "wrong-media-type"


@pytest.mark.parametrize("media", FORMATS)
def test_reprinted_takes_or_refuses_what_is_cut_off_or_changed(media: str) -> None:
    data = marked(media)
    for length in range(0, len(data), 7):
        _only_refused(data[:length], media)
    for at in range(0, len(data), 5):
        _only_refused(data[:at] + bytes((data[at] ^ 0x55,)) + data[at + 1 :], media)
    with pytest.raises(Refusal, match="cut off"):
        reprinted(data[: len(data) // 2], media, MOST)


def _only_refused(data: bytes, media: str) -> None:
    try:
        clean = reprinted(data, media, MOST)
    except Refusal:
        return
    assert parts(clean, media) <= BARE[media]
    assert SECRET not in clean


@pytest.mark.parametrize("media", ["image/png", "image/webp"])
def test_reprinted_refuses_a_moving_picture(media: str) -> None:
    frames = [coloured(), coloured().rotate(180)]
    data = written(frames[0], media, save_all=True, append_images=frames[1:])
    with pytest.raises(Refusal, match="frames"):
        reprinted(data, media, MOST)


def test_reprinted_refuses_what_is_too_large_without_its_metadata() -> None:
    data = written(coloured(), "image/png")
    with pytest.raises(Refusal) as refused:
        reprinted(data, "image/png", 20)
    assert refused.value.code == "body-too-large"


def test_thumbnail_of_is_small_upright_and_bare() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010E] = SECRET.decode()
    large = written(coloured(size=(1600, 800)), "image/jpeg", exif=exif)
    small = thumbnail_of(large, "image/jpeg")
    assert SECRET not in small
    assert parts(small, "image/jpeg") <= BARE["image/jpeg"]
    assert Image.open(io.BytesIO(small)).size == (160, 320)


@pytest.fixture
def quote(client: Client) -> str:
    return add(client, "/v1/quotes", LEAKING_VALVE).id


def send(client: Client, quote: str, data: bytes, media: str = "image/png") -> Any:
    path = f"/v1/quotes/{quote}/photos?subject=step&code=engine_out"
    return client.post(path, content=data, headers={**once(), "Content-Type": media})


@pytest.mark.parametrize("media", FORMATS)
def test_add_stores_and_serves_no_metadata(client: Client, quote: str, media: str) -> None:
    photo = kept(send(client, quote, marked(media, 6), media)).record
    file = client.get(photo["path"])
    assert SECRET not in file.content
    assert parts(file.content, media) <= BARE[media]
    assert len(file.content) == photo["size"]
    assert Image.open(io.BytesIO(file.content)).size == (16, 24)


def test_add_says_why_a_picture_is_refused(client: Client, quote: str) -> None:
    cut = a_png(900, 900, zlib.compress(bytes(100)))
    document = problem(send(client, quote, cut), 415, "wrong-media-type")
    assert "can't be decoded" in document["detail"]
    bomb = a_png(60_000, 60_000, zlib.compress(bytes(100)))
    document = problem(send(client, quote, bomb), 413, "body-too-large")
    assert "points" in document["detail"]
    assert client.get(f"/v1/quotes/{quote}/photos").json() == {"items": []}


def test_thumbnail_is_served_and_tagged(client: Client, quote: str) -> None:
    large = written(coloured(size=(1600, 800)), "image/jpeg")
    photo = kept(send(client, quote, large, "image/jpeg")).record
    answer = client.get(photo["thumbnail"])
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(answer.content)).size == (320, 160)
    tag = answer.headers["etag"]
    assert tag != client.get(photo["path"]).headers["etag"]
    again = client.get(photo["thumbnail"], headers={"If-None-Match": tag})
    assert (again.status_code, again.content) == (304, b"")
    client.delete(f"/v1/photos/{photo['id']}")
    problem(client.get(photo["thumbnail"]), 404, "unknown-record")


def test_a_file_of_before_stays_readable(client: Client, counter: Counter, quote: str) -> None:
    photo = kept(send(client, quote, png(77))).record
    # what an earlier version took: it has the structure of a picture, but no points
    old = a_png(900, 900, zlib.compress(bytes(100)))
    real = counter.desk.files
    counter.desk.files = _Old(old)
    try:
        assert client.get(photo["path"]).content == old
        document = problem(client.get(photo["thumbnail"]), 404, "unknown-record")
    finally:
        counter.desk.files = real
    assert "file itself can be read" in document["detail"]


class _Old:
    """Files that hold one picture for all names."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def put(self, data: bytes) -> str:
        raise NotImplementedError

    def get(self, _: str) -> bytes | None:
        return self._data

    def drop(self, sha256: str) -> None:
        raise NotImplementedError
