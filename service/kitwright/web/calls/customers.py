"""Customers: calls that store, find, read, change, export and erase customers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from kitwright.errors import KitwrightError
from kitwright.keeping import people
from kitwright.keeping.dossier import gather
from kitwright.keeping.erasing import begin_erasure
from kitwright.keeping.key import Scope
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.record import Customer, Erasure
from kitwright.keeping.store import Records
from kitwright.language.render import UnknownLanguage
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.call import Call, Work, version_tag
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.disposal import erase as erase_all
from kitwright.web.calls.dossier import ExportOut, export_out
from kitwright.web.calls.ids import CUSTOMER, written
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.people_wire import (
    CustomerIn,
    CustomerOut,
    CustomersQuery,
    ErasedOut,
    KeptCustomerOut,
    customer_out,
)
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.shaped import shaped
from kitwright.web.calls.unprintable import Found, looked_at, unprintable_in
from kitwright.web.edge.reply import Reply

_COUNTED: Final = ("machines", "quotes", "revisions", "authorisations", "additions", "photos")
"""Kinds of records that are counted when they are erased."""
_PRINTED: Final = ("name", "address")
"""Members that appear on printed documents and may use any script."""


class CertificateIncomplete(RequestFault):
    """A certificate of exemption needs both its number and its last day."""

    code = "certificate-incomplete"

    def __init__(self, missing_member: str) -> None:
        super().__init__(f"give {missing_member} as well, or neither")
        self.missing_member = missing_member


@operation(
    "POST /v1/customers",
    "createCustomer",
    "customers",
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
    status=201,
    problems=("request-refused",),
)
async def create(call: Call, body: CustomerIn) -> Work[KeptCustomerOut]:
    """Create a customer.

    Stores a customer. Quotes for the customer use the customer's language, and the certificate of
    exemption while it is valid.
    """
    customer, found = await _read(call, body)

    def work(records: Records) -> Reply[KeptCustomerOut]:
        kept = people.add_customer(records, call.stamp, customer)
        return call.made(_kept(kept, found), tag=version_tag(CUSTOMER, kept))

    return work


@operation("GET /v1/customers", "listCustomers", "customers")
def find(records: Records, call: Call, query: CustomersQuery) -> Reply[ListOut[CustomerOut]]:
    """Find customers.

    Customers, newest first: all, or those whose names match. If there are more, `Link` leads to the
    next page.
    """
    found = records.customers.find(
        query.q.split(), read_before("customers", query.cursor), query.limit + 1
    )
    return page_reply(
        call.operation.path, "customers", query, [(one.number, customer_out(one)) for one in found]
    )


@operation("GET /v1/customers/{id}", "getCustomer", "customers", is_tagged=True)
def get(records: Records, call: Call) -> Reply[KeptCustomerOut]:
    """Get a customer.

    A customer as stored.
    """
    customer = call.record(CUSTOMER, records.customers.get)
    return _reply(customer, unprintable_in(call.desk.papers, customer, *_PRINTED))


@operation(
    "PUT /v1/customers/{id}",
    "changeCustomer",
    "customers",
    scope=Scope.QUOTE,
    is_guarded=True,
    is_tagged=True,
    problems=("act-refused", "request-refused"),
)
async def change(call: Call, body: CustomerIn) -> Work[KeptCustomerOut]:
    """Change a customer.

    Replaces the complete record: members left out are removed. Existing quotes do not change.
    """
    customer, found = await _read(call, body)

    def work(records: Records) -> Reply[KeptCustomerOut]:
        before = call.checked(CUSTOMER, records.customers.get)
        return _reply(people.change_customer(records, call.stamp, before, customer), found)

    return work


async def _read(call: Call, asked: CustomerIn) -> tuple[Customer, Found]:
    """Return the customer of a call's body, without a number, and its texts that can't be printed.

    Raises: RequestRefused.
    """
    faults = list(_faults(call.desk, asked))
    if faults:
        raise RequestRefused(faults)
    customer = shaped(Customer, asked, number=0, version=1, made_at=call.stamp.at, erased_at=None)
    return customer, await looked_at(call.desk.papers, customer, *_PRINTED)


def _faults(desk: Desk, asked: CustomerIn) -> Iterator[KitwrightError]:
    try:
        desk.service.speaker(asked.language)
    except UnknownLanguage as error:
        yield error.at("language")
    certificate = (asked.certificate_number, asked.certificate_until)
    for member, value in zip(("certificate_number", "certificate_until"), certificate, strict=True):
        if value is None and any(one is not None for one in certificate):
            yield CertificateIncomplete(member).at(member)


@operation(
    "GET /v1/customers/{id}/export",
    "exportCustomer",
    "customers",
    scope=Scope.OWNER,
    problems=("act-refused",),
)
def export(records: Records, call: Call) -> Reply[ExportOut]:
    """Export a customer's data.

    One document with all stored data of a customer: the customer, the machines, every quote with
    all revisions, authorisations, additions, orders, photos and e-mails, and every event about
    them.
    """
    customer = call.record(CUSTOMER, records.customers.get)
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    return Reply(body=export_out(call.desk, records, gather(records, customer)))


@operation(
    "POST /v1/customers/{id}/erase",
    "eraseCustomer",
    "customers",
    scope=Scope.OWNER,
    is_once=True,
    is_guarded=True,
    is_tagged=True,
    problems=("act-refused",),
)
async def erase(call: Call) -> Work[ErasedOut]:
    """Erase a customer's personal data.

    Removes personal data from the customer, the machines and every revision, authorisation,
    addition and e-mail, and deletes the photos. Revisions without a customer are included if they
    name one of the machines; their e-mails are included if they went to the customer's address. All
    amounts, minutes and quantities stay. This can't be undone, and is refused while a quote is
    offered, agreed or in work. Copies of the data folder are not changed. All stored answers for
    idempotency keys are deleted. The customer is erased at once, everything else in steps; the call
    is answered when all is done. An erasure that is broken off is finished at the next start, or by
    the same call.
    """
    number = call.number("id", CUSTOMER)

    def begin(records: Records) -> Erasure:
        under_way = records.erasures.of_customer(number)
        if under_way is not None:
            return under_way
        customer = call.checked(CUSTOMER, records.customers.get)
        return begin_erasure(records, call.stamp, customer)

    done = await erase_all(call.desk, begin)

    def work(records: Records) -> Reply[ErasedOut]:
        left = call.record(CUSTOMER, records.customers.get)
        counts = {name: done.counts.get(name, 0) for name in _COUNTED}
        out = ErasedOut(customer=written(CUSTOMER, left.number), erased_at=done.at, **counts)
        return Reply(body=out, tag=version_tag(CUSTOMER, left))

    return work


def _kept(customer: Customer, found: Found) -> KeptCustomerOut:
    return shaped(
        KeptCustomerOut, customer, id=written(CUSTOMER, customer.number), unprintable=found
    )


def _reply(customer: Customer, found: Found) -> Reply[KeptCustomerOut]:
    return Reply(body=_kept(customer, found), tag=version_tag(CUSTOMER, customer))
