"""Unique: finds ids that occur more than once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitwright.catalogue.model import Alias, ConsumablesFile, Family, Offer, Override, Record
from kitwright.catalogue.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


def ids_twice(records: Mapping[str, Record]) -> Iterator[Problem]:
    """Yield an error for every id that occurs twice in a list of a file, or number that occurs
    twice in the catalogue.

    Args:
        records: the content of each file.
    """
    for file, record in records.items():
        yield from _twins(file, record, "$")
    first: dict[str, tuple[str, str]] = {}
    for file, place, item in _items(records):
        other_file, other = first.setdefault(item, (file, place))
        # Repeats within one list are reported by `_twins`.
        if other_file != file or other.partition("[")[0] != place.partition("[")[0]:
            message = f"{item!r} is already {other} of {other_file}; item numbers must be unique"
            yield Problem(file=file, record=place, code="id-twice", message=message)


def _twins(file: str, record: Record, place: str) -> Iterator[Problem]:
    for name in record.__struct_fields__:
        rows = getattr(record, name)
        if not isinstance(rows, tuple) or not rows or not isinstance(rows[0], Record):
            continue
        seen: set[str] = set()
        for index, row in enumerate(rows):
            here = f"{place}.{name}[{index}]"
            own = _own_name(row)
            if own in seen:
                message = f"{own!r} is listed twice"
                yield Problem(file=file, record=here, code="id-twice", message=message)
            if own is not None:
                seen.add(own)
            yield from _twins(file, row, here)


def _own_name(row: Record) -> str | None:
    """Return the id of a row within its list; None for rows that may repeat."""
    match row:
        case Alias():
            return row.name
        case Override():
            return row.component
        case Offer():
            return row.sku
        case _:
            own = getattr(row, "id", None) or getattr(row, "code", None)
            return None if own is None else str(own)


def _items(records: Mapping[str, Record]) -> Iterator[tuple[str, str, str]]:
    """Yield file, place and number of every part, set and consumable."""
    for file, record in records.items():
        if isinstance(record, Family):
            for index, part in enumerate(record.part):
                yield file, f"$.part[{index}]", part.id
            for index, whole in enumerate(record.sets):
                yield file, f"$.set[{index}]", whole.id
        elif isinstance(record, ConsumablesFile):
            for index, consumable in enumerate(record.consumable):
                yield file, f"$.consumable[{index}]", consumable.id
