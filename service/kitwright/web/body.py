"""Body: a request's raw bytes decoded strictly, with every fault named."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeVar

import msgspec
from litestar import Request
from msgspec import Struct

from kitwright.errors import Path
from kitwright.web.problems import FaultOut, Refusal, fault_of, pointer

T = TypeVar("T", bound=Struct)

MOST_BYTES = 262_144
"""The largest body that is read."""


async def read_body(request: Request[Any, Any, Any], shape: type[T]) -> T:
    """Return the request's body as a struct.

    Raises: Refusal: wrong-media-type, body-too-large, not-json, body-invalid with every fault.
    """
    media_type, parameters = request.content_type
    charset = parameters.get("charset", "utf-8").lower()
    if media_type != "application/json" or charset not in ("utf-8", "utf8"):
        raise Refusal("wrong-media-type", "the body should be application/json in UTF-8")
    return decode(await request.body(), shape)


def decode(raw: bytes, shape: type[T]) -> T:
    """Return bytes of JSON as a struct, types strict.

    Raises: Refusal: not-json, body-invalid with every fault.
    """
    try:
        return msgspec.json.decode(raw, type=shape, strict=True)
    except msgspec.ValidationError as error:
        first = error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise Refusal("not-json", f"the body is not JSON: {error}") from None
    try:
        faults = tuple(_faults(msgspec.json.decode(raw), shape, ()))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        # what the typed decoder stopped before was not JSON after all
        raise Refusal("not-json", "the body is not JSON") from None
    faults = faults or (fault_of(first),)
    raise Refusal("body-invalid", "; ".join(_told(fault) for fault in faults), faults)


def _told(fault: FaultOut) -> str:
    return f"{fault.pointer or 'body'}: {fault.detail}"


def _faults(value: object, shape: Any, path: Path) -> Iterator[FaultOut]:
    """Yield every fault of a decoded value, member by member.

    The typed decoder stops at the first fault, so each member is converted by itself.
    """
    if not (isinstance(shape, type) and issubclass(shape, Struct)):
        yield from _converted(value, shape, path)
        return
    if not isinstance(value, dict):
        yield from _converted(value, shape, path)
        return
    fields = {field.encode_name: field for field in msgspec.structs.fields(shape)}
    for name in value:
        if name not in fields:
            detail = f"unknown member; known are {', '.join(fields)}"
            yield FaultOut(pointer=pointer((*path, name)), detail=detail, code="wrong-shape")
    for name, field in fields.items():
        if name not in value:
            if field.required:
                detail = "this member is missing"
                yield FaultOut(pointer=pointer((*path, name)), detail=detail, code="wrong-shape")
        elif isinstance(value[name], list) and (inner := _element(field.type)) is not None:
            found = False
            for index, element in enumerate(value[name]):
                for fault in _faults(element, inner, (*path, name, index)):
                    found = True
                    yield fault
            if not found:
                yield from _converted(value[name], field.type, (*path, name))
        else:
            yield from _faults(value[name], field.type, (*path, name))


def _element(shape: Any) -> type[Struct] | None:
    """Return the struct that a list member holds, if it holds structs."""
    kind = msgspec.inspect.type_info(shape)
    item = getattr(kind, "item_type", None)
    return item.cls if isinstance(item, msgspec.inspect.StructType) else None


def _converted(value: object, shape: Any, path: Path) -> Iterator[FaultOut]:
    try:
        msgspec.convert(value, shape, strict=True)
    except msgspec.ValidationError as error:
        yield fault_of(error, path)
