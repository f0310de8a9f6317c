"""Billing: the statement of finished work, and the invoices and credit notes made from it.

All of them are stored as JSON, and never change.
"""

from __future__ import annotations

from datetime import date
from typing import Final, Literal

import msgspec
from msgspec import Struct

from kitwright.quote.base import Amount, Count, DecimalText, Measure, UnitCode
from kitwright.quote.engine import Engine
from kitwright.quote.price import Exemption, LineTax, Tax

BilledWhy = Literal[
    "agreed",
    "clocked",
    "capped",
    "used",
    "charged",
    "follows",
    "core_back",
    "not_done",
    "stopped",
    "limited",
    "stored",
]
BillRole = Literal["item", "charge", "allowance"]
STORAGE: Final = "storage"
"""The code of the line of storage."""


class StatementLine(Struct, frozen=True, kw_only=True):
    """A line as agreed, and as billed. `line` is its place among the agreed lines, from 1; a refund
    of a deposit for an old part has that of the deposit.

    `agreed` and `amount` are with or without tax as the shop's prices are. `why` says why `amount`
    is what it is: `agreed`, minutes as `clocked`, minutes `capped` by those agreed, goods as
    `used`, freight as suppliers `charged` it, a discount that `follows` what it reduces, or a
    deposit refunded (`core_back`). Of work that was stopped, it is `not_done`, minutes that are due
    until then (`stopped`), or a reduction to what was authorised (`limited`); the last two are not
    among the agreed lines, and their places follow those. Storage until the machine was collected
    is `stored`, and follows all of them. Of goods that were not used, `to_shelf`
    and `to_supplier` went back, and those `not_arrived` never came. `clocked` are minutes, null if
    not told. `net`, `tax` and `gross` are of what is billed.
    """

    line: Count
    kind: str
    code: str
    description: str
    tax_kind: str
    unit: UnitCode
    measure: Measure
    unit_price: DecimalText
    base_quantity: DecimalText
    agreed_quantity: DecimalText
    quantity: DecimalText
    agreed: Amount
    amount: Amount
    why: BilledWhy
    clocked: DecimalText | None
    to_shelf: DecimalText
    to_supplier: DecimalText
    not_arrived: DecimalText = "0"
    by_customer: bool
    net: Amount
    tax: Amount
    gross: Amount
    taxes: tuple[LineTax, ...]


class DisposedOf(Struct, frozen=True, kw_only=True):
    """Something that the shop disposed of, how much of it, and where it went."""

    what: str
    quantity: DecimalText
    unit: UnitCode
    where: str | None


class StoppedAt(Struct, frozen=True, kw_only=True):
    """Where work was stopped: before which step of the work plan, and whether the machine was then
    `put_together` or returned in `boxes`; both are null if the work had not begun.
    """

    before_step: Count | None
    step: str | None
    machine: Literal["put_together", "boxes"] | None


class Statement(Struct, frozen=True, kw_only=True):
    """The account of finished work, line by line as agreed and as billed.

    `supplied_on` is the day on which the work was done. `basis` says which minutes are paid.
    `agreed_gross` is what was agreed with additions; net + tax = gross. The bill is never more than
    `limit`, which the customer authorised, with tax if `limit_includes_tax`. `prepaid` is what the
    quote says was paid before. `stopped` is null if the work was done. If nothing was agreed, only
    the diagnostic fee is billed, and `limit` is that.
    `unbooked` says why goods are billed of which no delivery is booked, null if there are none.
    `engine` is null in statements made before it was told.
    """

    quote: str
    engine: Engine | None = None
    revision: Count
    language: str
    prices_include_tax: bool
    supplied_on: date
    basis: str
    lines: tuple[StatementLine, ...]
    disposed: tuple[DisposedOf, ...]
    taxes: tuple[Tax, ...]
    exemption: Exemption | None
    agreed_net: Amount
    agreed_gross: Amount
    net: Amount
    tax: Amount
    gross: Amount
    limit: Amount
    limit_includes_tax: bool
    prepaid: Amount
    stopped: StoppedAt | None = None
    unbooked: str | None = None


