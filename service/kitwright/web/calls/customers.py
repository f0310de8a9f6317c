"""Customers: kept, read, found, changed, given all that is kept of them, and erased."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Final

import msgspec
from litestar.handlers import HTTPRouteHandler

from kitwright.errors import KitwrightError
from kitwright.keeping import people
from kitwright.keeping.dossier import gather
from kitwright.keeping.key import Scope
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.record import Customer, Mail
from kitwright.keeping.store import Records, StoreError
from kitwright.language.render import UnknownLanguage
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.dossier import ExportOut, export_out
from kitwright.web.calls.erasure import redact
from kitwright.web.calls.handlers import Call, Reply, Work, acting, reading
from kitwright.web.calls.ids import CUSTOMER, missing, written
from kitwright.web.calls.operations import BODY_PROBLEMS, Operation
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.people_wire import (
    CustomerIn,
    CustomerOut,
    CustomersQuery,
    ErasedOut,
    KeptCustomerOut,
    customer_out,
    kept_customer_out,
)
from kitwright.web.calls.photos import drop_unneeded
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.refusals import GUARD_PROBLEMS, ONCE_PROBLEMS, STORE_PROBLEMS
from kitwright.web.calls.unprintable import Found, looked_at, unprintable_in

_LOG = logging.getLogger(__name__)
_ID: Final = {"id": "Which customer, by its id."}
_PRINTED: Final = ("name", "address")
"""Members that stand on printed documents and may be of any letters."""

CREATE: Final = Operation(
    method="post",
    path="/v1/customers",
    id="createCustomer",
    tag="customers",
    summary="Keep a customer",
    description=(
        "Keeps whom quotes are for. Quotes for the customer are in the customer's language and "
        "with the certificate of exemption, while it holds."
    ),
    takes=CustomerIn,
    answers=KeptCustomerOut,
    status=201,
    problems=(*BODY_PROBLEMS, *ONCE_PROBLEMS, "request-refused"),
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
)
FIND: Final = Operation(
    method="get",
    path="/v1/customers",
    id="listCustomers",
    tag="customers",
    summary="Find customers",
    description=(
        "Customers, newest first, all or by words of their names. Where there are more, `Link` "
        "leads to the next page."
    ),
    answers=ListOut[CustomerOut],
    query=CustomersQuery,
    problems=("query-invalid", "not-acceptable", "storage-unavailable"),
    is_paged=True,
)
GET: Final = Operation(
    method="get",
    path="/v1/customers/{id}",
    id="getCustomer",
    tag="customers",
    summary="One customer",
    description="A customer as it is kept.",
    answers=KeptCustomerOut,
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_ID,
    is_conditional=True,
    is_tagged=True,
)
CHANGE: Final = Operation(
    method="put",
    path="/v1/customers/{id}",
    id="changeCustomer",
    tag="customers",
    summary="Change a customer",
    description=(
        "Takes the whole record: what is left out is taken away. Quotes that are made already "
        "stay as they are."
    ),
    takes=CustomerIn,
    answers=KeptCustomerOut,
    problems=(
        *BODY_PROBLEMS,
        *GUARD_PROBLEMS,
        *STORE_PROBLEMS,
        "unknown-record",
        "act-refused",
        "request-refused",
    ),
    variables=_ID,
    scope=Scope.QUOTE,
    is_guarded=True,
    is_tagged=True,
)
EXPORT: Final = Operation(
    method="get",
    path="/v1/customers/{id}/export",
    id="exportCustomer",
    tag="customers",
    summary="Everything that is kept of a customer",
    description=(
        "One document: the customer, the machines, every quote with all revisions, "
        "authorisations, additions, orders, photos and mails, and every event about them."
    ),
    answers=ExportOut,
    problems=("unknown-record", "not-acceptable", "act-refused", "storage-unavailable"),
    variables=_ID,
    scope=Scope.OWNER,
)
ERASE: Final = Operation(
    method="post",
    path="/v1/customers/{id}/erase",
    id="eraseCustomer",
    tag="customers",
    summary="Forget a customer",
    description=(
        "Takes what is personal out of the customer, the machines and every revision, "
        "authorisation, addition and mail, and drops the photos. Revisions that name no customer "
        "count where they name one of the machines, and their mails where they went to the "
        "customer's address. Every figure stays. It can't be undone, nor done while a quote is "
        "offered, agreed or in work. Copies of the data folder are not reached. "
        "Answers kept for idempotency keys are forgotten, all of them."
    ),
    answers=ErasedOut,
    problems=(
        "body-invalid",
        "not-acceptable",
        "body-too-large",
        *ONCE_PROBLEMS,
        *GUARD_PROBLEMS,
        "unknown-record",
        "act-refused",
    ),
    variables=_ID,
    scope=Scope.OWNER,
    is_once=True,
    is_guarded=True,
    is_tagged=True,
)
OPERATIONS: Final = (CREATE, FIND, GET, CHANGE, EXPORT, ERASE)


class CertificateIncomplete(RequestFault):
    """A certificate of exemption without its number, or without its last day."""

    code = "certificate-incomplete"

    def __init__(self, missing_member: str) -> None:
        super().__init__(f"give {missing_member} as well, or neither")
        self.missing_member = missing_member


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, CREATE, _create)
    yield reading(FIND, desk, _find)
    yield reading(GET, desk, _get)
    yield acting(desk, CHANGE, _change)
    yield reading(EXPORT, desk, _export)
    yield acting(desk, ERASE, _erase)


async def _create(call: Call) -> Work:
    stamp, customer = call.stamp, _read(call)
    found = await looked_at(call.desk.papers, customer, *_PRINTED)

    def work(records: Records) -> Reply:
        kept = people.add_customer(records, stamp, customer)
        location = f"{CREATE.path}/{written(CUSTOMER, kept.number)}"
        return msgspec.structs.replace(
            _reply(kept, found), status=201, headers={"Location": location}
        )

    return work


async def _change(call: Call) -> Work:
    stamp, customer = call.stamp, _read(call)
    found = await looked_at(call.desk.papers, customer, *_PRINTED)

    def work(records: Records) -> Reply:
        changed = people.change_customer(records, stamp, _checked(records, call), customer)
        return _reply(changed, found)

    return work


def _read(call: Call) -> Customer:
    """Return the customer of a call's body, without a number. Raises: Refusal, RequestRefused."""
    asked = call.body(CustomerIn)
    faults = list(_faults(call.desk, asked))
    if faults:
        raise RequestRefused(faults)
    return Customer(
        number=0,
        version=1,
        name=asked.name,
        e_mail=asked.e_mail,
        telephone=asked.telephone,
        address=asked.address,
        language=asked.language,
        certificate_number=asked.certificate_number,
        certificate_until=asked.certificate_until,
        note=asked.note,
        made_at=call.stamp.at,
        erased_at=None,
    )


