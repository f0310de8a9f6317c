"""Storage: tells what was owed for storage as the last line of a visit's account."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from kitwright.catalogue.model import ChargeKind
from kitwright.keeping.record import StorageFee
from kitwright.keeping.sums import Reckoning
from kitwright.keeping.waiting import StorageDue
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import STORAGE, StatementLine, amount_of
from kitwright.stages.billing import AgreedLine, BilledLine, Why, with_taxes
from kitwright.telling.price import tell_line_taxes, tell_taxes


def tell_storage(
    due: StorageDue, free_until: date, reckoning: Reckoning, *, place: int, on: date, language: str
) -> StorageFee:
    """Return what is owed for storage with its line, taxed as a fee by the rules of what was agreed
    and the rates of a day.

    Args:
        due: above zero.
        place: of the line, from 1.

    Raises: the errors of the tax rules; UnknownLanguage.
    """
    scribe, fee = Scribe(language), due.fee
    agreed = AgreedLine(
        kind=ChargeKind.fee,
        code=STORAGE,
        tax_kind=ChargeKind.fee,
        quantity=Decimal(1),
        unit=_LUMP_SUM,
        unit_price=fee.amount,
        base_quantity=Decimal(1),
        amount=fee,
    )
    one = BilledLine(place=1, quantity=Decimal(1), amount=fee, why=Why.agreed)
    exempt = frozenset(reckoning.exempt)
    billed = with_taxes([agreed], [one], area=reckoning.area, on=on, exempt=exempt)
    taxed = billed.taxed
    return StorageFee(
        free_until=free_until,
        days=due.days,
        fee=amount_of(fee),
        line=StatementLine(
            line=place,
            kind=agreed.kind,
            code=STORAGE,
            description=_description(due, free_until, scribe),
            tax_kind=agreed.tax_kind,
            unit=_LUMP_SUM,
            measure="lump sum",
            unit_price=fee.amount_text,
            base_quantity="1",
            agreed_quantity="0",
            quantity="1",
            agreed=amount_of(Money(0, fee.currency)),
            amount=amount_of(fee),
            why="stored",
            clocked=None,
            to_shelf="0",
            to_supplier="0",
            by_customer=False,
            net=amount_of(taxed.net),
            tax=amount_of(taxed.tax),
            gross=amount_of(taxed.gross),
            taxes=tell_line_taxes(billed.lines[0].taxes, scribe.text),
        ),
        taxes=tell_taxes(taxed.taxes, scribe.text),
    )


def _description(due: StorageDue, free_until: date, scribe: Scribe) -> str:
    return scribe.say_many(
        "Storage for {count} day after {day}, at {price} a day",
        "Storage for {count} days after {day}, at {price} a day",
        due.days,
        day=scribe.day(free_until),
        price=scribe.amount(amount_of(due.per_day)),
    )


_LUMP_SUM = "LS"
