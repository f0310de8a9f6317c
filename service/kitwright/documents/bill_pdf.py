"""Bill PDF: an invoice or a credit note as a printed document."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time

from kitwright.catalogue.model import Contact
from kitwright.documents.balance_view import exemption_told
from kitwright.documents.frame import bare_frame
from kitwright.documents.line_words import price_told
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.shop_words import account_told
from kitwright.documents.totals_view import Row, row
from kitwright.documents.ubl_bill import has_days_to_pay, notes_of, terms_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Bill, BillLine, Party, QuotingShop
from kitwright.tax import Category


def bill_pdf(bill: Bill) -> bytes:
    """Return an invoice or a credit note as PDF/UA-1, with the same amounts as its other forms. The
    same one gives the same bytes.
    """
    at = datetime.combine(bill.issued_on, time(), UTC)
    return press().print("bill.typ", bill_sheet(bill, Scribe(bill.language)), at=at)


def bill_sheet(bill: Bill, scribe: Scribe) -> Sheet:
    """Return the data of the template."""
    seller = bill.seller
    title = _title(bill, scribe)
    shop = QuotingShop(id="", name=seller.name, currency=bill.currency, prices_include_tax=False)
    contact = Contact(
        address=tuple(_address(seller)), telephone=seller.telephone, email=seller.email
    )
    at = datetime.combine(bill.issued_on, time(), UTC)
    return {
        **bare_frame(title, bill.number, shop, scribe, contact, at),
        "said": said("bill.typ", scribe),
        "currency": bill.currency,
        "buyer": [bill.buyer.name, *_address(bill.buyer), *_ids(bill.buyer, scribe)],
        "facts": [*_facts(bill, scribe)],
        "notes": [*notes_of(bill, scribe), *_exempt(bill, scribe)],
        "rows": [_row(line, scribe) for line in bill.lines],
        "totals": _totals(bill, scribe),
        "terms": [*_terms(bill, scribe)],
    }


def _title(bill: Bill, scribe: Scribe) -> str:
    if bill.kind == "credit_note":
        return scribe.say("Credit note")
    return scribe.say("Advance invoice") if bill.kind == "advance" else scribe.say("Invoice")


def _address(who: Party) -> Iterator[str]:
    town = " ".join(part for part in (who.postcode, who.city) if part)
    for line in (who.street, who.more, town, who.region, who.country):
        if line:
            yield line


def _ids(who: Party, scribe: Scribe) -> Iterator[str]:
    say = scribe.say
    for told, value in (
        (say("VAT number: {it}", it=who.vat_id), who.vat_id),
        (say("Tax number: {it}", it=who.tax_id), who.tax_id),
        (say("Register: {it}", it=who.registration), who.registration),
    ):
        if value:
            yield told


def _facts(bill: Bill, scribe: Scribe) -> Iterator[tuple[str, str]]:
    say, day = scribe.say, scribe.day
    rows = [
        (say("Number"), bill.number),
        (say("Corrects invoice"), bill.credits),
        (say("Date"), day(bill.issued_on)),
        (say("Supplied on"), bill.supplied_on and day(bill.supplied_on)),
        (say("Paid on"), bill.paid_on and day(bill.paid_on)),
        (say("Payable by"), day(bill.due_on) if has_days_to_pay(bill) else None),
        (say("Your order"), bill.order_reference),
        (say("Our VAT number"), bill.seller.vat_id),
        (say("Our tax number"), bill.seller.tax_id),
        (say("Our register number"), bill.seller.registration),
    ]
    for name, value in rows:
        if value:
            yield name, value


def _exempt(bill: Bill, scribe: Scribe) -> Iterator[str]:
    is_exempt = any(tax.category is Category.exempt for line in bill.lines for tax in line.taxes)
    if is_exempt and bill.exemption is not None:
        yield exemption_told(bill.exemption, scribe)


def _row(line: BillLine, scribe: Scribe) -> Sheet:
    each, quantity = "", ""
    if line.role == "item":
        each = price_told(line, line.net.currency, scribe)
        quantity = scribe.quantity(line.quantity, line.measure)
    return {
        "name": line.description,
        "code": line.code if line.kind in ("part", "set", "consumable") else "",
        "quantity": quantity,
        "each": each,
        "tax": "; ".join(_rates(line, scribe)),
        "net": scribe.amount(line.net),
    }


def _rates(line: BillLine, scribe: Scribe) -> Iterator[str]:
    for tax in line.taxes:
        if tax.category in (Category.standard, Category.zero):
            yield scribe.percent(tax.rate)
        elif tax.category is Category.exempt:
            yield scribe.say("exempt")


def _totals(bill: Bill, scribe: Scribe) -> list[Row]:
    say = scribe.say
    rows = [row(say("Total before tax"), bill.net, scribe)]
    for tax in bill.taxes:
        label = say(
            "{tax}, {rate} of {base}",
            tax=tax.name,
            rate=scribe.percent(tax.rate),
            base=scribe.amount(tax.base),
        )
        rows.append(row(label, tax.amount, scribe))
    paid = bill.prepaid.money
    rows.append(row(say("Total"), bill.gross, scribe, "plain" if paid.minor else "total"))
    if paid.minor:
        rows.append(row(say("Already paid"), -paid, scribe))
        rows.append(row(say("Left to pay"), bill.payable, scribe, "total"))
    return rows


def _terms(bill: Bill, scribe: Scribe) -> Iterator[str]:
    yield terms_of(bill, scribe)
    if bill.kind == "invoice":
        yield from account_told(bill.account, bill.account_name or bill.seller.name, scribe)
    if bill.seal:
        yield scribe.say("Seal: {seal}", seal=bill.seal)
