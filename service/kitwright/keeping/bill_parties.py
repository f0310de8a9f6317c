"""Bill parties: who sells and who buys, and what of them an invoice lacks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import Contact, Seller
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.countries import COUNTRIES
from kitwright.keeping.record import Billing, Customer
from kitwright.quote import Party, Registered

_PLACES: Final = ("street", "more", "city", "postcode", "region")
"""The members of a structured address, without its country."""


class InvoiceNeeds(ActRefused):
    """An invoice for which something of the customer or the shop is missing."""

    code = "invoice-needs"

    def __init__(self, members: Sequence[str]) -> None:
        super().__init__(
            f"an invoice needs {', '.join(members)}: members of `customer` are the customer's "
            "record, those of `seller` are in the shop's file"
        )
        self.members = tuple(members)


class Selling(Struct, frozen=True, kw_only=True):
    """Who sells, by which kind of tax: `is_vat` says that EN 16931 may know it."""

    name: str
    seller: Seller
    contact: Contact
    is_vat: bool


class Asked(Struct, frozen=True, kw_only=True):
    """What the caller says of an invoice: its buyer, references and terms."""

    customer: Customer | None
    order_reference: str | None = None
    terms: str | None = None
    due_on: date | None = None


def check_needs(selling: Selling, customer: Customer | None, *, is_strict: bool) -> Customer:
    """Return the customer of an invoice; `is_strict` if it follows EN 16931.

    Raises: InvoiceNeeds, if something of the customer or the shop is missing.
    """
    needs = tuple(_needs(selling, customer, is_strict=is_strict))
    if needs or customer is None:
        raise InvoiceNeeds(needs)
    return customer


def _needs(selling: Selling, customer: Customer | None, *, is_strict: bool) -> Iterator[str]:
    """Yield the members of customer and shop that an invoice lacks."""
    if customer is None or customer.erased_at is not None:
        yield "customer"
    if not is_strict:
        return
    yield from _lacking("seller", selling.seller, ("city", "country", "vat_id"))
    if customer is None:
        yield from _lacking("customer.billing", Billing(), ("city", "country"))
        return
    # a plain address has the town somewhere in it, but EN 16931 wants the country as a code
    members = ("country",) if _plain(customer) else ("city", "country")
    yield from _lacking("customer.billing", customer.billing or Billing(), members)


def _lacking(whose: str, found: Registered | Seller, members: Sequence[str]) -> Iterator[str]:
    """Yield the members that a seller or a buyer lacks."""
    for member in members:
        value = getattr(found, member)
        if value is None or (member == "country" and value not in COUNTRIES):
            yield f"{whose}.{member}"


def _plain(customer: Customer) -> tuple[str, ...]:
    """Return the lines of a customer's plain address, none if there is a structured one."""
    if _has_place(customer.billing or Billing()):
        return ()
    return tuple(line.strip() for line in (customer.address or "").splitlines() if line.strip())


def _has_place(who: Registered | Seller) -> bool:
    """Return whether a seller or a buyer has a structured address."""
    return any(getattr(who, name) for name in _PLACES)


def _with_plain(party: Party, lines: Sequence[str]) -> Party:
    """Return a party with a plain address, its first line as the street; as it is without one."""
    if not lines:
        return party
    return structs.replace(party, street=lines[0], more=", ".join(lines[1:]) or None)


def seller_of(selling: Selling) -> Party:
    """Return the seller as an invoice names it: with the lines of its contact if it has no
    structured address.
    """
    seller, contact = selling.seller, selling.contact
    party = Party(
        name=seller.name or selling.name,
        **{name: getattr(seller, name) for name in Registered.__struct_fields__},
        telephone=contact.telephone,
        email=contact.email,
    )
    return _with_plain(party, () if _has_place(seller) else contact.address)


def buyer_of(customer: Customer) -> Party:
    """Return the buyer as an invoice names it: with the plain address if there is no structured
    one, its first line as the street.
    """
    billing = customer.billing or Billing()
    return _with_plain(_registered(customer, billing), _plain(customer))


def _registered(customer: Customer, billing: Billing) -> Party:
    return Party(
        name=customer.name,
        **{name: getattr(billing, name) for name in Registered.__struct_fields__},
        telephone=customer.telephone,
        email=customer.email,
    )
