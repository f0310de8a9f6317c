"""Carrying: a revision's request with the lines that were added under the agreement."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import cast

from msgspec import UNSET, structs

from kitwright.errors import KitwrightError
from kitwright.keeping.record import Addition
from kitwright.stages.request import NamedTwice, RequestFault, RequestRefused
from kitwright.web.calls.reckoning import QuoteIn
from kitwright.web.calls.wire import MOST_FREE_LINES, CarriedIn, FreeLineIn
from kitwright.web.edge.shapes import FreeKind


class AdditionUnknown(RequestFault):
    """A request to leave out an addition that the quote does not have."""

    code = "no-such-addition"

    def __init__(self, number: int) -> None:
        super().__init__(f"nothing with the number {number} was added to this quote")
        self.number = number


class TooManyLines(RequestFault):
    """More added lines than a request may have, with those that are carried over."""

    code = "too-many-lines"

    def __init__(self, count: int) -> None:
        super().__init__(
            f"{count} added lines with those carried over, but at most {MOST_FREE_LINES}: put some "
            "into one line, and leave out their additions"
        )
        self.count = count


def uncarried(asked: QuoteIn) -> QuoteIn:
    """Return the request of a new quote: lines that another quote carried over are its own lines.

    Raises: RequestRefused, if it leaves out an addition: a new quote has none.
    """
    _check_left_out(asked, ())
    lines = tuple(structs.replace(line, carried=None) for line in asked.free_lines)
    return _unmarked(asked, lines)


def carried_over(
    asked: QuoteIn, agreed: Sequence[Addition], known: Sequence[Addition], by: str
) -> QuoteIn:
    """Return a revision's request with a line for each addition that was agreed and that it does
    not leave out. A line that carries an addition is as it was recorded, whatever the request says.

    Args:
        agreed: the additions that are carried over unless the request leaves them out.
        known: all additions of the quote.
        by: who revises.

    Raises: RequestRefused.
    """
    _check_left_out(asked, known)
    left_out = {each.addition for each in asked.leave_out_additions}
    recorded = {each.number: each for each in known}
    lines: list[FreeLineIn] = []
    carried: set[int] = set()
    for line in asked.free_lines:
        number = None if line.carried is None else line.carried.addition
        if number is None or number not in recorded:
            lines.append(structs.replace(line, carried=None))
        elif number not in left_out | carried:
            carried.add(number)
            lines.append(_line(recorded[number], by))
    lines += [_line(each, by) for each in agreed if each.number not in left_out | carried]
    if len(lines) > MOST_FREE_LINES:
        raise RequestRefused([TooManyLines(len(lines)).at("free_lines")])
    return _unmarked(asked, tuple(lines))


def _unmarked(asked: QuoteIn, lines: tuple[FreeLineIn, ...]) -> QuoteIn:
    """Return a request with other added lines, and without what this service sets by itself."""
    return structs.replace(
        asked, free_lines=lines, chosen=UNSET, change=UNSET, ordered=UNSET, underway=UNSET
    )


def _line(addition: Addition, by: str) -> FreeLineIn:
    day = addition.day
    return FreeLineIn(
        description=addition.description,
        kind=cast(FreeKind, addition.tax_kind),
        quantity="1",
        code_of_unit="C62",
        unit_price=addition.price.amount_text,
        reason=f"Addition {addition.number} of {day.isoformat()}, carried over.",
        by=by,
        carried=CarriedIn(addition=addition.number, day=day),
    )


def _check_left_out(asked: QuoteIn, known: Sequence[Addition]) -> None:
    faults = list(_left_out_faults(asked, {each.number for each in known}))
    if faults:
        raise RequestRefused(faults)


def _left_out_faults(asked: QuoteIn, known: set[int]) -> Iterator[KitwrightError]:
    seen: set[int] = set()
    for index, each in enumerate(asked.leave_out_additions):
        path = ("leave_out_additions", index, "addition")
        if each.addition not in known:
            yield AdditionUnknown(each.addition).at(*path)
        elif each.addition in seen:
            yield NamedTwice(f"addition {each.addition}").at(*path)
        seen.add(each.addition)
