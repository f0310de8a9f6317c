"""Invoicing: invoices made from statements, and the credit notes that correct them.

Numbers of a series have no gaps: each is the last one and one more, taken in the transaction that
keeps the document. A generation of the records has series of its own, because after a restore
nobody knows which numbers were handed out since the backup.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from hashlib import sha256
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import Contact, Seller
from kitwright.keeping.accounts import account_of, statement_of
from kitwright.keeping.acts import ActRefused, Standing
from kitwright.keeping.bill_lines import Portion, TooLarge, part_of, rest_of
from kitwright.keeping.countries import COUNTRIES
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.record import (
    Billing,
    BillKind,
    Customer,
    KeptBill,
    KeptQuote,
    QuoteState,
    Stamp,
    bill_name,
)
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import (
    Amount,
    Bill,
    BillLine,
    BillRole,
    LineTax,
    Party,
    Registered,
    Statement,
    StatementLine,
    Tax,
    amount_of,
    encode_billing,
    net_price,
    read_bill,
    read_statement,
)
from kitwright.tax import Category

PROFILE: Final = "urn:cen.eu:en16931:2017"
"""The identifier of the rules of EN 16931."""
_FAR: Final = "a sum of rounded taxes is 1.00 or more from its base times the rate"
_CHARGED: Final = (Category.standard, Category.zero)
_LETTERS: Final = {BillKind.invoice: "I", BillKind.credit_note: "C"}


class InvoiceNeeds(ActRefused):
    """An invoice for which something of the customer or the shop is missing."""

    code = "invoice-needs"

    def __init__(self, members: Sequence[str]) -> None:
        super().__init__(
            f"an invoice needs {', '.join(members)}: members of `customer` are the customer's "
            "record, those of `seller` are in the shop's file"
        )
        self.members = tuple(members)


class AlreadyInvoiced(ActRefused):
    """A statement with an invoice that is not credited completely."""

    code = "already-invoiced"

    def __init__(self, number: str) -> None:
        super().__init__(
            f"invoice {number} is made from this statement: credit it before another is made"
        )
        self.number = number


class NothingToInvoice(ActRefused):
    """A statement on which nothing is billed, or all of it is taken off."""

    code = "nothing-to-invoice"

    def __init__(self) -> None:
        super().__init__("the statement comes to nothing: no invoice is made of it")


class NotCreditable(ActRefused):
    """Lines of an invoice that are credited already, or not there, or come to nothing."""

    code = "not-creditable"

    def __init__(self, number: str, why: str) -> None:
        super().__init__(f"{number} can't be credited so: {why}")
        self.number = number


class Selling(Struct, frozen=True, kw_only=True):
    """Who sells, by which kind of tax: `is_vat` says that EN 16931 may know it."""

    name: str
    seller: Seller
    contact: Contact
    is_vat: bool


class Asked(Struct, frozen=True, kw_only=True):
    """What the caller says of an invoice: its buyer, references and terms."""

    customer: Customer | None
    order_reference: str | None = None
    terms: str | None = None
    due_on: date | None = None


def series_of(records: Records, kind: BillKind) -> str:
    """Return the series of the current generation: `I1`, after a restore `I2-5D0A`, for example.

    Two restores of one backup have the same number, but different epochs.
    """
    now = records.generations.current()
    mark = "" if now.number == 1 else f"-{now.epoch[:4].upper()}"
    return f"{_LETTERS[kind]}{now.number}{mark}"


def make_invoice(
    records: Records, stamp: Stamp, quote: KeptQuote, selling: Selling, asked: Asked
) -> tuple[KeptQuote, KeptBill]:
    """Return a quote with the invoice made from its statement.

    Raises: NoStatement, AlreadyInvoiced, NothingToInvoice, InvoiceNeeds.
    """
    statement = read_statement(statement_of(records, quote).body)
    _check_credited(records, quote)
    lines = _with_items(tuple(_lines(statement)))
    if not lines or not statement.gross.money.minor:
        raise NothingToInvoice
    unmet = tuple(_unmet(selling, lines))
    needs = tuple(_needs(selling, asked.customer, is_strict=not unmet))
    if needs or asked.customer is None:
        raise InvoiceNeeds(needs)
    account = account_of(records, quote)
    billing = asked.customer.billing or Billing()
    seller = selling.seller
    currency = quote.net.currency
    nothing = amount_of(Money(0, currency))
    bill = _summed(
        Bill(
            number="",
            kind="invoice",
            quote=statement.quote,
            engine=statement.engine,
            language=statement.language,
            issued_on=stamp.today,
            supplied_on=statement.supplied_on,
            due_on=asked.due_on or stamp.today + timedelta(days=seller.due_days),
            terms=asked.terms or seller.terms,
            order_reference=asked.order_reference or billing.order_reference,
            account=seller.account,
            account_name=seller.account_name,
            currency=currency,
            seller=_seller(selling),
            buyer=_buyer(asked.customer),
            lines=lines,
            taxes=statement.taxes,
            exemption=statement.exemption,
            lines_net=nothing,
            allowances=nothing,
            charges=nothing,
            net=nothing,
            tax=nothing,
            gross=nothing,
            payable=nothing,
            prepaid=amount_of(account.paid - account.rounded),
            profile=None if unmet else PROFILE,
            unmet=unmet,
        )
    )
    return _keep(records, stamp, quote, BillKind.invoice, bill, None)


def credit(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    invoice: KeptBill,
    *,
    reason: str,
    places: Sequence[int],
    portions: Sequence[Portion] = (),
) -> tuple[KeptQuote, KeptBill]:
    """Return a quote with a credit note on an invoice: on what is left of some of its lines, on
    parts of lines, or without any named, on all that is left. With a line goes its tax, with a part
    of it so much of that. No more is given back than is left of the invoice.

    Raises: NotCreditable.
    """
    if invoice.kind is not BillKind.invoice:
        raise NotCreditable(invoice.name, "it is a credit note")
    original = read_bill(invoice.body)
    lines = _credited_lines(records, invoice, places, portions)
    nothing = amount_of(Money(0, original.currency))
    unmet = original.unmet or (() if _is_near(lines) else (_FAR,))
    bill = _summed(
        structs.replace(
            original,
            kind="credit_note",
            credits=invoice.name,
            credits_on=original.issued_on,
            reason=reason,
            issued_on=stamp.today,
            due_on=stamp.today,
            terms=None,
            lines=_with_items(lines),
            taxes=_taxes(lines, original.taxes),
            prepaid=nothing,
            profile=None if unmet else PROFILE,
            unmet=unmet,
        )
    )
    if bill.gross.money.minor < 0:
        raise NotCreditable(invoice.name, "these lines come to less than nothing")
    left = total((line.gross.money for line in _open_lines(records, invoice)), original.currency)
    if bill.gross.money > left:
        why = f"these lines come to more than the {left.amount_text} that is left of it"
        raise NotCreditable(invoice.name, f"{why}: credit discounts together with their lines")
    return _keep(records, stamp, quote, BillKind.credit_note, bill, invoice)


def _keep(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    kind: BillKind,
    bill: Bill,
    credited: KeptBill | None,
) -> tuple[KeptQuote, KeptBill]:
    """Keep a document under the next number of its series; return the quote with its event."""
    series = series_of(records, kind)
    place = records.bills.last(series) + 1
    numbered = structs.replace(bill, number=bill_name(series, place))
    body = encode_billing(numbered)
    kept = records.bills.add(
        KeptBill(
            number=0,
            series=series,
            place=place,
            kind=kind,
            quote=quote.number,
            credited_series=None if credited is None else credited.series,
            credited_place=None if credited is None else credited.place,
            at=stamp.at,
            day=stamp.today,
            net=numbered.net.money,
            gross=numbered.gross.money,
            sha256=sha256(body).hexdigest(),
            body=body,
        )
    )
    facts: Facts = {"number": kept.name, "billed": kept.gross.amount_text}
    if credited is None:
        return keep_change(records, stamp, "quote.invoiced", quote, facts), kept
    facts = {**facts, "credits": credited.name}
    return keep_change(records, stamp, "quote.credited", quote, facts), kept


def standing_of(records: Records, quote: KeptQuote) -> Standing:
    """Return how the account of a quote stands."""
    kept = records.statements.get(quote.number) if quote.state is QuoteState.done else None
    if kept is None:
        return Standing()
    open_bills = (
        one
        for one in records.bills.of_quote(quote.number)
        if one.kind is BillKind.invoice and any(_open_lines(records, one))
    )
    return Standing(
        is_owed=account_of(records, quote).balance.minor > 0,
        is_here=records.handovers.get(quote.number) is None,
        is_billable=kept.gross.minor != 0
        and any(_lines(read_statement(kept.body)))
        and not any(open_bills),
    )


def _check_credited(records: Records, quote: KeptQuote) -> None:
    for one in records.bills.of_quote(quote.number):
        if one.kind is BillKind.invoice and any(_open_lines(records, one)):
            raise AlreadyInvoiced(one.name)


def _open_lines(records: Records, invoice: KeptBill) -> Iterator[BillLine]:
    """Yield what credit notes left of the lines of an invoice."""
    given = _given(records, invoice)
    for line in read_bill(invoice.body).lines:
        rest = rest_of(line, given.get(line.line, ()))
        if rest is not None:
            yield rest


def _given(records: Records, invoice: KeptBill) -> Mapping[int, Sequence[BillLine]]:
    """Return what credit notes gave back of each line of an invoice."""
    given: dict[int, list[BillLine]] = {}
    for one in records.bills.of_quote(invoice.quote):
        if one.credited == invoice.name:
            for line in read_bill(one.body).lines:
                given.setdefault(line.line, []).append(line)
    return given


def _credited_lines(
    records: Records, invoice: KeptBill, places: Sequence[int], portions: Sequence[Portion]
) -> tuple[BillLine, ...]:
    """Return the lines of a credit note: what is left of some lines, and parts of others."""
    named = [*places, *(one.line for one in portions)]
    left = {line.line: line for line in _open_lines(records, invoice)}
    wrong = [place for place in named if place not in left]
    if wrong or len(set(named)) < len(named):
        told = ", ".join(map(str, wrong)) or "a line twice"
        raise NotCreditable(invoice.name, f"not on it, or credited already: {told}")
    lines = {place: left[place] for place in (places if named else left)}
    whole = {line.line: line for line in read_bill(invoice.body).lines}
    given = _given(records, invoice)
    for one in portions:
        try:
            lines[one.line] = part_of(whole[one.line], given.get(one.line, ()), one)
        except TooLarge as error:
            raise NotCreditable(invoice.name, f"line {one.line}: {error}") from None
    if not lines:
        raise NotCreditable(invoice.name, "every line of it is credited already")
    return tuple(lines[place] for place in sorted(lines))


def _lines(statement: Statement) -> Iterator[BillLine]:
    """Yield what is billed."""
    billed = [
        (place, line) for place, line in enumerate(statement.lines, start=1) if _is_billed(line)
    ]
    for at, (place, line) in enumerate(billed, start=1):
        role = _role(line)
        quantity, price, base = "1", line.net.amount, "1"
        if role == "item":
            quantity = line.quantity
            price, base = net_price(line)
        yield BillLine(
            line=at,
            source=place,
            role=role,
            kind=line.kind,
            code=line.code,
            description=line.description,
            unit=line.unit if role == "item" else "C62",
            measure=line.measure,
            quantity=quantity,
            unit_price=price,
            base_quantity=base,
            net=line.net,
            tax=line.tax,
            gross=line.gross,
            taxes=line.taxes,
        )


def _with_items(lines: tuple[BillLine, ...]) -> tuple[BillLine, ...]:
    """Return lines of which at least one is an item, as a document needs it. Without any, all are:
    what is taken off is then a negative quantity, because no price is negative.
    """
    if any(line.role == "item" for line in lines):
        return lines
    return tuple(map(_as_item, lines))


def _as_item(line: BillLine) -> BillLine:
    net = line.net.money
    if net.minor < 0:
        return structs.replace(line, role="item", quantity="-1", unit_price=(-net).amount_text)
    return structs.replace(line, role="item")


def _is_billed(line: StatementLine) -> bool:
    if line.kind == "discount":
        return bool(line.net.money.minor)
    return line.quantity != "0"


def _role(line: StatementLine) -> BillRole:
    minor = line.net.money.minor
    if minor < 0:
        return "allowance"
    return "charge" if line.kind == "freight" and minor else "item"


def _unmet(selling: Selling, lines: Sequence[BillLine]) -> Iterator[str]:
    """Yield why EN 16931 does not know the taxes of an invoice."""
    if not selling.is_vat:
        yield "the tax area's tax is not a value added tax"
        return
    # where other components do not apply, they say so
    charged = [
        [tax for tax in line.taxes if tax.category is not Category.outside] for line in lines
    ]
    if any(len(taxes) > 1 for taxes in charged):
        yield "a line has more than one tax"
    elif not all(charged):
        yield "a line is outside the scope of the tax"
    elif not _is_near(lines):
        yield _FAR


def _is_near(lines: Sequence[BillLine]) -> bool:
    """Return whether the tax at each rate is as near to its base times the rate as EN 16931 has it:
    taxes that are rounded line by line may add up to more, or less.
    """
    sums: dict[str, list[Fraction]] = {}
    for line in lines:
        for tax in line.taxes:
            if tax.category in _CHARGED:
                both = sums.setdefault(tax.rate, [Fraction(0), Fraction(0)])
                both[0] += Fraction(tax.base.amount)
                both[1] += Fraction(tax.amount.amount)
    return all(
        abs(round(base * Fraction(rate) / 100, 2) - amount) < 1
        for rate, (base, amount) in sums.items()
    )


def _needs(selling: Selling, customer: Customer | None, *, is_strict: bool) -> Iterator[str]:
    """Yield the members of customer and shop that an invoice lacks."""
    if customer is None or customer.erased_at is not None:
        yield "customer"
    if not is_strict:
        return
    seller = selling.seller
    billing = Billing() if customer is None else customer.billing or Billing()
    for whose, found, members in (
        ("seller", seller, ("city", "country", "vat_id")),
        ("customer.billing", billing, ("city", "country")),
    ):
        for member in members:
            value = getattr(found, member)
            if value is None or (member == "country" and value not in COUNTRIES):
                yield f"{whose}.{member}"


def _seller(selling: Selling) -> Party:
    seller, contact = selling.seller, selling.contact
    return Party(
        name=seller.name or selling.name,
        **{name: getattr(seller, name) for name in Registered.__struct_fields__},
        telephone=contact.telephone,
        email=contact.email,
    )


def _buyer(customer: Customer) -> Party:
    billing = customer.billing or Billing()
    return Party(
        name=customer.name,
        **{name: getattr(billing, name) for name in Registered.__struct_fields__},
        telephone=customer.telephone,
        email=customer.email,
    )


def _summed(bill: Bill) -> Bill:
    """Return an invoice or a credit note with the sums of its lines."""

    def added(moneys: Iterator[Money]) -> Money:
        return total(moneys, bill.currency)

    nets = {
        role: added(line.net.money for line in bill.lines if line.role == role)
        for role in ("item", "charge", "allowance")
    }
    gross = added(line.gross.money for line in bill.lines)
    return structs.replace(
        bill,
        lines_net=amount_of(nets["item"]),
        allowances=amount_of(-nets["allowance"]),
        charges=amount_of(nets["charge"]),
        net=amount_of(added(line.net.money for line in bill.lines)),
        tax=amount_of(added(line.tax.money for line in bill.lines)),
        gross=amount_of(gross),
        payable=amount_of(gross - bill.prepaid.money),
    )


def _taxes(lines: Sequence[BillLine], taxes: Sequence[Tax]) -> tuple[Tax, ...]:
    """Return the taxes of some lines of a document, from those of the whole."""
    found: dict[str, list[LineTax]] = {}
    for line in lines:
        for tax in line.taxes:
            if tax.category in _CHARGED:
                found.setdefault(tax.component, []).append(tax)

    def added(moneys: Iterator[Money]) -> Amount:
        return amount_of(total(moneys, lines[0].net.currency))

    return tuple(
        structs.replace(
            tax,
            base=added(one.base.money for one in found[tax.component]),
            amount=added(one.amount.money for one in found[tax.component]),
        )
        for tax in taxes
        if tax.component in found
    )
