"""Advancing: the invoices of advances, whose tax is due as soon as they are paid, and what becomes
of them.

An advance is split among the tax rates of what was agreed, by what each comes to. The invoice made
from the statement deducts what is left of these invoices, rate by rate, so that no tax is billed
twice. What the statement does not come to is given back by credit notes before.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Final, Protocol

from msgspec import Struct, structs

from kitwright.keeping.bill_lines import LUMP_SUM, Portion
from kitwright.keeping.bill_numbers import keep_bill
from kitwright.keeping.bill_parties import Asked, Selling, buyer_of, check_needs, seller_of
from kitwright.keeping.bill_sums import CHARGED, PROFILE, no_sums, summed, unmet_of
from kitwright.keeping.crediting import credit, deducted_by, open_lines
from kitwright.keeping.record import BillKind, KeptBill, KeptQuote, Payment, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money, round_ratio, total
from kitwright.quote import (
    Bill,
    BillLine,
    Deducted,
    LineTax,
    Quote,
    Statement,
    Tax,
    amount_of,
    known,
)

ADVANCE: Final = "advance"
"""The kind and the code of a line of an advance."""
_Taxes = tuple[tuple[str, str, str], ...]
"""Component, category and rate of each tax of a line."""


class Deducting(Protocol):
    """Tells that an invoice of an advance is deducted, by its number and day."""

    def __call__(self, number: str, day: date) -> str:
        """Return the description of the line."""


class AdvanceWords(Struct, frozen=True):
    """What is said of advances, in the language of a quote: the line of an advance, that of one
    deducted, and why one is given back.
    """

    line: str
    deducted: Deducting
    not_due: str


def invoice_advance(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    payment: Payment,
    agreed: Quote,
    selling: Selling,
    asked: Asked,
    words: AdvanceWords,
) -> tuple[KeptQuote, KeptBill]:
    """Return a quote with the invoice of an advance that is recorded in this transaction.

    Args:
        agreed: the agreed revision with its additions; its tax is known.

    Raises: InvoiceNeeds.
    """
    lines = tuple(_advance_lines(agreed, payment.amount, words.line))
    unmet = tuple(unmet_of(lines, is_vat=selling.is_vat))
    customer = check_needs(selling, asked.customer, is_strict=not unmet)
    billing = customer.billing
    reference = asked.order_reference
    bill = summed(
        Bill(
            number="",
            kind="advance",
            quote=f"Q{quote.number}",
            engine=agreed.engine,
            language=agreed.language,
            issued_on=stamp.today,
            supplied_on=None,
            paid_on=payment.day,
            due_on=stamp.today,
            order_reference=reference or (billing.order_reference if billing else None),
            currency=payment.amount.currency,
            seller=seller_of(selling),
            buyer=buyer_of(customer),
            lines=lines,
            taxes=tuple(_taxes(agreed.taxes, lines)),
            exemption=agreed.exemption,
            **no_sums(payment.amount.currency),
            prepaid=amount_of(payment.amount),
            profile=None if unmet else PROFILE,
            unmet=unmet,
        )
    )
    return keep_bill(records, stamp, quote, bill, buyer=customer.number)


def is_invoiced_before(records: Records, quote: KeptQuote, payment: Payment) -> bool:
    """Return whether the invoice of an advance is here, entered from its copy: the payment was
    recorded before a restore, and is now recorded again.

    Each such invoice stands for one payment of its amount that was recorded after it was entered.
    """
    entered = sorted(
        one.entered_at
        for one in records.bills.of_quote(quote.number)
        if one.entered_at is not None
        and one.kind is BillKind.advance
        and one.gross == payment.amount
        and any(open_lines(records, one))
    )
    if not entered:
        return False
    since = [
        one
        for one in records.payments.of_quote(quote.number)
        if one.amount == payment.amount and one.is_advance and one.at >= entered[0]
    ]
    # the payment itself is among them
    return len(since) <= len(entered)


def advances_billed(records: Records, quote: int) -> Money | None:
    """Return what is left of the invoices of a quote's advances, None if there are none."""
    left = [
        line.gross.money
        for one in records.bills.of_quote(quote)
        if one.kind is BillKind.advance
        for line in open_lines(records, one)
    ]
    return total(left, left[0].currency) if left else None


def deductions(
    records: Records, quote: KeptQuote, after: int, words: AdvanceWords
) -> tuple[tuple[BillLine, ...], tuple[Deducted, ...]]:
    """Return the lines that deduct what is left of the invoices of a quote's advances, with places
    `after` those of other lines, and the sums of each such invoice.
    """
    lines: list[BillLine] = []
    deducts: list[Deducted] = []
    for one in records.bills.of_quote(quote.number):
        left = tuple(open_lines(records, one)) if one.kind is BillKind.advance else ()
        if not left:
            continue
        for line in left:
            place = after + len(lines) + 1
            lines.append(_deducted(line, place, words.deducted(one.name, one.day)))
        sums = {
            name: amount_of(total((getattr(line, name).money for line in left), quote.net.currency))
            for name in ("net", "tax", "gross")
        }
        deducts.append(Deducted(number=one.name, issued_on=one.day, **sums))
    return tuple(lines), tuple(deducts)


