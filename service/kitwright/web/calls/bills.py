"""Bills: calls that make invoices and credit notes, and that list and return them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from typing import Annotated, Final

from msgspec import Meta

from kitwright.catalogue.model import Contact
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.bill_lines import Portion
from kitwright.keeping.bill_parties import Asked, Selling
from kitwright.keeping.crediting import credit as give_back
from kitwright.keeping.entering import enter_bill, read_copy
from kitwright.keeping.invoicing import make_invoice
from kitwright.keeping.key import Scope, may
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import Customer, KeptBill, KeptQuote
from kitwright.keeping.store import Records
from kitwright.keeping.sums import read_reckoning
from kitwright.quote import Bill, encode_billing, read_bill, read_quote
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.telling.advance import tell_advances
from kitwright.web.calls.accounts import QuantityIn
from kitwright.web.calls.amounts import read_amount
from kitwright.web.calls.call import Call, record_of
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import CUSTOMER, QUOTE, CustomerId, QuoteId, written
from kitwright.web.calls.order_wire import LinePlace
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.papers import printed
from kitwright.web.calls.shown import ListOut
from kitwright.web.edge.negotiate import JSON, PDF, XML
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, PageCursor, PageLimit, Text, Wire

_YEAR_DAYS: Final = 366
"""The most days after which an invoice is payable."""


class InvoiceIn(Wire, frozen=True, kw_only=True):
    """What an invoice says besides the statement. `customer` is who is billed; null: the quote's
    customer. `terms` are in words; null: the shop's. `due_on` null: by the shop's file.
    """

    customer: CustomerId | None = None
    order_reference: Text | None = None
    terms: Text | None = None
    due_on: date | None = None


class CreditPartIn(Wire, frozen=True, kw_only=True):
    """The part of a line that is given back: either a `quantity` of it, or an amount of its `net`,
    without tax and above zero, also of a discount.
    """

    line: LinePlace
    quantity: QuantityIn | None = None
    net: DecimalIn | None = None


class CreditIn(Wire, frozen=True, kw_only=True):
    """Why an invoice is credited: `lines` with all that is left of them, `parts` of others; without
    any, all that is left.
    """

    reason: Text
    lines: Annotated[tuple[LinePlace, ...], Meta(max_length=1_000)] = ()
    parts: Annotated[tuple[CreditPartIn, ...], Meta(max_length=1_000)] = ()


class EnterIn(Wire, frozen=True, kw_only=True):
    """A copy of an invoice or a credit note. `document` is its JSON as text, byte for byte as it
    was got, and `sha256` is that of it, if it is known. `quote` is the one that it belongs to here;
    null: the one that it names.
    """

    document: Annotated[
        str,
        Meta(
            min_length=2,
            max_length=250_000,
            description="The JSON of an invoice or a credit note.",
            extra={"wanted": "the JSON of an invoice or a credit note, as text"},
        ),
    ]
    sha256: (
        Annotated[
            str,
            Meta(
                pattern="^[0-9a-f]{64}(?!\\n)$",
                max_length=64,
                extra={"wanted": "a SHA-256 as 64 digits 0 to 9 and a to f"},
            ),
        ]
        | None
    ) = None
    quote: QuoteId | None = None


class BillsQuery(Wire, frozen=True, kw_only=True):
    """Invoices and credit notes, newest first."""

    limit: PageLimit = 50
    cursor: PageCursor = ""


class PartUnclear(RequestFault):
    """A part of a line with both a quantity and an amount, or with neither."""

    code = "part-unclear"

    def __init__(self) -> None:
        super().__init__("say either `quantity` or `net`")


class QuoteNotHere(ActRefused):
    """A copy of an invoice for a quote that the records don't have."""

    code = "quote-not-here"

    def __init__(self, quote: str) -> None:
        super().__init__(
            f"{quote!r} is not here: make the quote again, and name the new one in `quote`"
        )
        self.quote = quote


