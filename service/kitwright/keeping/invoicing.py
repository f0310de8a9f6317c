"""Invoicing: invoices made from statements, less what the invoices of advances billed before."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from msgspec import structs

from kitwright.keeping.accounts import (
    account_of,
    bills_storage,
    bills_work,
    statement_of,
    with_storage,
)
from kitwright.keeping.acts import ACTS, ActRefused, Standing
from kitwright.keeping.advancing import AdvanceWords, deductions
from kitwright.keeping.bill_numbers import keep_bill
from kitwright.keeping.bill_parties import Asked, Selling, buyer_of, check_needs, seller_of
from kitwright.keeping.bill_sums import PROFILE, no_sums, summed, taxes_of, unmet_of, with_items
from kitwright.keeping.crediting import is_open
from kitwright.keeping.paying import is_payable
from kitwright.keeping.record import Billing, BillKind, KeptBill, KeptQuote, QuoteState, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import (
    STORAGE,
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
    """Return a quote with the invoice made from its statement, and from the storage that came after
    it: of what no invoice bills yet. What is left of the invoices of its advances is deducted, by
    lines of its own with their taxes.

    Raises: NoStatement, AlreadyInvoiced, NothingToInvoice, InvoiceNeeds.
    """
    handover = records.handovers.get(quote.number)
    statement = with_storage(read_statement(statement_of(records, quote).body), handover)
    billed = _left_to_bill(records, quote, statement)
    is_work = any(line.code != STORAGE for line in billed)
    less, deducts = deductions(records, quote, len(billed), words) if is_work else ((), ())
    lines = with_items((*billed, *less))
    unmet = tuple(unmet_of(lines, is_vat=selling.is_vat))
    customer = check_needs(selling, asked.customer, is_strict=not unmet)
    account = account_of(records, quote)
    billing = customer.billing or Billing()
    seller = selling.seller
    currency = quote.net.currency
    before = total((one.gross.money for one in deducts), currency)
    supplied_on, prepaid = statement.supplied_on, account.paid - account.rounded - before
    if not is_work and handover is not None:
        supplied_on = handover.day
        owed = total((one.billed for one in records.bills.of_quote(quote.number)), currency)
        prepaid = max(prepaid - owed, Money(0, currency))
    bill = summed(
        Bill(
            number="",
            kind="invoice",
            quote=statement.quote,
            engine=statement.engine,
            language=statement.language,
            issued_on=stamp.today,
            supplied_on=supplied_on,
            due_on=asked.due_on or stamp.today + timedelta(days=seller.due_days),
            terms=asked.terms or seller.terms,
            order_reference=asked.order_reference or billing.order_reference,
            account=seller.account,
            account_name=seller.account_name,
            currency=currency,
            seller=seller_of(selling),
            buyer=buyer_of(customer),
            lines=lines,
            taxes=taxes_of(lines, statement.taxes),
            exemption=statement.exemption,
            **no_sums(currency),
            prepaid=amount_of(prepaid),
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
    handover = records.handovers.get(quote.number)
    try:
        left = _left_to_bill(records, quote, with_storage(read_statement(kept.body), handover))
    except (AlreadyInvoiced, NothingToInvoice):
        left = ()
    return Standing(
        is_payable=is_payable(records, quote), is_here=handover is None, is_billable=bool(left)
    )


def _is_borne(statement: Statement) -> bool:
    """Return whether the shop bears all of a statement by its warranty, besides storage."""
    has_borne = any(line.code == WARRANTY for line in statement.lines)
    work = (one.gross.money.minor for one in statement.lines if one.code != STORAGE)
    return has_borne and not sum(work)


def _left_to_bill(records: Records, quote: KeptQuote, statement: Statement) -> tuple[BillLine, ...]:
    """Return the lines of a statement, with that of storage, that no invoice bills.

    Raises: AlreadyInvoiced, NothingToInvoice.
    """
    opened = [
        one
        for one in records.bills.of_quote(quote.number)
        if one.kind is BillKind.invoice and is_open(records, one)
    ]
    is_work_billed = any(map(bills_work, opened)) or _is_borne(statement)
    is_storage_billed = any(map(bills_storage, opened))
    left = [
        line
        for line in billed_lines(statement)
        if not (is_storage_billed if line.code == STORAGE else is_work_billed)
    ]
    if not left:
        raise AlreadyInvoiced(opened[0].name) if opened else NothingToInvoice()
    return tuple(structs.replace(line, line=at) for at, line in enumerate(left, start=1))


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
