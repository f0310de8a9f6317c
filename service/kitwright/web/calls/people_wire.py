"""Customers and machines on the wire: structs of requests and answers."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Final

from msgspec import Meta

from kitwright.catalogue.model import SERIAL_MAX
from kitwright.keeping.record import Customer, Machine
from kitwright.quote import Count, DecimalText, SerialNumber
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    CustomerId,
    MachineId,
    written,
    written_or_none,
)
from kitwright.web.calls.out import Out
from kitwright.web.calls.quote_wire import Searched
from kitwright.web.calls.shaped import shaped
from kitwright.web.calls.unprintable import Unprintable
from kitwright.web.edge.shapes import BuildCode, Id, Lines, PageCursor, PageLimit, Text, Wire

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
ShortText = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=100,
        pattern=r"^[^\x00-\x20\x7f][^\x00-\x1f\x7f]*(?!\n)$",
        description="A short text on one line.",
        extra={"wanted": "text of 1 to 100 characters on one line, not beginning with a space"},
    ),
]
Hours = Annotated[
    str,
    Meta(
        max_length=10,
        pattern=r"^(0|[1-9][0-9]{0,6})(\.[0-9]{1,2})?(?!\n)$",
        description="As the meter shows.",
        examples=["412.5"],
        extra={"wanted": "hours as a decimal number written as text"},
    ),
]


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


class CustomerOut(Out, frozen=True, kw_only=True):
    """A customer. Of an erased customer, only id, version and timestamps remain."""

    id: CustomerId
    version: Count
    name: str
    email: str | None
    telephone: str | None
    address: str | None
    language: str | None
    certificate_number: str | None
    certificate_until: date | None
    note: str | None
    made_at: datetime
    erased_at: datetime | None


class KeptCustomerOut(CustomerOut, frozen=True, kw_only=True):
    """A customer, with the characters of name and address that can't be printed."""

    unprintable: Unprintable


class CustomersQuery(Wire, frozen=True, kw_only=True):
    """Which customers, newest first: each word of `q` must be the start of a word of the name."""

    q: Searched = ""
    limit: PageLimit = 50
    cursor: PageCursor = ""


class ErasedOut(Out, frozen=True, kw_only=True):
    """The result of an erasure: how many records of each kind lost their personal data.

    `photos` were deleted entirely. The amounts of the quotes are unchanged.
    """

    customer: CustomerId
    erased_at: datetime
    machines: Count
    quotes: Count
    revisions: Count
    authorisations: Count
    additions: Count
    photos: Count


Plate = Annotated[
    dict[ShortText, ShortText],
    Meta(max_length=20, description="Further entries of the machine's plate, by their labels."),
]


class MachineIn(Wire, frozen=True, kw_only=True):
    """A machine with the data on its plate, the complete record. `chassis` is `loose` for an engine
    without one, and null if it is not known.
    """

    name: Text
    family: Id
    customer: CustomerId | None = None
    serial: (
        Annotated[
            int, Meta(ge=0, le=SERIAL_MAX, description="The date code on the engine's plate.")
        ]
        | None
    ) = None
    build_code: BuildCode | None = None
    chassis: Id | None = None
    plate: Plate = {}
    hours: Hours | None = None
    note: Lines | None = None


class MachineOut(Out, frozen=True, kw_only=True):
    """A machine. Of an erased machine, only the data on the kind of engine remains."""

    id: MachineId
    version: Count
    name: str
    family: str
    customer: CustomerId | None
    serial: SerialNumber | None
    build_code: str | None
    chassis: str | None
    plate: dict[str, str]
    hours: DecimalText | None
    note: str | None
    made_at: datetime
    erased_at: datetime | None


class KeptMachineOut(MachineOut, frozen=True, kw_only=True):
    """A machine, with the characters of its name that can't be printed."""

    unprintable: Unprintable


class MachinesQuery(Wire, frozen=True, kw_only=True):
    """Which machines, newest first: all, or those of one customer."""

    customer: Annotated[
        CustomerId | None, Meta(description="Machines of this customer, by id.")
    ] = None
    limit: PageLimit = 50
    cursor: PageCursor = ""


def customer_out(customer: Customer) -> CustomerOut:
    """Return a customer's wire struct."""
    return shaped(CustomerOut, customer, id=written(CUSTOMER, customer.number))


def machine_out(machine: Machine) -> MachineOut:
    """Return a machine's wire struct."""
    return shaped(MachineOut, machine, **machine_ids(machine))


def machine_ids(machine: Machine) -> dict[str, str | None]:
    """Return the ids of a machine and of its customer."""
    return {
        "id": written(MACHINE, machine.number),
        "customer": written_or_none(CUSTOMER, machine.customer),
    }
