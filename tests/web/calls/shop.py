"""A shop's counter in tests: calls as the counter makes them, and pictures."""

import io
import struct
import zlib
from itertools import count
from typing import Any, NamedTuple

from httpx import Response
from litestar.testing import TestClient
from PIL import Image

_NUMBERS = count(1)

LEAKING_VALVE: dict[str, Any] = {
    "family": "QM-H27",
    "serial": 2140077,
    "chassis": "PW-G5",
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
}


def once() -> dict[str, str]:
    """Return headers with a new idempotency key."""
    return {"Idempotency-Key": f'"shop-{next(_NUMBERS)}"'}


class Kept(NamedTuple):
    """A record as it was answered, and its entity tag."""

    record: dict[str, Any]
    tag: str

    @property
    def id(self) -> str:
        return str(self.record["id"])


def kept(answer: Response) -> Kept:
    """Return the record of a good answer."""
    assert answer.status_code in (200, 201), answer.text
    return Kept(answer.json(), answer.headers["etag"])


def add(client: TestClient[Any], path: str, body: dict[str, Any]) -> Kept:
    """Keep a new record."""
    return kept(client.post(path, json=body, headers=once()))


def act(client: TestClient[Any], quote: str, name: str, body: dict[str, Any] | None = None) -> Kept:
    """Do something with a quote as it stands."""
    tag = client.get(f"/v1/quotes/{quote}").headers["etag"]
    headers = {**once(), "If-Match": tag}
    path = f"/v1/quotes/{quote}/{name}"
    if body is None:
        return kept(client.post(path, headers=headers))
    return kept(client.post(path, json=body, headers=headers))


def problem(answer: Response, status: int, code: str) -> dict[str, Any]:
    """Return a problem's document, once it is the one that was expected."""
    document: dict[str, Any] = answer.json()
    assert (answer.status_code, document["code"]) == (status, code), answer.text
    return document


def faults(answer: Response) -> dict[str, str]:
    """Return the codes of a refused request by their pointers."""
    assert answer.status_code in (400, 409, 422), answer.text
    return {each["pointer"]: each["code"] for each in answer.json()["errors"]}


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(shade: int = 0, extra: int = 0) -> bytes:
    """Return a picture of one grey point, made longer by some bytes in a chunk of text."""
    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    text = _chunk(b"tEXt", b"Comment\x00" + b"x" * extra) if extra else b""
    return (
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", head)
        + text
        + _chunk(b"IDAT", zlib.compress(bytes((0, shade))))
        + _chunk(b"IEND", b"")
    )


def _jpeg() -> bytes:
    file = io.BytesIO()
    Image.new("L", (1, 1), 128).save(file, "JPEG")
    return file.getvalue()


JPEG = _jpeg()
"""A picture of one grey point, as the service writes it."""