class Registered(Struct, frozen=True, kw_only=True):
    """Where a seller or a buyer is, and under which numbers. `country` is a code of ISO 3166-1.
    `vat_id` is that of a tax like VAT, `tax_id` another number for tax, `registration` that of a
    register of companies. `endpoint` is an electronic address under `endpoint_scheme`, a code of
    the list EAS.
    """

    street: str | None = None
    more: str | None = None
    city: str | None = None
    postcode: str | None = None
    region: str | None = None
    country: str | None = None
    vat_id: str | None = None
    tax_id: str | None = None
    registration: str | None = None
    endpoint: str | None = None
    endpoint_scheme: str | None = None


class Party(Registered, frozen=True, kw_only=True):
    """A seller or a buyer; `country` is a code of ISO 3166-1. `endpoint` is an electronic address
    under `endpoint_scheme`, a code of the list EAS.
    """

    name: str
    telephone: str | None = None
    email: str | None = None


class Deducted(Struct, frozen=True, kw_only=True):
    """What an invoice deducts of the invoice of an advance, which has billed it with its tax."""

    number: str
    issued_on: date
    net: Amount
    tax: Amount
    gross: Amount


class BillLine(Struct, frozen=True, kw_only=True):
    """A line of an invoice or a credit note, from 1. `role` is `item`, or a `charge` or `allowance`
    on the whole document, whose `net` is then negative.

    net = quantity x unit price / base quantity, rounded once; all without tax. `source` is the line
    of the statement, from 1; null of an advance, and of one that is deducted.
    """

    line: Count
    source: Count | None
    role: BillRole
    kind: str
    code: str
    description: str
    unit: UnitCode
    measure: Measure
    quantity: DecimalText
    unit_price: DecimalText
    base_quantity: DecimalText
    net: Amount
    tax: Amount
    gross: Amount
    taxes: tuple[LineTax, ...]


class Bill(Struct, frozen=True, kw_only=True):
    """An invoice (`advance`: of a payment in advance) or a credit note: its number, parties, lines,
    taxes and sums.

    `lines_net` - `allowances` + `charges` = `net`; net + tax = gross; gross - prepaid = payable. A
    credit note names in `credits` the invoice that it corrects, and its `reason`; its amounts are
    what is given back. `profile` is the identifier of the rules that the UBL of it follows, null if
    EN 16931 does not know its taxes: then `unmet` says why. `engine` is what was worked on, null if
    that was not told when it was made. The invoice of an advance has the day on which it was
    `paid_on` in place of a day of supply. An invoice deducts those invoices of advances in
    `deducts`, each by a line for each of its taxes, because their tax was due with the advance.
    `seal` tells a true copy from one that was typed: it is over all other members, by a secret of
    the shop, and null in documents of earlier versions.
    """

    number: str
    kind: Literal["invoice", "advance", "credit_note"]
    quote: str
    engine: Engine | None = None
    credits: str | None = None
    credits_on: date | None = None
    reason: str | None = None
    language: str
    issued_on: date
    supplied_on: date | None
    paid_on: date | None = None
    due_on: date
    terms: str | None = None
    order_reference: str | None = None
    account: str | None = None
    account_name: str | None = None
    currency: str
    seller: Party
    buyer: Party
    lines: tuple[BillLine, ...]
    taxes: tuple[Tax, ...]
    exemption: Exemption | None
    lines_net: Amount
    allowances: Amount
    charges: Amount
    net: Amount
    tax: Amount
    gross: Amount
    prepaid: Amount
    payable: Amount
    deducts: tuple[Deducted, ...] = ()
    profile: str | None
    unmet: tuple[str, ...]
    seal: str | None = None


def encode_billing(document: Statement | Bill) -> bytes:
    """Return a statement, invoice or credit note as JSON: the bytes that are stored and hashed."""
    return msgspec.json.encode(document)


def read_statement(body: bytes) -> Statement:
    """Return a statement from its JSON. Raises: msgspec.DecodeError."""
    return _STATEMENT.decode(body)


def read_bill(body: bytes) -> Bill:
    """Return an invoice or a credit note from its JSON. Raises: msgspec.DecodeError."""
    return _BILL.decode(body)


_STATEMENT: msgspec.json.Decoder[Statement] = msgspec.json.Decoder(Statement)
_BILL: msgspec.json.Decoder[Bill] = msgspec.json.Decoder(Bill)