class DueDayInvalid(RequestFault):
    """A day of payment before the day of the invoice, or long after it."""

    code = "due-day-invalid"

    def __init__(self, day: date, today: date) -> None:
        said = "before today" if day < today else "more than a year after today"
        super().__init__(f"{day.isoformat()} is {said} ({today.isoformat()})")
        self.day = day


@operation(
    "POST /v1/quotes/{id}/invoice",
    "makeInvoice",
    "quotes",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    is_guarded=True,
    may_be_empty=True,
    status=201,
)
def make(records: Records, call: Call, body: InvoiceIn) -> Reply[Bill]:
    """Make the invoice.

    Makes an invoice from the statement, under the next number of its series, which has no gaps. An
    invoice never changes: it is corrected by a credit note, and another can be made once all of its
    lines are credited. What was paid until now is deducted; what the invoices of advances billed,
    by lines of its own at each rate of tax. Where the tax is a value added tax, the UBL follows
    EN 16931, and the addresses and tax numbers that it needs are asked for by name
    (`invoice-needs`); otherwise `unmet` says which rules do not apply.
    """
    today = call.stamp.today
    if body.due_on is not None and not 0 <= (body.due_on - today).days <= _YEAR_DAYS:
        raise RequestRefused([DueDayInvalid(body.due_on, today).at("due_on")])
    quote = call.checked(QUOTE, records.quotes.get)
    customer: Customer | None = None
    if body.customer is not None:
        customer = record_of(CUSTOMER, records.customers.get, body.customer)
    elif quote.customer is not None:
        customer = records.customers.get(quote.customer)
    asked = Asked(
        customer=customer,
        order_reference=body.order_reference,
        terms=body.terms,
        due_on=body.due_on,
    )
    selling = selling_of(call.desk, records, quote)
    language = read_quote(revision_of(records, quote, quote.agreed or quote.shown).answer).language
    words = tell_advances(language, written(QUOTE, quote.number))
    _, kept = make_invoice(records, call.stamp, quote, selling, asked, words)
    return _made(kept)


def selling_of(desk: Desk, records: Records, quote: KeptQuote) -> Selling:
    """Return who sells, by the tax that a quote was agreed with."""
    shop = desk.service.workshop.shop
    revision = revision_of(records, quote, quote.agreed or quote.shown)
    reckoning = read_reckoning(revision)
    is_vat = reckoning is not None and reckoning.area.is_vat
    return Selling(
        name=shop.name, seller=shop.seller, contact=shop.contact or Contact(), is_vat=is_vat
    )


def _made(kept: KeptBill) -> Reply[Bill]:
    path = f"/v1/invoices/{kept.name}"
    return Reply(body=read_bill(kept.body), headers={"Location": path})


@operation(
    "POST /v1/invoices/{number}/credit",
    "creditInvoice",
    "quotes",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    status=201,
)
def credit(records: Records, call: Call, body: CreditIn) -> Reply[Bill]:
    """Credit an invoice.

    Makes a credit note on lines of an invoice, or on parts of them, under the next number of its
    series: with a line goes its tax, with a part so much of that. Without any, all that is left is
    given back. A discount is a line of its own: give back the part that belongs to what is given
    back. Once the customer is erased, only an owner's key may.
    """
    invoice = _open(records, call)
    quote = records.quotes.get(invoice.quote)
    assert quote is not None
    _, kept = give_back(
        records,
        call.stamp,
        quote,
        invoice,
        reason=body.reason,
        places=body.lines,
        portions=tuple(_portions(call.desk, body.parts)),
    )
    return _made(kept)


