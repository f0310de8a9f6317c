"""Reconciling: whether the copy of an invoice or a credit note fits what is kept of its quote.

A copy that is sound in itself may still bill work twice, or other work than that of the quote.
"""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.keeping.acts import ActRefused, NotNow
from kitwright.keeping.consent import limit_of
from kitwright.keeping.crediting import is_open, open_lines
from kitwright.keeping.invoicing import billed_lines
from kitwright.keeping.record import BillKind, KeptBill, KeptQuote
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import STORAGE, Bill, BillLine, read_bill, read_statement


class BilledAlready(ActRefused):
    """A copy of an invoice of what another invoice bills."""

    code = "billed-already"

    def __init__(self, number: str, other: str, quote: str) -> None:
        super().__init__(
            f"{other} bills {quote} already, and with {number} the same would be billed twice: "
            f"credit {other} before, and enter copies with their credit notes from the oldest"
        )
        self.number = number
        self.other = other


class CopyDiffers(ActRefused):
    """A copy that is not of this quote, or not of its statement."""

    code = "copy-differs"

    def __init__(self, number: str, quote: str, why: str) -> None:
        super().__init__(f"{number} is not an invoice of {quote}: {why}")
        self.number = number
        self.quote = quote


def check_fits(records: Records, quote: KeptQuote, bill: Bill) -> None:
    """Raise unless the copy of an invoice can be one of a quote: of what nothing else bills, for
    its customer, and with the lines of its statement; without one, within what was authorised.

    Raises: BilledAlready, CopyDiffers.
    """
    why = next(_differences(records, quote, bill), None)
    if why is not None:
        raise CopyDiffers(bill.number, f"Q{quote.number}", why)
    for one in records.bills.of_quote(quote.number):
        if _bills_same(one, bill) and is_open(records, one):
            raise BilledAlready(bill.number, one.name, f"Q{quote.number}")


def credit_differs(records: Records, credited: KeptBill, note: Bill) -> str | None:
    """Return why the copy of a credit note can't be on an invoice; None if it can."""
    left = {line.line: line for line in open_lines(records, credited)}
    for line in note.lines:
        whole = left.get(line.line)
        if whole is None or whole.code != line.code:
            return f"its line {line.line} is not one that {credited.name} has left"
        if not _is_part(line.net.money.minor, whole.net.money.minor):
            return f"its line {line.line} gives back more than {credited.name} has left of it"
    return None


def _is_part(part: int, whole: int) -> bool:
    return min(whole, 0) <= part <= max(whole, 0)


def _bills_same(kept: KeptBill, bill: Bill) -> bool:
    """Return whether a document bills the same work or the same advance as a copy."""
    if kept.kind.value != bill.kind:
        return False
    other = read_bill(kept.body)
    if kept.kind is BillKind.invoice:
        return bool(_billed_parts(other) & _billed_parts(bill))
    return (other.paid_on, other.gross) == (bill.paid_on, bill.gross)


def _billed_parts(bill: Bill) -> set[bool]:
    """Return whether an invoice bills storage, and whether it bills work: True and False."""
    return {line.code == STORAGE for line in bill.lines}


def _differences(records: Records, quote: KeptQuote, bill: Bill) -> Iterator[str]:
    named = bill.quote.removeprefix("Q")
    if (
        named != str(quote.number)
        and named.isascii()
        and named.isdigit()
        and records.quotes.get(int(named)) is not None
    ):
        yield f"it names {bill.quote}, which is here; leave `quote` out"
    customer = None if quote.customer is None else records.customers.get(quote.customer)
    if (
        customer is not None
        and customer.erased_at is None
        and _plain(customer.name) != _plain(bill.buyer.name)
    ):
        yield "its buyer has not the name of the quote's customer"
    if bill.kind == "invoice":
        yield from _billed_otherwise(records, quote, bill)


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def _billed_otherwise(records: Records, quote: KeptQuote, bill: Bill) -> Iterator[str]:
    lines = tuple(one for one in bill.lines if one.code != STORAGE)
    if not lines:
        return
    deducted = total((one.gross.money for one in bill.deducts), bill.currency)
    gross = total((one.gross.money for one in lines), bill.currency) + deducted
    kept = records.statements.get(quote.number)
    if kept is None:
        most = _authorised(records, quote, bill)
        if most is not None and most[0] > most[1]:
            yield (
                f"it bills {most[0].amount_text}, and no more than {most[1].amount_text} is "
                "authorised"
            )
        return
    statement = read_statement(kept.body)
    if gross != statement.gross.money:
        yield (
            f"before advances it comes to {gross.amount_text}, and the statement to "
            f"{statement.gross.money.amount_text}"
        )
    wanted = tuple(billed_lines(statement))
    for place, line in enumerate(wanted, start=1):
        if not any(_is_like(one, line) for one in lines[place - 1 : place]):
            yield f"its line {place} is not that of the statement"
    rest = lines[len(wanted) :]
    if rest and not bill.deducts:
        yield f"the statement has no line {len(wanted) + 1}"


def _is_like(one: BillLine, other: BillLine) -> bool:
    return (one.code, one.quantity, one.net, one.tax, one.gross) == (
        other.code,
        other.quantity,
        other.net,
        other.tax,
        other.gross,
    )


def _authorised(records: Records, quote: KeptQuote, bill: Bill) -> tuple[Money, Money] | None:
    """Return what a copy bills before its advances, and the most that is authorised, both with tax
    or both without; None if nothing is agreed.
    """
    try:
        limit = limit_of(records, quote)
    except NotNow:
        return None
    member = "gross" if limit.includes_tax else "net"
    before = total((getattr(one, member).money for one in bill.deducts), bill.currency)
    # storage is by the ticket, and not by what was authorised
    stored = total(
        (getattr(one, member).money for one in bill.lines if one.code == STORAGE), bill.currency
    )
    return getattr(bill, member).money + before - stored, limit.authorised
