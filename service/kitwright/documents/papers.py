"""Papers: the documents of one shop, each made from a stored revision and its envelope."""

from __future__ import annotations

from msgspec import Struct

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.bench_sheet import bench_sheet_html, bench_sheet_pdf
from kitwright.documents.bill_pdf import bill_pdf
from kitwright.documents.closing_page import closing_page
from kitwright.documents.closing_pdf import closing_pdf
from kitwright.documents.closing_view import Closing
from kitwright.documents.collection_letter import CollectionLetter, collection_letter_pdf
from kitwright.documents.fonts import fonts
from kitwright.documents.notice_page import Notice, ended_page, notice_page
from kitwright.documents.offer_view import warranty_of
from kitwright.documents.order_csv import order_csv
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.documents.order_text import MadeOrder
from kitwright.documents.page_actions import PageActions
from kitwright.documents.pick_list import pick_list_html, pick_list_pdf
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.ticket_paper import ticket_page, ticket_pdf
from kitwright.documents.ticket_words import TicketPaper
from kitwright.documents.ubl import quotation
from kitwright.documents.ubl_bill import ubl_bill
from kitwright.documents.ubl_order import ubl_order
from kitwright.documents.web_page import page_policy
from kitwright.language.scribe import Scribe
from kitwright.quote import Bill, Paper

__all__ = ["MadeOrder", "Page", "ShopPapers"]


class Page(Struct, frozen=True):
    """A page, and the Content-Security-Policy to send with it."""

    body: bytes
    policy: str


class ShopPapers:
    """Makes the documents of one shop. Works in any thread.

    Args:
        shop: the shop that the documents are from.
    """

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._contact = shop.contact or Contact()

    def missing(self, text: str) -> tuple[str, ...]:
        """Return the characters of a text that printed documents can't show, each once."""
        return fonts().missing(text)

    def offer_page(self, paper: Paper, actions: PageActions) -> Page:
        """Return the customer's page of a revision, with the actions that are open there."""
        return self._quote_page(paper, actions)

    def quote_page(self, paper: Paper) -> Page:
        """Return a revision as a read-only page."""
        return self._quote_page(paper, None)

    def _quote_page(self, paper: Paper, actions: PageActions | None) -> Page:
        quote, scribe = paper.quote, _scribe(paper)
        return _page(quote_page(quote, paper.envelope, scribe, shop=self.shop, actions=actions))

    def notice_page(self, notice: Notice, language: str) -> Page:
        """Return a small page."""
        return _page(notice_page(notice, Scribe(language), shop=self.shop))

    def ended_page(self, paper: Paper, actions: PageActions) -> Page:
        """Return the page of an offer that no longer stands."""
        quote, envelope = paper.quote, paper.envelope
        return _page(ended_page(quote, envelope, actions, _scribe(paper), shop=self.shop))

    def closing_page(self, paper: Paper, closing: Closing, notice: str | None = None) -> Page:
        """Return the page of a visit that is over; `notice` is shown at the top."""
        quote, envelope = paper.quote, paper.envelope
        scribe = _scribe(paper)
        return _page(closing_page(quote, envelope, closing, scribe, shop=self.shop, notice=notice))

    def quote_pdf(self, paper: Paper, link: str | None = None) -> bytes:
        """Return a revision as PDF; `link` is where the customer can answer online."""
        return quote_pdf(
            paper.quote,
            paper.envelope,
            _scribe(paper),
            contact=self._contact,
            link=link,
            zone=self.shop.time_zone,
            warranty=warranty_of(self.shop),
        )

    def customer_pdf(self, paper: Paper, closing: Closing | None) -> bytes:
        """Return what a customer reads by a link as PDF: a revision, or the account of a visit that
        is over.
        """
        if closing is None:
            return self.quote_pdf(paper)
        quote, envelope, scribe = paper.quote, paper.envelope, _scribe(paper)
        return closing_pdf(quote, envelope, closing, scribe, shop=self.shop)

    def quotation(self, paper: Paper) -> bytes:
        """Return an issued revision as a UBL 2.1 Quotation."""
        return quotation(paper.quote, paper.envelope, zone=self.shop.time_zone)

    def bench_sheet_page(self, paper: Paper) -> Page:
        """Return the bench sheet of a revision as a page."""
        return _page(bench_sheet_html(paper.quote, paper.envelope, contact=self._contact))

    def bench_sheet_pdf(self, paper: Paper) -> bytes:
        """Return the bench sheet of a revision as PDF."""
        return bench_sheet_pdf(paper.quote, paper.envelope, contact=self._contact)

    def pick_list_page(self, paper: Paper) -> Page:
        """Return the pick list of a revision as a page."""
        return _page(
            pick_list_html(paper.quote, paper.envelope, _scribe(paper), contact=self._contact)
        )

    def pick_list_pdf(self, paper: Paper) -> bytes:
        """Return the pick list of a revision as PDF."""
        return pick_list_pdf(paper.quote, paper.envelope, _scribe(paper), contact=self._contact)

    def ticket_page(
        self, paper: TicketPaper, agree_url: str | None = None, wrong: str = ""
    ) -> Page:
        """Return a ticket as a page; at `agree_url` its customer can agree to it. `wrong` is the
        error of the name that was entered.
        """
        return _page(ticket_page(paper, self.shop, agree_url=agree_url, wrong=wrong))

    def ticket_pdf(self, paper: TicketPaper) -> bytes:
        """Return a ticket as PDF."""
        return ticket_pdf(paper, self.shop)

    def collection_letter(self, letter: CollectionLetter) -> bytes:
        """Return the letter that asks a customer to collect a machine, as PDF."""
        return collection_letter_pdf(letter, self.shop)

    def bill_pdf(self, bill: Bill) -> bytes:
        """Return an invoice or a credit note as PDF."""
        return bill_pdf(bill)

    def bill_xml(self, bill: Bill) -> bytes:
        """Return an invoice or a credit note as a UBL 2.1 Invoice or CreditNote."""
        return ubl_bill(bill)

    def order_files(self, made: MadeOrder, language: str) -> dict[str, bytes]:
        """Return a parts order in every form, by the ending of the file's name."""
        return {
            "pdf": self.order_pdf(made, language),
            "csv": self.order_csv(made, language),
            "xml": self.order_xml(made, language),
        }

    def order_pdf(self, made: MadeOrder, language: str) -> bytes:
        """Return a parts order as PDF."""
        return order_sheet_pdf(made, self.shop, Scribe(language))

    def order_csv(self, made: MadeOrder, language: str) -> bytes:
        """Return a parts order as comma-separated values."""
        return order_csv(made, self.shop, Scribe(language))

    def order_xml(self, made: MadeOrder, language: str) -> bytes:
        """Return a parts order as a UBL 2.1 Order."""
        return ubl_order(made, self.shop, Scribe(language))


def _scribe(paper: Paper) -> Scribe:
    return Scribe(paper.quote.language)


def _page(html: str) -> Page:
    return Page(html.encode(), page_policy(html))
