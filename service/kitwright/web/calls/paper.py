"""Paper: what documents are made of, and the protocol of whoever makes them.

The documents' room and this one know nothing of each other: the composition root hands one to the
other.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Protocol

from msgspec import Struct

from kitwright.keeping.life import revision_of
from kitwright.keeping.record import Authorisation, KeptQuote
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.standing import standing


class About(Struct, frozen=True, kw_only=True):
    """A revision, and what surrounds it on paper. `answer` is its JSON as it stands, with what was
    added to it, `letter` the quote's id. `limit` is with tax where `limit_includes_tax`.
    """

    answer: bytes
    letter: str
    revision: int
    state: str
    issued_at: datetime | None
    sha256: str | None
    customer_name: str | None
    customer_address: str | None
    customer_e_mail: str | None
    machine_name: str | None
    machine_hours: str | None
    agreed_at: datetime | None
    agreed_by: str | None
    limit: Money | None
    limit_includes_tax: bool


class Offered(Struct, frozen=True, kw_only=True):
    """What a customer may do on a page, and what is told there: see `About` for the rest.

    `usual_limit` is up to where the bill may go where the customer names no limit. `entered` is
    what stood in the fields `who`, `limit` and `reason`, `wrong` the code of what is wrong with it.
    """

    about: About
    path: str
    newer: str | None
    consent: str
    usual_limit: Money | None
    notice: str | None = None
    entered: Mapping[str, str] = {}
    wrong: Mapping[str, str] = {}


class Made(Struct, frozen=True):
    """A parts order as it was made: its JSON, its id, and when, by the clock where the shop is."""

    order: bytes
    letter: str
    at: datetime


class Page(Struct, frozen=True):
    """A page, and the Content-Security-Policy that goes with it."""

    body: bytes
    policy: str


class Papers(Protocol):
    """Makes documents of kept revisions. Works in any thread."""

    def missing(self, text: str) -> tuple[str, ...]:
        """Return the letters of a text that printed documents can't show, each once."""

    def offer_page(self, offered: Offered) -> Page:
        """Return the customer's page of a revision."""

    def notice_page(self, notice: str, path: str | None = None) -> Page:
        """Return a small page: `link_over`, `link_unknown`, `too_many`, `unavailable`."""

    def quote_page(self, about: About) -> Page:
        """Return a revision as a page to read only."""

    def quote_pdf(self, about: About, link: str | None = None) -> bytes:
        """Return a revision as PDF."""

    def quotation(self, about: About) -> bytes:
        """Return an issued revision as a UBL 2.1 Quotation."""

    def bench_sheet_page(self, about: About) -> Page:
        """Return the bench sheet of a revision as a page."""

    def bench_sheet_pdf(self, about: About) -> bytes:
        """Return the bench sheet of a revision as PDF."""

    def pick_list_page(self, about: About) -> Page:
        """Return what comes from the shelves as a page."""

    def pick_list_pdf(self, about: About) -> bytes:
        """Return what comes from the shelves as PDF."""

    def order_pdf(self, about: About, made: Made) -> bytes:
        """Return a parts order as PDF."""

    def order_csv(self, about: About, made: Made) -> bytes:
        """Return a parts order as comma-separated values."""

    def order_xml(self, about: About, made: Made) -> bytes:
        """Return a parts order as a UBL 2.1 Order."""


def about(records: Records, quote: KeptQuote, number: int) -> About:
    """Return a revision with what surrounds it. Raises: NoSuchRevision."""
    revision = revision_of(records, quote, number)
    # the revision's own, whoever the quote is for by now
    whom, what = revision.customer, revision.machine
    customer = None if whom is None else records.people.customer(whom)
    machine = None if what is None else records.people.machine(what)
    given = {one.revision: one for one in records.quotes.authorisations(quote.number)}
    agreed: Authorisation | None = given.get(number)
    return About(
        answer=standing(records, quote, revision),
        letter=written(QUOTE, quote.number),
        revision=number,
        state=revision.state.value,
        issued_at=revision.issued_at,
        sha256=revision.sha256,
        customer_name=None if customer is None else customer.name,
        customer_address=None if customer is None else customer.address,
        customer_e_mail=None if customer is None else customer.e_mail,
        machine_name=None if machine is None else machine.name,
        machine_hours=None if machine is None else machine.hours,
        agreed_at=None if agreed is None else agreed.at,
        agreed_by=None if agreed is None else agreed.who,
        limit=None if agreed is None else agreed.limit,
        limit_includes_tax=agreed is None or agreed.includes_tax,
    )
