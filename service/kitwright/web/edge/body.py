"""Body: decodes a request's raw bytes strictly, and reports every error."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import AsyncIterator
from functools import cache
from itertools import accumulate, islice
from typing import Any, Final, TypeVar

import msgspec
from litestar import Request
from msgspec import Struct

from kitwright.web.edge.faults import Members, NoNumber, find_faults, shape_of
from kitwright.web.edge.negotiate import JSON, media_type
from kitwright.web.edge.problems import FaultOut, Refusal, fault_of
from kitwright.web.edge.wording import grammar

T = TypeVar("T", bound=Struct)

MOST_BYTES: Final = 262_144
"""The largest body that is read, in bytes."""
MOST_DEPTH: Final = 64
"""The deepest nesting of objects and lists in a body."""
MOST_FAULTS: Final = 100
"""The most errors that an answer lists."""

_BOM: Final = b"\xef\xbb\xbf"
_LONGEST_NUMBER: Final = 50
_HUGE: Final[int] = 10**_LONGEST_NUMBER
_STRINGS: Final = re.compile(rb'"(?:[^"\\]|\\.)*"?', re.DOTALL)
_BRACKETS: Final = re.compile(rb"[\[\]{}]")


async def receive_json(request: Request[Any, Any, Any]) -> bytes:
    """Return the body of a request that declares JSON, as bytes.

    Raises: Refusal: wrong-media-type, body-too-large.
    """
    check_json(request)
    return await receive(request)


def check_json(request: Request[Any, Any, Any]) -> None:
    """Raise if a request does not declare its body as JSON.

    Raises: Refusal: wrong-media-type.
    """
    headers = request.headers
    given = headers.get("content-type", "")
    if given != JSON:
        kind, parameters = media_type(given)
        if kind != JSON or parameters.get("charset", "utf-8").lower() not in ("utf-8", "utf8"):
            raise _wrong_media("the body should be application/json in UTF-8")
    if headers.get("content-encoding", "identity").lower() != "identity":
        raise _wrong_media("the body should be sent without Content-Encoding")


def _wrong_media(detail: str) -> Refusal:
    headers = {"Accept": JSON, "Accept-Encoding": "identity"}
    return Refusal("wrong-media-type", detail, headers=headers)


async def receive(request: Request[Any, Any, Any], most: int = MOST_BYTES) -> bytes:
    """Return a request's complete body; stop reading at the largest size allowed.

    Raises: Refusal: body-too-large, bad-request if it ends too early.
    """
    return b"".join([part async for part in stream(request, most)])


async def stream(request: Request[Any, Any, Any], most: int) -> AsyncIterator[bytes]:
    """Yield a request's body as it arrives; stop at the largest size allowed.

    Raises: Refusal: body-too-large, bad-request if it ends too early.
    """
    announced = request.headers.get("content-length", "0")
    # no more digits than Python reads as a number
    is_small = announced.isdecimal() and len(announced) < 20 and int(announced) <= most
    size, more = 0, True
    while is_small and more:
        message = await request.receive()
        if message["type"] != "http.request":
            raise Refusal("bad-request", "the body ended before its announced length")
        part = message.get("body", b"")
        size += len(part)
        more = message.get("more_body", False)
        is_small = size <= most
        if is_small:
            yield part
    if not is_small:
        raise Refusal("body-too-large", f"the body should have at most {most} bytes")


def decode(raw: bytes, shape: type[T]) -> T:
    """Return bytes of JSON as a struct, with strict types and without duplicate members.

    Raises: Refusal: not-json, body-too-deep, body-invalid with every error (at most MOST_FAULTS).
    """
    try:
        found: T = _decoder(shape).decode(raw)
        _ONCE.decode(raw.decode())
    except (msgspec.DecodeError, ValueError, RecursionError, _Twice) as error:
        raise _refusal(raw, shape, error) from None
    return found


@cache
def _decoder(shape: type[T]) -> msgspec.json.Decoder[T]:
    return msgspec.json.Decoder(shape, strict=True)


class _Twice(Exception):
    """An object has a member more than once."""


def _once(members: list[tuple[str, Any]]) -> None:
    if len(dict(members)) != len(members):
        raise _Twice


_ONCE: Final = json.JSONDecoder(object_pairs_hook=_once)
"""msgspec silently takes the last of duplicate members, while another reader on the way may take
the first.
"""


def _members(members: list[tuple[str, Any]]) -> Members:
    """Return a JSON object as it was sent, with the names of its duplicate members."""
    found = Members(members)
    if len(found) != len(members):
        counted = Counter(name for name, _ in members)
        found.twice = frozenset(name for name, count in counted.items() if count > 1)
    return found


def _number(text: str) -> int:
    """Return a whole number; one with too many digits is replaced by a value too large for any
    member.
    """
    if len(text) <= _LONGEST_NUMBER:
        return int(text)
    return -_HUGE if text.startswith("-") else _HUGE


_LENIENT: Final = json.JSONDecoder(
    object_pairs_hook=_members, parse_constant=NoNumber, parse_int=_number
)


def _refusal(raw: bytes, shape: type[Struct], first: Exception) -> Refusal:
    """Return the refusal of a body, with its complete reason."""
    if not raw.strip(b" \t\r\n"):
        return _malformed("the body is empty: send one JSON object")
    if raw.startswith(_BOM):
        return _malformed("the body begins with a byte order mark: send it without one")
    try:
        text = raw.decode()
    except UnicodeDecodeError as error:
        return _malformed(f"byte {error.start} of the body is not UTF-8")
    if _is_too_deep(raw):
        detail = f"the body nests more than {MOST_DEPTH} objects and lists"
        return Refusal("body-too-deep", detail)
    try:
        value = _LENIENT.decode(text)
    except json.JSONDecodeError as error:
        return _malformed(grammar(error))
    faults = tuple(islice(find_faults(value, shape_of(shape)), MOST_FAULTS))
    if not faults and isinstance(first, msgspec.ValidationError):
        faults = (fault_of(first),)
    if not faults:
        return _malformed("invalid syntax")
    is_json = all(fault.code != "not-a-number" for fault in faults)
    told = "; ".join(f"{fault.pointer or 'body'}: {fault.detail}" for fault in faults[:3])
    rest = "; and more: see errors" if len(faults) > 3 else ""
    return Refusal("body-invalid" if is_json else "not-json", f"{told}{rest}", faults)


def _malformed(detail: str) -> Refusal:
    fault = FaultOut(pointer="", detail=detail, code="malformed")
    return Refusal("not-json", f"the body is not valid JSON: {detail}", (fault,))


def _is_too_deep(raw: bytes) -> bool:
    brackets = _BRACKETS.findall(_STRINGS.sub(b"", raw))
    depths = accumulate(1 if bracket in b"[{" else -1 for bracket in brackets)
    return max(depths, default=0) > MOST_DEPTH