def _faults(desk: Desk, asked: CustomerIn) -> Iterator[KitwrightError]:
    try:
        desk.service.speaker(asked.language)
    except UnknownLanguage as error:
        yield error.at("language")
    certificate = (asked.certificate_number, asked.certificate_until)
    for member, value in zip(("certificate_number", "certificate_until"), certificate, strict=True):
        if value is None and any(one is not None for one in certificate):
            yield CertificateIncomplete(member).at(member)


def _find(records: Records, call: Call) -> Reply:
    asked = call.query(CustomersQuery)
    found = records.people.customers(
        asked.q.split(), read_before("customers", asked.cursor), asked.limit + 1
    )
    return page_reply(
        FIND.path, "customers", asked, [(one.number, customer_out(one)) for one in found]
    )


def _get(records: Records, call: Call) -> Reply:
    customer = customer_of(records, call)
    return _reply(customer, unprintable_in(call.desk.papers, customer, *_PRINTED))


def _export(records: Records, call: Call) -> Reply:
    customer = customer_of(records, call)
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    dossier = gather(records, customer)
    return Reply(body=msgspec.json.encode(export_out(call.desk, records, dossier)))


async def _erase(call: Call) -> Work:
    stamp = call.stamp

    def work(records: Records) -> Reply:
        customer = _checked(records, call)
        left, was, files = people.erase_customer(records, stamp, customer, redact=redact)
        # only once that nothing needs them is kept for good
        call.at_end.append(lambda: drop_unneeded(call.desk, files))
        call.at_end.append(lambda: _forget_mails(call.desk, was.mails))
        out = ErasedOut(
            customer=written(CUSTOMER, left.number),
            erased_at=stamp.at,
            machines=len(was.machines),
            quotes=len(was.quotes),
            revisions=len(was.revisions),
            authorisations=len(was.authorisations),
            additions=len(was.additions),
            photos=len(was.photos),
        )
        return Reply(body=msgspec.json.encode(out), tag=_tag(left))

    return work


def _forget_mails(desk: Desk, mails: tuple[Mail, ...]) -> None:
    """Delete letters that lie in a folder, of those whose records are erased."""
    try:
        left = desk.store.read(lambda records: [records.mails.get(one.number) for one in mails])
        for mail in left:
            if mail is not None and not mail.body:
                desk.forget_mail(mail.message_id)
    except (OSError, StoreError) as error:
        _LOG.warning("a letter's file was not deleted: %s", error)


def customer_of(records: Records, call: Call) -> Customer:
    """Return the customer of a call's path. Raises: Refusal: unknown-record."""
    number = call.number("id", CUSTOMER)
    customer = records.people.customer(number)
    if customer is None:
        raise missing(CUSTOMER, written(CUSTOMER, number))
    return customer


def _checked(records: Records, call: Call) -> Customer:
    customer = customer_of(records, call)
    call.check(_tag(customer))
    return customer


def _reply(customer: Customer, found: Found) -> Reply:
    out = kept_customer_out(customer, found)
    return Reply(body=msgspec.json.encode(out), tag=_tag(customer))


def _tag(customer: Customer) -> str:
    return tag("customer", customer.number, customer.version)
