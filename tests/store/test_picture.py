"""Which bytes are a picture."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.store.pictures import a_jpeg, a_png, a_webp, chunk

from kitwright.store.picture import kind_of

SOUND = {"image/png": a_png(3, 2), "image/jpeg": a_jpeg(3, 2), "image/webp": a_webp()}


@pytest.mark.parametrize("kind", SOUND)
def test_kind_of_knows_a_picture(kind: str) -> None:
    assert kind_of(SOUND[kind]) == kind


@pytest.mark.parametrize(
    "data",
    [
        a_jpeg(note=b"taken in the yard"),
        a_jpeg().replace(b"\xff\xfe", b"\xff\xff\xfe"),
        a_jpeg() + b"\xff\xd8preview\xff\xd9",
    ],
)
def test_kind_of_knows_what_cameras_add(data: bytes) -> None:
    assert kind_of(data) == "image/jpeg"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"<html>" + a_png(),
        b"GIF89a" + a_png(),
        b"GIF89a\x01\x00\x01\x00",
        b"%PDF-1.7",
        b"\xff\xd8\xff<script>alert(1)</script>\xff\xd9",
        b"\x89PNG\r\n\x1a\n<html>",
        b"RIFF\x10\x00\x00\x00WEBP<html></html>",
        b"RIFF\x04\x00\x00\x00WAVE",
        a_png(0, 1),
        a_png(1, 0),
        a_jpeg(0, 1),
        a_jpeg(1, 0),
        a_png() + b"<script>",
        a_png().replace(b"IDAT", b"iDAT"),
        a_png()[:8] + chunk(b"IHDR", bytes(12)) + chunk(b"IEND", b""),
        a_png()[:33] + chunk(b"IEND", b""),
        a_jpeg().replace(b"\xff\xc0", b"\xff\xc4"),
        a_webp(b"EXIF"),
        a_webp(b"VP8X", bytes(10)),
        a_webp() + b"\x00",
    ],
    ids=repr,
)
def test_kind_of_takes_nothing_else(data: bytes) -> None:
    assert kind_of(data) is None


@pytest.mark.parametrize("kind", SOUND)
def test_kind_of_misses_no_cut(kind: str) -> None:
    data = SOUND[kind]

    assert [length for length in range(len(data)) if kind_of(data[:length])] == []


@given(st.sampled_from(sorted(SOUND)), st.data())
def test_kind_of_ends_whatever_is_changed(kind: str, data: st.DataObject) -> None:
    changed = bytearray(SOUND[kind])
    for _ in range(data.draw(st.integers(1, 3))):
        changed[data.draw(st.integers(0, len(changed) - 1))] = data.draw(st.integers(0, 255))

    assert kind_of(bytes(changed)) in (None, kind)


@given(st.sampled_from([b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF"]), st.binary(max_size=64))
def test_kind_of_bears_any_bytes(start: bytes, rest: bytes) -> None:
    # far too short to be any picture by luck
    assert kind_of(start + rest) in (None, "image/jpeg", "image/webp")
