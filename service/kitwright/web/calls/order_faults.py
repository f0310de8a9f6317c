"""Order faults: what can't be right in an answer, a delivery or a bill of a supplier."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

from kitwright.money import Money
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.units import read_figure
from kitwright.web.calls.amounts import AmountInvalid, check_typed
from kitwright.web.calls.order_wire import AnswerLineIn, BilledLineIn, ReceivedLineIn

_AHEAD: Final = timedelta(days=31)
"""How far ahead a bill may be dated; more is a typing error."""


class CostInvalid(RequestFault):
    """A cost of a pack below zero."""

    code = "cost-invalid"

    def __init__(self, text: str, currency: str) -> None:
        super().__init__(f"{text} {currency}: the cost of a pack should not be below zero")
        self.text = text


class DayImpossible(RequestFault):
    """A promise of a day before the order was made, or a bill of a day far ahead."""

    code = "day-impossible"

    def __init__(self, day: date, reason: str) -> None:
        super().__init__(f"{day.isoformat()} is {reason}")
        self.day = day


class NothingArrived(RequestFault):
    """A line of a delivery of which nothing came."""

    code = "nothing-arrived"

    def __init__(self) -> None:
        super().__init__(
            "nothing of this line arrived: leave it out, or say how many packs are good, damaged "
            "or wrong"
        )


def check_costs(
    currency: str, lines: Sequence[AnswerLineIn | ReceivedLineIn | BilledLineIn]
) -> None:
    """Raise if a cost of a pack is below zero, or nobody means it. Raises: RequestRefused."""
    for place, line in enumerate(lines):
        check_typed(line.unit_cost, currency, "lines", place, "unit_cost")
        if line.unit_cost is not None and line.unit_cost.startswith("-"):
            fault = CostInvalid(line.unit_cost, currency)
            raise RequestRefused([fault.at("lines", place, "unit_cost")])


def check_arrived(lines: Sequence[ReceivedLineIn]) -> None:
    """Raise if nothing arrived of a line. Raises: RequestRefused."""
    faults = [
        NothingArrived().at("lines", place)
        for place, line in enumerate(lines)
        if not (line.packs or line.damaged or line.wrong)
    ]
    if faults:
        raise RequestRefused(faults)


def check_promises(made: date, lines: Sequence[AnswerLineIn]) -> None:
    """Raise if a day is promised before the day on which the order was made. Raises:
    RequestRefused.
    """
    for place, line in enumerate(lines):
        if line.promised is not None and line.promised < made:
            fault = DayImpossible(line.promised, f"before the order was made, on {made}")
            raise RequestRefused([fault.at("lines", place, "promised")])


def check_bill_day(day: date, today: date) -> None:
    """Raise if a bill is dated far ahead. Raises: RequestRefused."""
    if day > today + _AHEAD:
        raise RequestRefused([DayImpossible(day, "more than a month ahead").at("day")])


def read_billed(text: str, currency: str, member: str) -> Money:
    """Return an amount of a bill, which may be zero. Raises: RequestRefused."""
    check_typed(text, currency, member)
    money = Money.of(read_figure(text), currency)
    if money.minor < 0 or money.amount != Decimal(text):
        raise RequestRefused([AmountInvalid(text, currency).at(member)])
    return money
