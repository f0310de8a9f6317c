"""Bill gaps: the numbers of earlier series that were handed out and are not here.

Whatever was invoiced between a backup and its restore is missing until it is entered again from its
copy.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Final

from kitwright.keeping.record import bill_name
from kitwright.keeping.store import Records

TELLING: Final = ("records.released", "records.corrected")
"""The kinds of the events that say in `last_numbers` which numbers were the last ones."""


def split_number(number: str) -> tuple[str, int] | None:
    """Return the series and the place of a number as it is printed; None if it is no such number.

    >>> split_number("I2-5D0A-00003")
    ('I2-5D0A', 3)
    """
    series, _, digits = number.rpartition("-")
    if not (digits.isascii() and digits.isdigit() and len(digits) < 16):
        return None
    place = int(digits)
    return (series, place) if bill_name(series, place) == number else None


def missing(places: Mapping[str, Collection[int]], told: Iterable[str]) -> Iterator[str]:
    """Yield the numbers that are not here, one or a range at a time.

    Args:
        places: series -> the places in it that are here.
        told: the last numbers that were handed out, as the owner told when it was released.

    >>> [*missing({"I1": (1, 2, 5)}, ["I1-00006"])]
    ['I1-00003 to I1-00004', 'I1-00006']
    """
    last = {series: max(here, default=0) for series, here in places.items()}
    for number in told:
        found = split_number(number)
        if found is not None:
            last[found[0]] = max(last.get(found[0], 0), found[1])
    for series, end in last.items():
        before = 0
        for place in (*sorted(places.get(series, ())), end + 1):
            if place > before + 1:
                first, past = bill_name(series, before + 1), bill_name(series, place - 1)
                yield first if first == past else f"{first} to {past}"
            before = place


def missing_of(records: Records) -> tuple[str, ...]:
    """Return the numbers that were handed out before a restore and are not here."""
    places = {series: records.bills.places(series) for series, _ in records.bills.series()}
    return tuple(missing(places, _told(records)))


def last_told(records: Records) -> dict[str, int]:
    """Return the last place of each series that ended before a restore, as the owner told it."""
    last: dict[str, int] = {}
    for number in _told(records):
        found = split_number(number)
        if found is not None:
            last[found[0]] = max(last.get(found[0], 0), found[1])
    return last


def _told(records: Records) -> Iterator[str]:
    for one in records.generations.every():
        events = records.events.of_subject(f"generation:{one.number}")
        yield from told_in((one.number, event.facts) for event in events if event.kind in TELLING)


def told_in(events: Iterable[tuple[object, Mapping[str, object]]]) -> Iterator[str]:
    """Yield the last numbers that were told of each generation; of a series, the newest counts.

    Args:
        events: the generation and the facts of events that tell them, oldest first.
    """
    last: dict[tuple[object, str], str] = {}
    for generation, facts in events:
        said = facts.get("last_numbers")
        for number in said.split(", ") if isinstance(said, str) else ():
            last[generation, number.rpartition("-")[0]] = number
    yield from last.values()
