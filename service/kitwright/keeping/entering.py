"""Entering: keeps an invoice or a credit note that was made between a backup and its restore, from
its copy.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Final

import msgspec

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.bill_gaps import last_told, split_number
from kitwright.keeping.bill_numbers import keep_copy, letter_of, series_in
from kitwright.keeping.bill_parties import buyer_of
from kitwright.keeping.bill_sums import summed, taxes_of
from kitwright.keeping.reconciling import check_fits, credit_differs
from kitwright.keeping.record import BillKind, KeptBill, KeptQuote, Stamp, bill_name
from kitwright.keeping.store import Records
from kitwright.money import total
from kitwright.quote import Bill, read_bill

_NAMESAKES: Final = 100
"""How many customers of a buyer's name are looked at."""


class CopyUnsound(ActRefused):
    """A copy of an invoice that can't be what was handed out."""

    code = "copy-unsound"

    def __init__(self, why: str) -> None:
        super().__init__(f"this is no copy of an invoice or a credit note of this shop: {why}")
        self.why = why


class NumberNotMissing(ActRefused):
    """A copy of a document that is here, or whose number no earlier series has."""

    code = "number-not-missing"

    def __init__(self, number: str, why: str) -> None:
        super().__init__(f"{number} is not entered from a copy: {why}")
        self.number = number


class CreditsUnknown(ActRefused):
    """A credit note on an invoice that is not here."""

    code = "credits-unknown"

    def __init__(self, number: str) -> None:
        super().__init__(f"it corrects {number}, which is not here: enter that first")
        self.number = number


def read_copy(text: str, digest: str | None, currency: str, stamp: Stamp) -> Bill:
    """Return the document of a copy, once it is sound in itself.

    Args:
        text: its JSON, byte for byte.
        digest: its SHA-256 in hex, None if that is not known.

    Raises: CopyUnsound.
    """
    body = text.encode()
    if digest is not None and sha256(body).hexdigest() != digest:
        raise CopyUnsound("its SHA-256 is not the one that is given")
    try:
        bill = read_bill(body)
    except msgspec.DecodeError as error:
        raise CopyUnsound(f"it can't be read ({error})") from None
    try:
        why = _unsound(bill)
    except (ArithmeticError, ValueError):
        why = "an amount in it is no amount"
    if why is None and bill.currency != currency:
        why = f"it is in {bill.currency}, and the shop bills in {currency}"
    if why is None and bill.issued_on > stamp.today:
        why = f"it is dated {bill.issued_on.isoformat()}, which is yet to come"
    if why is not None:
        raise CopyUnsound(why)
    return bill


def enter_bill(
    records: Records, stamp: Stamp, quote: KeptQuote, bill: Bill, text: str
) -> tuple[KeptQuote, KeptBill]:
    """Return a quote with a document that was made for it before a restore, in its own series.

    Raises: NumberNotMissing, CreditsUnknown, CopyUnsound, BilledAlready, CopyDiffers.
    """
    number = _number(records, bill)
    credited = None
    if bill.credits is None:
        check_fits(records, quote, bill)
    else:
        credited = _named(records, bill.credits)
        if credited is None:
            raise CreditsUnknown(bill.credits)
        _check_credit(records, bill, credited)
        quote = records.quotes.get(credited.quote) or quote
    buyer = _buyer(records, bill, credited)
    return keep_copy(records, stamp, quote, bill, text.encode(), number, credited, buyer=buyer)


def _named(records: Records, number: str) -> KeptBill | None:
    found = split_number(number)
    return None if found is None else records.bills.named(*found)


def _number(records: Records, bill: Bill) -> tuple[str, int]:
    """Return the series and the place of a document that is missing. Raises: NumberNotMissing."""
    found = split_number(bill.number)
    if found is None or not found[0].startswith(letter_of(BillKind(bill.kind))):
        raise NumberNotMissing(bill.number, "no series of such documents has that number")
    series, place = found
    *earlier, now = records.generations.every()
    kind = BillKind(bill.kind)
    if series == series_in(now, kind):
        raise NumberNotMissing(bill.number, "its series is that of today, which has no gaps")
    if series not in [series_in(one, kind) for one in earlier]:
        raise NumberNotMissing(bill.number, "no series of this folder has that number")
    if records.bills.named(series, place) is not None:
        raise NumberNotMissing(bill.number, "it is here")
    last = last_told(records).get(series)
    if last is not None and place > max(last, records.bills.last(series)) + 1:
        why = (
            f"the owner told that {bill_name(series, last)} was the last of its series: if others "
            "were handed out after it, enter them in their order"
        )
        raise NumberNotMissing(bill.number, why)
    return series, place


def _check_credit(records: Records, bill: Bill, credited: KeptBill) -> None:
    """Raise CopyUnsound if a credit note can't be on an invoice."""
    if credited.kind is BillKind.credit_note:
        raise CopyUnsound(f"it corrects {credited.name}, which is a credit note")
    before = total(
        (
            one.gross
            for one in records.bills.of_quote(credited.quote)
            if one.credited == credited.name
        ),
        bill.currency,
    )
    if before + bill.gross.money > credited.gross:
        raise CopyUnsound(f"with it, more than {credited.name} came to would be given back")
    why = credit_differs(records, credited, bill)
    if why is not None:
        raise CopyUnsound(why)


def _unsound(bill: Bill) -> str | None:
    """Return why a document's figures don't fit together; None if they do."""
    if not bill.lines:
        return "it has no lines"
    for line in bill.lines:
        if line.net.money + line.tax.money != line.gross.money:
            return f"net and tax of line {line.line} don't make its gross"
        taxes = total((tax.amount.money for tax in line.taxes), bill.currency)
        if taxes != line.tax.money:
            return f"the taxes of line {line.line} don't make its tax"
    if summed(bill) != bill:
        return "its sums are not those of its lines"
    named = {(tax.component, tax.rate): tax.amount for tax in bill.taxes if tax.amount.money.minor}
    found = {
        (tax.component, tax.rate): tax.amount
        for tax in taxes_of(bill.lines, bill.taxes)
        if tax.amount.money.minor
    }
    if (
        named != found
        or total((tax.amount.money for tax in bill.taxes), bill.currency) != bill.tax.money
    ):
        return "its taxes are not those of its lines"
    if (bill.kind == "credit_note") != (bill.credits is not None):
        return "a credit note names the invoice that it corrects, and only that does"
    return None


def _buyer(records: Records, bill: Bill, credited: KeptBill | None) -> int | None:
    """Return the number of the customer to whom a document is made out: that of the invoice that it
    credits, or the only one who would be named as its buyer is; else None.
    """
    if credited is not None:
        return credited.buyer
    words = tuple(bill.buyer.name.split())
    found = records.customers.find(words, None, _NAMESAKES) if words else ()
    same = [one.number for one in found if buyer_of(one) == bill.buyer]
    return same[0] if len(same) == 1 else None