def credit_undue(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    statement: Statement | None,
    words: AdvanceWords,
) -> KeptQuote:
    """Return a quote with credit notes on what its advances billed, at any rate, beyond what its
    statement comes to: on all of it if there is no statement. The newest advance goes first.
    """
    due: dict[_Taxes, int] = {}
    for line in () if statement is None else statement.lines:
        due[_key(line.taxes)] = due.get(_key(line.taxes), 0) + line.net.money.minor
    bills = [
        one
        for one in records.bills.of_quote(quote.number)
        if one.kind is BillKind.advance and deducted_by(records, one) is None
    ]
    beyond = _beyond(due, (line for one in bills for line in open_lines(records, one)))
    for one in reversed(bills):
        places, portions = _given_back(tuple(open_lines(records, one)), beyond)
        if places or portions:
            quote, _ = credit(
                records,
                stamp,
                quote,
                one,
                reason=words.not_due,
                places=places,
                portions=portions,
            )
    return quote


def _beyond(due: Mapping[_Taxes, int], lines: Iterable[BillLine]) -> dict[_Taxes, int]:
    """Return by how much lines of advances are beyond what is due, at each rate in minor units."""
    billed: dict[_Taxes, int] = {}
    for line in lines:
        billed[_key(line.taxes)] = billed.get(_key(line.taxes), 0) + line.net.money.minor
    return {key: net - max(due.get(key, 0), 0) for key, net in billed.items()}


def _given_back(
    lines: Sequence[BillLine], beyond: dict[_Taxes, int]
) -> tuple[list[int], list[Portion]]:
    """Return the whole lines and the parts of lines that are given back; `beyond` becomes less."""
    places: list[int] = []
    portions: list[Portion] = []
    for line in lines:
        net, key = line.net.money, _key(line.taxes)
        back = min(beyond.get(key, 0), net.minor)
        if back <= 0:
            continue
        beyond[key] -= back
        if back == net.minor:
            places.append(line.line)
        else:
            portions.append(Portion(line=line.line, net=Money(back, net.currency)))
    return places, portions


def _advance_lines(agreed: Quote, amount: Money, description: str) -> Iterator[BillLine]:
    """Yield a line for each way in which what was agreed is taxed, with its part of an advance."""
    groups: dict[_Taxes, tuple[int, tuple[LineTax, ...]]] = {}
    for line in agreed.lines:
        key = _key(line.taxes)
        before, taxes = groups.get(key, (0, line.taxes))
        groups[key] = before + known(line.gross).minor, taxes
    shares = [(gross, taxes) for gross, taxes in groups.values() if gross > 0]
    whole, upto, given = sum(gross for gross, _ in shares), 0, 0
    place = 0
    for gross, taxes in shares:
        upto += gross
        part = round_ratio(amount.minor * upto, whole) - given
        given += part
        if part:
            place += 1
            yield _line(place, Money(part, amount.currency), taxes, description)


def _line(place: int, gross: Money, taxes: Sequence[LineTax], description: str) -> BillLine:
    """Return the line of an advance of a gross amount, out of which its taxes are taken."""
    rates = [Fraction(tax.rate) if tax.category in CHARGED else Fraction(0) for tax in taxes]
    bottom = 100 + sum(rates)
    minors = []
    for rate in rates:
        exact = gross.minor * rate / bottom
        minors.append(round_ratio(exact.numerator, exact.denominator))
    tax = Money(sum(minors), gross.currency)
    net = amount_of(gross - tax)
    return BillLine(
        line=place,
        source=None,
        role="item",
        kind=ADVANCE,
        code=ADVANCE,
        description=description,
        unit=LUMP_SUM,
        measure="lump sum",
        quantity="1",
        unit_price=net.amount,
        base_quantity="1",
        net=net,
        tax=amount_of(tax),
        gross=amount_of(gross),
        taxes=tuple(
            structs.replace(one, base=net, amount=amount_of(Money(minor, gross.currency)))
            for one, minor in zip(taxes, minors, strict=True)
        ),
    )


def _taxes(agreed: Sequence[Tax], lines: Sequence[BillLine]) -> Iterator[Tax]:
    """Yield the taxes of an advance, as the agreed ones are named."""
    for tax in agreed:
        own = [
            one
            for line in lines
            for one in line.taxes
            if one.component == tax.component and one.category in CHARGED
        ]
        if own:
            currency = own[0].base.currency
            yield structs.replace(
                tax,
                base=amount_of(total((one.base.money for one in own), currency)),
                amount=amount_of(total((one.amount.money for one in own), currency)),
            )


def _deducted(line: BillLine, place: int, description: str) -> BillLine:
    """Return the line that deducts a line of an advance: a quantity below zero at its price."""
    return structs.replace(
        line,
        line=place,
        source=None,
        description=description,
        unit=LUMP_SUM,
        measure="lump sum",
        quantity="-1",
        unit_price=line.net.amount,
        base_quantity="1",
        net=amount_of(-line.net.money),
        tax=amount_of(-line.tax.money),
        gross=amount_of(-line.gross.money),
        taxes=tuple(
            structs.replace(
                tax, base=amount_of(-tax.base.money), amount=amount_of(-tax.amount.money)
            )
            for tax in line.taxes
        ),
    )


def _key(taxes: Sequence[LineTax]) -> _Taxes:
    return tuple((one.component, one.category.value, one.rate) for one in taxes)
