"""Invoicing: invoices made from statements, less what the invoices of advances billed before."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from kitwright.keeping.accounts import account_of, statement_of
from kitwright.keeping.acts import ACTS, ActRefused, Standing
from kitwright.keeping.advancing import AdvanceWords, deductions
from kitwright.keeping.bill_numbers import keep_bill
from kitwright.keeping.bill_parties import Asked, Selling, buyer_of, check_needs, seller_of
from kitwright.keeping.bill_sums import PROFILE, no_sums, summed, taxes_of, unmet_of, with_items
from kitwright.keeping.crediting import is_open
from kitwright.keeping.paying import is_payable
from kitwright.keeping.record import Billing, BillKind, KeptBill, KeptQuote, QuoteState, Stamp
from kitwright.keeping.store import Records
from kitwright.money import total
from kitwright.quote import (
    WARRANTY,
    Bill,
    BillLine,
    BillRole,
    Statement,
    StatementLine,
    amount_of,
    net_price,
    read_statement,
)


class AlreadyInvoiced(ActRefused):
    """A statement with an invoice that is not credited completely."""

    code = "already-invoiced"

    def __init__(self, number: str) -> None:
        super().__init__(
            f"invoice {number} is made from this statement: credit it before another is made"
        )
        self.number = number


class NothingToInvoice(ActRefused):
    """A statement on which nothing is billed, or that the shop bears by its warranty."""

    code = "nothing-to-invoice"

    def __init__(self) -> None:
        super().__init__("the statement comes to nothing: no invoice is made of it")


def make_invoice(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    selling: Selling,
    asked: Asked,
    words: AdvanceWords,
) -> tuple[KeptQuote, KeptBill]:
    """Return a quote with the invoice made from its statement. What is left of the invoices of its
    advances is deducted, by lines of its own with their taxes.

    Raises: NoStatement, AlreadyInvoiced, NothingToInvoice, InvoiceNeeds.
    """
    statement = read_statement(statement_of(records, quote).body)
    _check_credited(records, quote)
    billed = tuple(billed_lines(statement))
    if not billed or _is_borne(statement):
        raise NothingToInvoice
    less, deducts = deductions(records, quote, len(billed), words)
    lines = with_items((*billed, *less))
    unmet = tuple(unmet_of(lines, is_vat=selling.is_vat))
    customer = check_needs(selling, asked.customer, is_strict=not unmet)
    account = account_of(records, quote)
    billing = customer.billing or Billing()
    seller = selling.seller
    currency = quote.net.currency
    before = total((one.gross.money for one in deducts), currency)
    bill = summed(
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
            seller=seller_of(selling),
            buyer=buyer_of(customer),
            lines=lines,
            taxes=taxes_of(lines, statement.taxes) if less else statement.taxes,
            exemption=statement.exemption,
            **no_sums(currency),
            prepaid=amount_of(account.paid - account.rounded - before),
            deducts=deducts,
            profile=None if unmet else PROFILE,
            unmet=unmet,
        )
    )
    return keep_bill(records, stamp, quote, bill, buyer=customer.number)


def standing_of(records: Records, quote: KeptQuote) -> Standing:
    """Return how the account of a quote stands."""
    kept = records.statements.get(quote.number) if quote.state is QuoteState.done else None
    if kept is None:
        can_pay = quote.state in ACTS["pay"] and is_payable(records, quote)
        return Standing(is_payable=can_pay)
    open_bills = (
        one
        for one in records.bills.of_quote(quote.number)
        if one.kind is BillKind.invoice and is_open(records, one)
    )
    return Standing(
        is_payable=is_payable(records, quote),
        is_here=records.handovers.get(quote.number) is None,
        is_billable=_can_bill(read_statement(kept.body)) and not any(open_bills),
    )


def _can_bill(statement: Statement) -> bool:
    return any(billed_lines(statement)) and not _is_borne(statement)


def _is_borne(statement: Statement) -> bool:
    """Return whether the shop bears all of a statement by its warranty."""
    has_borne = any(line.code == WARRANTY for line in statement.lines)
    return has_borne and not statement.gross.money.minor


def _check_credited(records: Records, quote: KeptQuote) -> None:
    for one in records.bills.of_quote(quote.number):
        if one.kind is BillKind.invoice and is_open(records, one):
            raise AlreadyInvoiced(one.name)


def billed_lines(statement: Statement) -> Iterator[BillLine]:
    """Yield the lines that an invoice bills of a statement."""
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


def _is_billed(line: StatementLine) -> bool:
    if line.kind == "discount":
        return bool(line.net.money.minor)
    return line.quantity != "0"


def _role(line: StatementLine) -> BillRole:
    minor = line.net.money.minor
    if minor < 0:
        return "allowance"
    return "charge" if line.kind == "freight" and minor else "item"
