"""Shaped: converts a record to a wire struct, member by member of the same name."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from functools import cache, partial
from types import NoneType
from typing import Annotated, Any, TypeVar, get_args, get_origin, get_type_hints

from msgspec import Struct

from kitwright.quote import Amount, amount_of
from kitwright.units import decimal_text

T = TypeVar("T", bound=Struct)


def shaped(shape: type[T], record: Struct, **more: Any) -> T:
    """Return a record as a wire struct.

    Members that `more` does not give are copied from the record's members of the same name: numbers
    as decimal texts, choices by their values, nested structs as the wire structs in their place.
    """
    for name, convert in _members(shape):
        if name not in more:
            more[name] = convert(getattr(record, name))
    return shape(**more)


@cache
def _members(shape: type[Struct]) -> tuple[tuple[str, Callable[[Any], Any]], ...]:
    hints = get_type_hints(shape, include_extras=True)
    return tuple((name, _converter(hints[name])) for name in shape.__struct_fields__)


def _converter(hint: Any) -> Callable[[Any], Any]:
    arguments = get_args(hint)
    if get_origin(hint) is Annotated:
        return _converter(arguments[0])
    if NoneType in arguments:
        inner = _converter(next(each for each in arguments if each is not NoneType))
        return lambda value: None if value is None else inner(value)
    if get_origin(hint) is tuple:
        return partial(_each, _converter(arguments[0]))
    if hint is Amount:
        return amount_of
    if isinstance(hint, type) and issubclass(hint, Struct):
        return partial(shaped, hint)
    return _plain


def _each(convert: Callable[[Any], Any], values: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(map(convert, values))


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal | Fraction):
        return decimal_text(value)
    return value.value if isinstance(value, Enum) else value
