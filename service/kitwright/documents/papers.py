"""Papers: the documents of one shop for stored revisions and their orders."""

from __future__ import annotations

import re
from base64 import b64encode
from datetime import datetime
from hashlib import sha256
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ChassisId, Component, FamilyId, Override, Shop
from kitwright.documents.bench_sheet import Look, Looks, bench_sheet_html, bench_sheet_pdf
from kitwright.documents.contact import Contact
from kitwright.documents.fonts import fonts
from kitwright.documents.letterhead import letterhead
from kitwright.documents.notice_page import Notice, notice_page
from kitwright.documents.order_csv import order_csv
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.documents.page_actions import PageActions
from kitwright.documents.pick_list import pick_list_html, pick_list_pdf
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.ubl import quotation
from kitwright.documents.ubl_order import OrderEnvelope, parts_order
from kitwright.documents.web_page import page_policy
from kitwright.language.scribe import Scribe
from kitwright.quote import Order, Paper, Quote, amount_of

_STYLE: Final = re.compile("<style>(.*?)</style>", re.DOTALL)


class Page(Struct, frozen=True):
    """A page, and the Content-Security-Policy to send with it."""

    body: bytes
    policy: str


class MadeOrder(Struct, frozen=True):
    """A placed parts order: with its id, and the time it was placed by the shop's clock."""

    order: Order
    id: str
    at: datetime


class ShopPapers:
    """The documents of one shop. It can be used in any thread.

    Args:
        catalogue: its layouts give the instructions for the bench.
        shop: the shop that issues the documents.
    """

    def __init__(self, catalogue: Catalogue, shop: Shop) -> None:
        self._shop = shop
        self._letterhead = letterhead(shop)
        known = shop.contact
        self._contact = Contact(
            address=None if known is None else "\n".join(known.address) or None,
            telephone=None if known is None else known.telephone,
            email=None if known is None else known.email,
        )
        self._catalogue = catalogue

    def missing(self, text: str) -> tuple[str, ...]:
        """Return the letters of a text that printed documents can't show, each once."""
        return fonts().missing(text)

    def offer_page(self, paper: Paper, actions: PageActions) -> Page:
        """Return the customer's page of a revision, with the actions available there."""
        scribe = Scribe(paper.quote.language)
        html = quote_page(
            paper.quote, paper.envelope, scribe, shop=self._letterhead, actions=actions
        )
        return Page(html.encode(), page_policy())

    def notice_page(self, notice: Notice, path: str | None = None) -> Page:
        """Return a small page; `path` leads back to the quote."""
        scribe = Scribe(self._shop.language)
        html = notice_page(notice, scribe, shop=self._letterhead, quote_url=path)
        return Page(html.encode(), page_policy())

    def quote_page(self, paper: Paper) -> Page:
        """Return a revision as a read-only page."""
        html = quote_page(
            paper.quote, paper.envelope, Scribe(paper.quote.language), shop=self._letterhead
        )
        return Page(html.encode(), page_policy())

    def quote_pdf(self, paper: Paper, link: str | None = None) -> bytes:
        """Return a revision as PDF."""
        return quote_pdf(
            paper.quote,
            paper.envelope,
            Scribe(paper.quote.language),
            contact=self._contact,
            ceiling=None if paper.envelope.limit is None else amount_of(paper.envelope.limit),
            ceiling_includes_tax=paper.envelope.limit_includes_tax,
            link=link,
            zone=self._shop.time_zone,
        )

    def quotation(self, paper: Paper) -> bytes:
        """Return an issued revision as a UBL 2.1 Quotation."""
        return quotation(paper.quote, paper.envelope, zone=self._shop.time_zone)

    def bench_sheet_page(self, paper: Paper) -> Page:
        """Return the bench sheet of a revision as a page."""
        looks = _looks(self._catalogue, paper.quote)
        scribe = Scribe(paper.quote.language)
        return _page(
            bench_sheet_html(
                paper.quote, paper.envelope, scribe, contact=self._contact, looks=looks
            )
        )

    def bench_sheet_pdf(self, paper: Paper) -> bytes:
        """Return the bench sheet of a revision as PDF."""
        looks = _looks(self._catalogue, paper.quote)
        scribe = Scribe(paper.quote.language)
        return bench_sheet_pdf(
            paper.quote, paper.envelope, scribe, contact=self._contact, looks=looks
        )

    def pick_list_page(self, paper: Paper) -> Page:
        """Return the pick list of a revision as a page."""
        scribe = Scribe(paper.quote.language)
        return _page(pick_list_html(paper.quote, paper.envelope, scribe, contact=self._contact))

    def pick_list_pdf(self, paper: Paper) -> bytes:
        """Return the pick list of a revision as PDF."""
        return pick_list_pdf(
            paper.quote, paper.envelope, Scribe(paper.quote.language), contact=self._contact
        )

    def order_pdf(self, paper: Paper, made: MadeOrder) -> bytes:
        """Return a parts order as PDF."""
        return order_sheet_pdf(
            made.order,
            paper.quote,
            paper.envelope,
            Scribe(paper.quote.language),
            letter=made.id,
            made_at=made.at,
            contact=self._contact,
        )

    def order_csv(self, paper: Paper, made: MadeOrder) -> bytes:
        """Return a parts order as comma-separated values."""
        scribe = Scribe(paper.quote.language)
        return order_csv(made.order, paper.envelope, scribe, letter=made.id, made_on=made.at.date())

    def order_xml(self, paper: Paper, made: MadeOrder) -> bytes:
        """Return a parts order as a UBL 2.1 Order."""
        return parts_order(
            made.order,
            OrderEnvelope(
                letter=made.id,
                reference=paper.envelope.name,
                made_at=made.at,
                shop=paper.quote.shop,
                language=paper.quote.language,
            ),
        )


def _page(html: str) -> Page:
    """Return a page with a policy that allows only its own style elements."""
    hashes = " ".join(
        "'sha256-" + b64encode(sha256(one.encode()).digest()).decode() + "'"
        for one in _STYLE.findall(html)
    )
    policy = f"default-src 'none'; style-src {hashes or chr(39) + 'none' + chr(39)}"
    return Page(html.encode(), f"{policy}; frame-ancestors 'none'; base-uri 'none'")


def _looks(catalogue: Catalogue, quote: Quote) -> Looks:
    """Return the instructions for the bench from a revision's layout and chassis.

    An engine or machine that is no longer in the catalogue gives no instructions.
    """
    family = catalogue.families.get(FamilyId(quote.engine.family))
    layout = None if family is None else catalogue.layouts.get(family.layout)
    asked = quote.chassis_question
    named = quote.engine.chassis if asked is None else asked.priced
    chassis = catalogue.chassis.get(ChassisId(named or ""))
    found: dict[str, Look] = {}
    for part in (chassis, layout):
        found |= {str(one.id): look_at(one) for one in (part.component if part is not None else ())}
    for changed in family.override if family is not None else ():
        name = str(changed.component)
        found[name] = look_at(changed, found.get(name))
    return found


def look_at(row: Component | Override, plain: Look | None = None) -> Look:
    """Return a component's instructions for the bench; those that an override leaves out come from
    `plain`.
    """
    plain = plain or Look()
    return Look(
        inspect=plain.inspect if row.inspect is None else row.inspect,
        fasteners=plain.fasteners if row.fasteners is None else row.fasteners,
        tools=plain.tools if row.tools is None else row.tools,
        manual=plain.manual if row.spec is None else row.spec,
    )
