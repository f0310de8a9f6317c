"""Query: decodes query strings strictly, and reports every error."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
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
    given = _given(query)
    known = sorted(field.encode_name for field in shape_of(shape).fields)
    for name, value in sorted(given.items()):
        if name not in known:
            allowed = ", ".join(known) or "none"
            raise _invalid(f"unknown parameter {name[:64]!r}; allowed: {allowed}")
        # the decoder would read the word as None, and a list would be answered unfiltered
        if value.lower() == "null":
            raise _invalid(f"{name}: leave it out rather than give {value!r}")
    try:
        return msgspec.convert(given, shape, strict=False)
    except msgspec.ValidationError:
        told = "; ".join(_faults(given, shape)) or "these parameters can't be combined"
        raise _invalid(told) from None


def _invalid(detail: str) -> Refusal:
    return Refusal("query-invalid", detail)


def _given(query: bytes) -> dict[str, str]:
    """Return the parameters of a query string by name. Raises: Refusal: query-invalid."""
    try:
        pairs = parse_qsl(
            query.decode("ascii"),
            keep_blank_values=True,
            strict_parsing=bool(query),
            errors="strict",
            max_num_fields=50,
        )
    except ValueError:
        raise _invalid("the query is not a list of name=value pairs in UTF-8") from None
    given = dict(pairs)
    if len(given) < len(pairs):
        raise _invalid("give each parameter once")
    return given


def _faults(given: Mapping[str, str], shape: type[Struct]) -> Iterator[str]:
    """Yield the errors of each parameter, in the order of the API description."""
    for field in shape_of(shape).fields:
        name, kind = field.encode_name, _without_null(field.type)
        if name in given:
            is_number = isinstance(_bare(kind), inspect.IntType) and _WHOLE.fullmatch(given[name])
            value = int(given[name]) if is_number else given[name]
            for fault in find_faults(value, kind):
                yield f"{name}: {fault.detail}"
        elif field.required:
            yield f"{name}: required parameter missing; expected {wanted(kind)}"


def _without_null(kind: inspect.Type) -> inspect.Type:
    """Return the type of a parameter, without null: a parameter is left out instead."""
    bare = _bare(kind)
    if not isinstance(bare, inspect.UnionType):
        return kind
    left = tuple(one for one in bare.types if not isinstance(one, inspect.NoneType))
    return left[0] if len(left) == 1 else inspect.UnionType(left)


def _bare(kind: inspect.Type) -> inspect.Type:
    return _bare(kind.type) if isinstance(kind, inspect.Metadata) else kind
