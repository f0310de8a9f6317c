"""Customers: calls that store, find, read, change, export and erase customers."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Annotated, Final, Literal

from msgspec import Meta, structs

from kitwright.errors import KitwrightError
from kitwright.keeping import people
from kitwright.keeping.erasing import begin_again, begin_erasure, lost_customer
from kitwright.keeping.key import Scope
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.record import Billing, Customer, Erasure, RetentionWhy
from kitwright.keeping.retaining import bills_to, until_of
from kitwright.keeping.store import RecordDamaged, Records
from kitwright.quote import Count
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.call import Call, answer, tag
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.disposal import erase as erase_all
from kitwright.web.calls.dossier import ExportOut, export_parts
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import CUSTOMER, QUOTE, CustomerId, QuoteId, read_id, written
from kitwright.web.calls.paged import Searched, page_of
from kitwright.web.calls.shown import ListOut, Out, extended
from kitwright.web.calls.unprintable import Unprintable, unprintable_in
from kitwright.web.edge.conditions import read_tags
from kitwright.web.edge.reply import Reply, Streamed
from kitwright.web.edge.shapes import Id, Lines, PageCursor, PageLimit, Text, Wire

_COUNTED: Final = (
    *("machines", "tickets", "quotes", "revisions", "authorisations", "additions", "photos"),
)
"""Kinds of records that are counted when they are erased."""

_ATOM: Final = "[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL: Final = "[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_LAST: Final = "[A-Za-z](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
# at most 64 characters stand before the sign (RFC 5321, 4.5.3.1.1)
_ADDRESS: Final = rf"^(?![^@]{{65}}){_ATOM}(?:\.{_ATOM})*@(?:{_LABEL}\.)+{_LAST}(?!\n)$"
EMail = Annotated[
    str,
    Meta(
        min_length=5,
        max_length=254,
        pattern=_ADDRESS,
        description=(
            "One plain address (RFC 5322's `addr-spec` of a dot-atom and a domain name): no "
            "display name, quotes or comments."
        ),
        examples=["counter@example.org"],
        extra={"wanted": "one plain e-mail address"},
    ),
]
CountryCode = Annotated[
    str,
    Meta(
        max_length=2,
        pattern=r"^[A-Z]{2}(?!\n)$",
        description="ISO 3166-1.",
        examples=["DE"],
        extra={"wanted": "a country's code of two letters"},
    ),
]
VatId = Annotated[
    str,
    Meta(
        max_length=20,
        pattern=r"^[A-Z]{2}[0-9A-Z+*.]{2,}(?!\n)$",
        description="With the country's prefix.",
        examples=["DE999999999"],
        extra={"wanted": "a number for VAT with its country's prefix of two letters"},
    ),
]
EndpointScheme = Annotated[
    str,
    Meta(
        max_length=4,
        pattern=r"^([0-9]{4}|EM)(?!\n)$",
        description="A code of the list EAS.",
        examples=["9930"],
        extra={"wanted": "four digits, or EM for an e-mail address"},
    ),
]
Telephone = Annotated[
    str,
    Meta(
        min_length=3,
        max_length=40,
        pattern=r"^[+(0-9][0-9A-Za-z ()./+*#;=-]*(?!\n)$",
        description="As it is dialled or spoken.",
        examples=["+1 202-555-0142"],
        extra={"wanted": "a phone number of 3 to 40 characters"},
    ),
]


class BillingIn(Wire, frozen=True, kw_only=True):
    """What invoices say of the customer besides the name; all of it may be missing until an invoice
    needs it.

    `country` is a code of ISO 3166-1. `vat_id` is the number for a tax like VAT, `tax_id` another
    number for tax, `registration` that of a register of companies. `endpoint` is an electronic
    address under `endpoint_scheme`, a code of the list EAS. `order_reference` is what the customer
    wants to read on every invoice.
    """

    street: Text | None = None
    more: Text | None = None
    city: Text | None = None
    postcode: Text | None = None
    region: Text | None = None
    country: CountryCode | None = None
    vat_id: VatId | None = None
    tax_id: Text | None = None
    registration: Text | None = None
    endpoint: Text | None = None
    endpoint_scheme: EndpointScheme | None = None
    order_reference: Text | None = None


class CustomerIn(Wire, frozen=True, kw_only=True):
    """A customer, the complete record.

    `language` is one that the service supports. A certificate of exemption needs both its number
    and its last valid day; quotes for the customer use it.
    """

    name: Text
    email: EMail | None = None
    telephone: Telephone | None = None
    address: Lines | None = None
    language: Id | None = None
    certificate_number: Text | None = None
    certificate_until: date | None = None
    note: Lines | None = None
    billing: BillingIn | None = None


class KeptCustomerOut(Customer, frozen=True, kw_only=True):
    """A customer, with the characters of name and address that can't be printed."""

    unprintable: Unprintable


