"""Papers: the documents of one shop, each of a stored revision and what surrounds it."""

from __future__ import annotations

import re
from base64 import b64encode
from datetime import datetime
from hashlib import sha256
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Shop
from kitwright.documents.bench_sheet import bench_sheet_html, bench_sheet_pdf
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
from kitwright.quote import Order, Paper, amount_of

_STYLE: Final = re.compile("<style>(.*?)</style>", re.DOTALL)


class Page(Struct, frozen=True):
    """A page, and the Content-Security-Policy that goes with it."""

    body: bytes
    policy: str


class MadeOrder(Struct, frozen=True):
    """A parts order as it was made: with its id, and when, by the clock where the shop is."""

    order: Order
    id: str
    at: datetime


class ShopPapers:
    """The documents of one shop. Works in any thread.

    Args:
        catalogue: says what to look at while an engine is apart.
        shop: whose documents they are.
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
        """Return the customer's page of a revision, with what may be done there."""
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
        """Return a revision as a page to read only."""
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
        return _page(bench_sheet_html(paper.quote, paper.envelope, contact=self._contact))

    def bench_sheet_pdf(self, paper: Paper) -> bytes:
        """Return the bench sheet of a revision as PDF."""
        return bench_sheet_pdf(paper.quote, paper.envelope, contact=self._contact)

    def pick_list_page(self, paper: Paper) -> Page:
        """Return what comes from the shelves as a page."""
        scribe = Scribe(paper.quote.language)
        return _page(pick_list_html(paper.quote, paper.envelope, scribe, contact=self._contact))

    def pick_list_pdf(self, paper: Paper) -> bytes:
        """Return what comes from the shelves as PDF."""
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
            order_id=made.id,
            made_at=made.at,
            contact=self._contact,
        )

    def order_csv(self, paper: Paper, made: MadeOrder) -> bytes:
        """Return a parts order as comma-separated values."""
        scribe = Scribe(paper.quote.language)
        return order_csv(
            made.order, paper.envelope, scribe, order_id=made.id, made_on=made.at.date()
        )

    def order_xml(self, paper: Paper, made: MadeOrder) -> bytes:
        """Return a parts order as a UBL 2.1 Order."""
        return parts_order(
            made.order,
            OrderEnvelope(
                order_id=made.id,
                reference=paper.envelope.name,
                made_at=made.at,
                shop=paper.quote.shop,
                language=paper.quote.language,
            ),
        )


def _page(html: str) -> Page:
    """Return a page whose own style elements its policy names."""
    hashes = " ".join(
        "'sha256-" + b64encode(sha256(one.encode()).digest()).decode() + "'"
        for one in _STYLE.findall(html)
    )
    policy = f"default-src 'none'; style-src {hashes or chr(39) + 'none' + chr(39)}"
    return Page(html.encode(), f"{policy}; frame-ancestors 'none'; base-uri 'none'")
