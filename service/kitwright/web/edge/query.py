"""Query: what stands behind a path, decoded strictly, with every fault named."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Final, TypeVar
from urllib.parse import parse_qsl

import msgspec
from msgspec import Struct, inspect

from kitwright.web.edge.faults import find_faults, shape_of
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.wording import wanted

T = TypeVar("T", bound=Struct)

_WHOLE: Final = re.compile(r"-?(0|[1-9][0-9]{0,49})", re.ASCII)


def read_query(query: bytes, shape: type[T]) -> T:
    """Return a query string as a struct, each parameter at most once.

    Raises: Refusal: query-invalid, with every parameter that is wrong.
    """
    try:
        pairs = parse_qsl(
            query.decode("ascii"),
            keep_blank_values=True,
            strict_parsing=bool(query),
            errors="strict",
            max_num_fields=50,
        )
    except ValueError:
        raise Refusal("query-invalid", "the query is no list of name=value in UTF-8") from None
    given = dict(pairs)
    if len(given) < len(pairs):
        raise Refusal("query-invalid", "give each parameter once")
    unknown = sorted(set(given) - _fields(shape))
    if unknown:
        known = ", ".join(sorted(_fields(shape))) or "none"
        raise Refusal("query-invalid", f"no parameter {unknown[0][:64]!r}: there are {known}")
    for name, value in given.items():
        # the decoder would take the word for nothing, and a list would be answered unfiltered
        if value.lower() == "null":
            raise Refusal("query-invalid", f"{name}: leave it out rather than give {value!r}")
    try:
        return msgspec.convert(given, shape, strict=False)
    except msgspec.ValidationError:
        told = "; ".join(_faults(given, shape)) or "the parameters do not go together"
        raise Refusal("query-invalid", told) from None


@cache
def _fields(shape: type[Struct]) -> frozenset[str]:
    return frozenset(field.encode_name for field in msgspec.structs.fields(shape))


def _faults(given: Mapping[str, str], shape: type[Struct]) -> Iterator[str]:
    """Yield what is wrong with each parameter, in the order of the API description."""
    whole = shape_of(shape)
    assert isinstance(whole, inspect.StructType)
    for field in whole.fields:
        name, kind = field.encode_name, _without_null(field.type)
        if name in given:
            for fault in find_faults(_value(given[name], kind), kind):
                yield f"{name}: {fault.detail}"
        elif field.required:
            yield f"{name}: is missing: it should be {wanted(kind)}"


def _without_null(kind: inspect.Type) -> inspect.Type:
    """Return what a parameter takes, which is left out instead of null."""
    if isinstance(kind, inspect.Metadata):
        within = _without_null(kind.type)
        return within if within is not kind.type else kind
    if not isinstance(kind, inspect.UnionType):
        return kind
    left = tuple(one for one in kind.types if not isinstance(one, inspect.NoneType))
    return left[0] if len(left) == 1 else inspect.UnionType(left)


def _value(text: str, kind: inspect.Type) -> int | str:
    """Return what a parameter's text stands for."""
    while isinstance(kind, inspect.Metadata):
        kind = kind.type
    is_number = isinstance(kind, inspect.IntType) and _WHOLE.fullmatch(text)
    return int(text) if is_number else text