class CustomersQuery(Wire, frozen=True, kw_only=True):
    """Which customers, newest first: each word of `q` must be the start of a word of the name."""

    q: Searched = ""
    limit: PageLimit = 50
    cursor: PageCursor = ""


class StaysOut(Out, frozen=True, kw_only=True):
    """What stays of an erased customer, and is erased by itself. `invoices`: the documents named in
    `bills`, with the consents to the quote, until the end of the day `until`; null: no day is
    known, because the tax area has no `retention_years`. `balance`, `machine` and
    `warranty`: the customer's record and the quote with all that belongs to it, until it is paid or
    paid back, the machine is collected, and the shop's warranty is over.
    """

    quote: QuoteId
    why: Literal["invoices", "balance", "machine", "warranty"]
    until: date | None
    bills: tuple[str, ...]


class ErasedOut(Out, frozen=True, kw_only=True):
    """The result of an erasure: how many records of each kind lost their personal data.

    `photos` were deleted entirely. The amounts of the quotes are unchanged. `stays` is what is kept
    for a while, and why. `erased_in_part` says that the customer's record is part of that.
    """

    customer: CustomerId
    erased_at: datetime
    erased_in_part: bool
    stays: tuple[StaysOut, ...]
    machines: Count
    tickets: Count
    quotes: Count
    revisions: Count
    authorisations: Count
    additions: Count
    photos: Count


class EndpointIncomplete(RequestFault):
    """An electronic address needs its scheme."""

    code = "endpoint-incomplete"

    def __init__(self, missing_member: str) -> None:
        super().__init__(f"give {missing_member} as well, or neither")
        self.missing_member = missing_member


class CertificateIncomplete(RequestFault):
    """A certificate of exemption needs both its number and its last day."""

    code = "certificate-incomplete"

    def __init__(self, missing_member: str) -> None:
        super().__init__(f"give {missing_member} as well, or neither")
        self.missing_member = missing_member


@operation("POST /v1/customers", "createCustomer", "customers", "request-refused", status=201)
def create(records: Records, call: Call, body: CustomerIn) -> Reply[KeptCustomerOut]:
    """Create a customer.

    Stores a customer. Quotes for the customer use the customer's language, and the certificate of
    exemption while it is valid.
    """
    kept = people.add_customer(records, call.stamp, _read(call, body))
    return _told(call, kept, is_new=True)


@operation("GET /v1/customers", "listCustomers", "customers")
def find(records: Records, call: Call, query: CustomersQuery) -> Reply[ListOut[Customer]]:
    """Find customers by words of their names, newest first."""
    words = query.q.split()
    return page_of(
        call.operation.path,
        query,
        lambda before, most: records.customers.find(words, before, most),
    )


@operation("GET /v1/customers/{id}", "getCustomer", "customers")
def get(records: Records, call: Call) -> Reply[KeptCustomerOut]:
    """Get a customer."""
    return _told(call, call.record(CUSTOMER, records.customers.get))


@operation(
    "PUT /v1/customers/{id}", "changeCustomer", "customers", "act-refused", "request-refused"
)
def change(records: Records, call: Call, body: CustomerIn) -> Reply[KeptCustomerOut]:
    """Change a customer.

    Replaces the complete record: members left out are removed. Existing quotes do not change.
    """
    customer = _read(call, body)
    before = call.checked(CUSTOMER, records.customers.get)
    return _told(call, people.change_customer(records, call.stamp, before, customer))


def _told(call: Call, customer: Customer, *, is_new: bool = False) -> Reply[KeptCustomerOut]:
    found = unprintable_in(call.desk.papers, customer)
    return answer(call.desk, extended(KeptCustomerOut, customer, unprintable=found), is_new=is_new)


def _read(call: Call, asked: CustomerIn) -> Customer:
    """Return the customer of a call's body, without a number. Raises: RequestRefused."""
    faults = list(_faults(call.desk, asked))
    if faults:
        raise RequestRefused(faults)
    said = structs.asdict(asked)
    if asked.billing is not None:
        said["billing"] = Billing(**structs.asdict(asked.billing))
    return Customer(**said, number=0, version=1, made_at=call.stamp.at, erased_at=None)


