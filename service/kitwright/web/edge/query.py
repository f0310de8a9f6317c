"""Query: decodes query strings strictly, and reports every error."""

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

    Raises: Refusal: query-invalid, which names every invalid parameter.
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
        raise Refusal(
            "query-invalid", "the query is not a list of name=value pairs in UTF-8"
        ) from None
    given = dict(pairs)
    if len(given) < len(pairs):
        raise Refusal("query-invalid", "give each parameter once")
    unknown = sorted(set(given) - _fields(shape))
    if unknown:
        known = ", ".join(sorted(_fields(shape))) or "none"
        raise Refusal("query-invalid", f"unknown parameter {unknown[0][:64]!r}; allowed: {known}")
    for name, value in given.items():
        # the decoder would read the word as None, and a list would be answered unfiltered
        if value.lower() == "null":
            raise Refusal("query-invalid", f"{name}: leave it out rather than give {value!r}")
    try:
        return msgspec.convert(given, shape, strict=False)
    except msgspec.ValidationError:
        told = "; ".join(_faults(given, shape)) or "these parameters can't be combined"
        raise Refusal("query-invalid", told) from None


@cache
def _fields(shape: type[Struct]) -> frozenset[str]:
    return frozenset(field.encode_name for field in msgspec.structs.fields(shape))


def _faults(given: Mapping[str, str], shape: type[Struct]) -> Iterator[str]:
    """Yield the errors of each parameter, in the order of the API description."""
    whole = shape_of(shape)
    assert isinstance(whole, inspect.StructType)
    for field in whole.fields:
        name, kind = field.encode_name, _without_null(field.type)
        if name in given:
            for fault in find_faults(_value(given[name], kind), kind):
                yield f"{name}: {fault.detail}"
        elif field.required:
            yield f"{name}: required parameter missing; expected {wanted(kind)}"


def _without_null(kind: inspect.Type) -> inspect.Type:
    """Return the type of a parameter, without null: a parameter is left out instead."""
    if isinstance(kind, inspect.Metadata):
        within = _without_null(kind.type)
        return within if within is not kind.type else kind
    if not isinstance(kind, inspect.UnionType):
        return kind
    left = tuple(one for one in kind.types if not isinstance(one, inspect.NoneType))
    return left[0] if len(left) == 1 else inspect.UnionType(left)


def _value(text: str, kind: inspect.Type) -> int | str:
    """Return the value that a parameter's text represents."""
    while isinstance(kind, inspect.Metadata):
        kind = kind.type
    is_number = isinstance(kind, inspect.IntType) and _WHOLE.fullmatch(text)
    return int(text) if is_number else text
