"""Bill parties: who sells and who buys, and what of them an invoice lacks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from msgspec import Struct

from kitwright.catalogue.model import Contact, Seller
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.countries import COUNTRIES
from kitwright.keeping.record import Billing, Customer
from kitwright.quote import Party, Registered


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
    seller = selling.seller
    billing = Billing() if customer is None else customer.billing or Billing()
    for whose, found, members in (
        ("seller", seller, ("city", "country", "vat_id")),
        ("customer.billing", billing, ("city", "country")),
    ):
        for member in members:
            value = getattr(found, member)
            if value is None or (member == "country" and value not in COUNTRIES):
                yield f"{whose}.{member}"


def seller_of(selling: Selling) -> Party:
    """Return the seller as an invoice names it."""
    seller, contact = selling.seller, selling.contact
    return Party(
        name=seller.name or selling.name,
        **{name: getattr(seller, name) for name in Registered.__struct_fields__},
        telephone=contact.telephone,
        email=contact.email,
    )


def buyer_of(customer: Customer) -> Party:
    """Return the buyer as an invoice names it."""
    billing = customer.billing or Billing()
    return Party(
        name=customer.name,
        **{name: getattr(billing, name) for name in Registered.__struct_fields__},
        telephone=customer.telephone,
        email=customer.email,
    )
