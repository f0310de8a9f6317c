"""Records of customers, their machines, and the tickets of what they bring."""

from __future__ import annotations

from datetime import date, datetime

from msgspec import Struct

from kitwright.keeping.record.hand import Means
from kitwright.money import Money
from kitwright.quote import Amount, Count, Registered


class Billing(Registered, frozen=True, kw_only=True):
    """What an invoice says of its buyer, or its seller, besides the name.

    `country` is a code of ISO 3166-1. `vat_id` is that of a tax like VAT, `tax_id` another number
    for tax, `registration` that of a register of companies. `endpoint` is an electronic address
    under `endpoint_scheme`, a code of the list EAS. `order_reference` is what the buyer wants to
    read on every invoice.
    """

    order_reference: str | None = None


class Customer(Struct, frozen=True, kw_only=True):
    """A customer. Of an erased customer, only the id, the version and the times are left."""

    number: int
    version: int
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
    billing: Billing | None = None


class Machine(Struct, frozen=True, kw_only=True):
    """A machine as described by its plate; `hours` is the last meter reading. Of an erased machine,
    only the data on the kind of engine is left.
    """

    number: int
    version: int
    customer: int | None
    name: str
    family: str
    serial: int | None
    build_code: str | None
    chassis: str | None
    plate: dict[str, str]
    hours: str | None
    note: str | None
    made_at: datetime
    erased_at: datetime | None


class StorageTerms(Struct, frozen=True, kw_only=True):
    """What a ticket says of storage: it is free for some days after the customer was told that the
    machine is ready, then `per_day`, and `most` in all, None if nothing limits it. Both are with
    tax if the shop's prices were.
    """

    grace_days: Count
    per_day: Amount
    most: Amount | None = None


class Ticket(Struct, frozen=True, kw_only=True):
    """A machine as it was taken in, before any test: for whom, with what, and on which terms.

    `brought_by` is who brought it, None if the customer did. `fee` is charged for the diagnosis,
    including tax if the shop's prices do; `most` is the highest that finding the fault may cost,
    None if that is the fee. `terms` are the shop's, as sentences in the ticket's `language`, and
    `storage` what they say of storage; None if nothing, or in tickets of earlier versions.
    `sha256`, in hex, is of the text that is agreed to. Once it is agreed to, it never changes. Of
    an erased ticket, the fee, the times and the number of the customer are left.
    """

    number: int
    version: int
    customer: int
    machine: int
    brought_by: str | None
    accessories: tuple[str, ...]
    complaint: str
    fee: Money
    most: Money | None
    old_parts: bool
    language: str
    terms: tuple[str, ...]
    sha256: str
    made_at: datetime
    day: date
    agreed_at: datetime | None = None
    agreed_by: str | None = None
    means: Means | None = None
    storage: StorageTerms | None = None
    erased_at: datetime | None = None
