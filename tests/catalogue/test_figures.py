from collections.abc import Iterator
from decimal import Decimal
from typing import Any, get_args

import msgspec
import pytest

from kitwright.catalogue import model
from kitwright.catalogue.checks.figures import PAID_AS_THEY_STAND, RANGES, Range
from kitwright.units import Figure

PROVEN_WHOLE = {(model.Diagnosis, "links"), (model.FlaggedLinks, "links")}


def leaves(kind: Any) -> Iterator[Any]:
    """Yield the types that a type is made of in the end."""
    inner = get_args(kind)
    if not inner:
        yield kind
    for one in inner:
        yield from leaves(one)


def test_ranges_cover_every_number_of_the_model() -> None:
    records = [
        one
        for one in vars(model).values()
        if isinstance(one, type) and issubclass(one, model.Record)
    ]
    numbers = {
        (record, field.name)
        for record in records
        for field in msgspec.structs.fields(record)
        if {int, Figure} & set(leaves(field.type))
    }

    stated = {(record, name) for record, names in RANGES.items() for name in names}
    assert stated | PROVEN_WHOLE == numbers
    assert {
        (record, name) for record, names in PAID_AS_THEY_STAND.items() for name in names
    } <= numbers


@pytest.mark.parametrize(
    ("allowed", "inside", "outside"),
    [
        (Range("zero or more", 0), ["0", "0.01", "900"], ["-0.01"]),
        (Range("more than zero", 0, is_least_open=True), ["0.01", "900"], ["0", "-1"]),
        (Range("from 0 to 1", 0, 1), ["0", "0.5", "1"], ["-0.1", "1.1"]),
        (Range("below 1", 0, 1, is_most_open=True), ["0", "0.999"], ["1", "2"]),
    ],
)
def test_range_holds_what_lies_in_it(allowed: Range, inside: list[str], outside: list[str]) -> None:
    assert all(allowed.holds(Decimal(one)) for one in inside)
    assert not any(allowed.holds(Decimal(one)) for one in outside)