@operation(
    "POST /v1/invoices",
    "enterInvoice",
    "quotes",
    "act-refused",
    "request-refused",
    scope=Scope.OWNER,
    status=201,
)
def enter(records: Records, call: Call, body: EnterIn) -> Reply[Bill]:
    """Enter an invoice from its copy.

    Keeps an invoice or a credit note that was made between a backup and its restore, in its own
    series and with its own day. It is checked: its number belongs to an earlier series and is not
    here and not after the last one that the owner told; its sums and taxes are those of its lines;
    its hash is `sha256`; buyer, lines and total are those of the quote's customer and statement;
    and no other invoice bills the same. If the quote that it names is not here, make it again and
    name it in `quote`. `GET /v1/release` says what is missing. The seal of a copy tells whether it
    is a true one; that is said in `is_sealed` of the list and in the event `quote.invoiced` or
    `quote.credited` (`seal`: `held`, `broken`, or `none` of a version without seals).
    """
    bill = read_copy(body.document, body.sha256, call.desk.currency, call.stamp)
    named = body.quote or bill.quote
    try:
        quote = record_of(QUOTE, records.quotes.get, named)
    except Refusal:
        raise QuoteNotHere(named) from None
    _, kept = enter_bill(records, call.stamp, quote, bill, body.document)
    return _made(kept)


def _portions(desk: Desk, parts: Sequence[CreditPartIn]) -> Iterator[Portion]:
    """Yield parts of lines as they are kept. Raises: RequestRefused."""
    for at, one in enumerate(parts):
        if (one.quantity is None) == (one.net is None):
            raise RequestRefused([PartUnclear().at("parts", at)])
        yield Portion(
            line=one.line,
            quantity=None if one.quantity is None else Decimal(one.quantity),
            net=None
            if one.net is None
            else read_amount(one.net, desk.currency, "parts", at, "net"),
        )


@operation("GET /v1/invoices", "listInvoices", "quotes")
def find(records: Records, call: Call, query: BillsQuery) -> Reply[ListOut[KeptBill]]:
    """List invoices and credit notes, newest first.

    `buyer` is the customer to whom one is made out; null if that is not known, because a version
    before kept it by name alone and the quote's customer has another: it is then erased, and closed
    to others, with the quote's customer.
    """
    return page_of(call.operation.path, query, records.bills.find)


@operation(
    "GET /v1/invoices/{number}",
    "getInvoice",
    "papers",
    "too-busy",
    forms=(JSON, PDF, XML),
    keeps="reads",
    is_tagged=True,
)
async def get(call: Call, form: str) -> Reply[Bill]:
    """Get an invoice or a credit note.

    As JSON, as a PDF, or as a UBL 2.1 Invoice or CreditNote, all with the same amounts. Once the
    customer is erased, it is kept as it was made for the accounts alone: only an owner's key opens
    it.
    """
    papers = call.desk.papers
    bill = read_bill(call.desk.store.read(lambda records: _open(records, call)).body)
    makers: dict[str, Callable[[Bill], bytes]] = {
        PDF: papers.bill_pdf,
        XML: papers.bill_xml,
        JSON: encode_billing,
    }
    return await printed(call, makers[form], bill, form=form, name=bill.number)


def _open(records: Records, call: Call) -> KeptBill:
    """Return the document of the number in the path; one of an erased customer for the owner alone.

    Raises: Refusal: unknown-record, scope-missing.
    """
    found = _found(records, call)
    if _is_of_erased(records, found):
        key = records.keys.get(call.stamp.by)
        if key is None or not may(key.scopes, Scope.OWNER):
            raise Refusal(
                "scope-missing",
                f"the customer of {found.name} is erased: only a key with the scope owner opens it",
            )
    return found


def _is_of_erased(records: Records, found: KeptBill) -> bool:
    """Return whether the customer to whom a document is made out is erased."""
    buyer = None if found.buyer is None else records.customers.get(found.buyer)
    if buyer is not None and buyer.erased_at is not None:
        return True
    quote = records.quotes.get(found.quote)
    if quote is None or (buyer is not None and buyer.number != quote.customer):
        return False
    return revision_of(records, quote, quote.agreed or quote.shown).is_erased


def _found(records: Records, call: Call) -> KeptBill:
    """Return the document of the number in the path. Raises: Refusal: unknown-record."""
    text = call.variable("number")
    series, _, place = text.rpartition("-")
    found = None
    if place.isascii() and place.isdigit() and len(place) < 16:
        found = records.bills.named(series, int(place))
    if found is None or found.name != text:
        raise Refusal("unknown-record", f"no invoice or credit note {text[:64]!r}")
    return found