def _faults(desk: Desk, asked: CustomerIn) -> Iterator[KitwrightError]:
    yield from desk.service.unspoken(asked.language)
    certificate = {
        name: getattr(asked, name) for name in ("certificate_number", "certificate_until")
    }
    missing = [name for name, value in certificate.items() if value is None]
    if len(missing) == 1:
        yield CertificateIncomplete(missing[0]).at(missing[0])
    billing = asked.billing or BillingIn()
    if (billing.endpoint is None) != (billing.endpoint_scheme is None):
        member = "endpoint" if billing.endpoint is None else "endpoint_scheme"
        yield EndpointIncomplete(member).at("billing", member)


@operation(
    "GET /v1/customers/{id}/export",
    "exportCustomer",
    "customers",
    "act-refused",
    scope=Scope.OWNER,
    keeps="reads",
)
async def export(call: Call) -> Reply[ExportOut]:
    """Export a customer's data.

    One document with all stored data of a customer: the customer, the machines, every quote with
    all revisions, authorisations, additions, orders, photos and e-mails, and every event about
    them. It is sent while it is made: if that fails, the answer breaks off before its end.
    """
    customer = call.desk.store.read(lambda records: call.record(CUSTOMER, records.customers.get))
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    return Reply(body=Streamed(export_parts(call.desk, customer)))


@operation(
    "POST /v1/customers/{id}/erase",
    "eraseCustomer",
    "customers",
    "act-refused",
    scope=Scope.OWNER,
    is_guarded=True,
    is_tagged=True,
)
async def erase(call: Call) -> Work[ErasedOut]:
    """Erase a customer's personal data.

    Removes personal data from the customer, the machines and every revision, authorisation,
    addition and e-mail, and deletes the photos. Revisions without a customer are included if they
    name one of the machines; their e-mails are included if they went to the customer's address. All
    amounts, minutes and quantities stay. Invoices, credit notes and the consents to them stay as
    they were made until the tax area's `retention_years` are over, because accounts have to be
    kept; then they are erased by themselves. A quote that is not settled stays with the customer's
    record: until its balance is paid or paid back, its machine is collected, and the warranty on it
    is over. The answer says what stays. This can't be undone, and is refused while a quote is
    offered, agreed or in work. Copies of the data folder are not changed. All stored answers for
    idempotency keys are deleted. The customer is erased at once, everything else in steps; the call
    is answered when all is done. An erasure that is broken off is finished at the next start, or by
    the same call. A customer whose record is damaged is erased with `If-Match: *`; the e-mails to
    the lost address about quotes without a customer stay. Other damaged records are left and named
    in the problem `record-damaged`, after everything else is erased; once they are repaired, the
    same call erases the rest.
    """
    terms = call.desk.retention

    def begin(records: Records) -> Erasure:
        try:
            customer = call.record(CUSTOMER, records.customers.get)
        except RecordDamaged as damage:
            lost = _lost(records, call, damage)
            return begin_erasure(records, call.stamp, lost, terms=terms)
        under_way = records.erasures.of_customer(customer.number)
        if under_way is not None:
            return begin_again(records, under_way)
        customer = call.checked(CUSTOMER, records.customers.get)
        return begin_erasure(records, call.stamp, customer, terms=terms)

    done = await erase_all(call.desk, begin)

    def work(records: Records) -> Reply[ErasedOut]:
        left = call.record(CUSTOMER, records.customers.get)
        counts = {name: done.counts.get(name, 0) for name in _COUNTED}
        out = ErasedOut(
            customer=written(CUSTOMER, left.number),
            erased_at=done.at,
            erased_in_part=left.erased_at is None,
            stays=tuple(_stays(call.desk, records, left.number)),
            **counts,
        )
        return Reply(body=out, tag=tag(left, call.desk.gate.epoch))

    return work


def _stays(desk: Desk, records: Records, customer: int) -> Iterator[StaysOut]:
    """Yield what stays of a customer."""
    for one in records.retentions.of_customer(customer):
        bills = bills_to(records, one.quote, customer) if one.why is RetentionWhy.invoices else ()
        yield StaysOut(
            quote=written(QUOTE, one.quote),
            why=one.why.value,
            until=until_of(records, one, desk.retention),
            bills=tuple(bill.name for bill in bills),
        )


def _lost(records: Records, call: Call, damage: RecordDamaged) -> Customer:
    """Return the customer of a call whose record can't be read, to be erased, if the caller says
    that any version may be.

    Raises: RecordDamaged, Refusal: condition-malformed.
    """
    number = read_id(CUSTOMER, call.variable("id"))
    header = ",".join(call.request.headers.getall("if-match", []))
    if damage.key != (number,) or read_tags(header) is not None:
        raise damage
    return lost_customer(records, number, call.stamp.at)
