"""Papers: the documents' room as the web asks for it."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping
from hashlib import sha256
from typing import Final

import msgspec

from kitwright.catalogue.model import (
    Catalogue,
    ChassisId,
    Component,
    FamilyId,
    Override,
    Shop,
)
from kitwright.documents.bench_sheet import Look, Looks, bench_sheet_html, bench_sheet_pdf
from kitwright.documents.contact import Contact
from kitwright.documents.fonts import fonts
from kitwright.documents.letterhead import letterhead
from kitwright.documents.notice_page import Notice, notice_page
from kitwright.documents.order_csv import order_csv
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.documents.page_actions import PageActions, PageField, PageState
from kitwright.documents.page_words import wrong_told
from kitwright.documents.paper import Amount, Envelope, PaperOrder, QuotePaper, read_paper
from kitwright.documents.pick_list import pick_list_html, pick_list_pdf
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.ubl import quotation
from kitwright.documents.ubl_order import OrderEnvelope, parts_order
from kitwright.documents.web_page import page_policy
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.web.calls.paper import About, Made, Offered, Page

_STYLE: Final = re.compile("<style>(.*?)</style>", re.DOTALL)


class ShopPapers:
    """The documents of one shop, as `kitwright.web.calls.paper.Papers` says.

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
            e_mail=None if known is None else known.e_mail,
        )
        self._catalogue = catalogue

    def missing(self, text: str) -> tuple[str, ...]:
        """Return the letters of a text that printed documents can't show, each once."""
        return fonts().missing(text)

    def offer_page(self, offered: Offered) -> Page:
        """Return the customer's page of a revision."""
        about = offered.about
        paper, envelope, scribe = read_about(about)
        actions = PageActions(
            state=PageState(about.state),
            accept_url=f"{offered.path}/accept",
            decline_url=f"{offered.path}/decline",
            newer_url=offered.newer,
            consent=offered.consent,
            usual_limit=_amount(offered.usual_limit),
            decided_at=about.agreed_at,
            decided_by=about.agreed_by,
            limit=_amount(about.limit),
            limit_includes_tax=about.limit_includes_tax,
            notice=offered.notice,
            entered=_fields(offered.entered),
            wrong={
                field: wrong_told(field, code, scribe)
                for field, code in _fields(offered.wrong).items()
            },
        )
        html = quote_page(paper, envelope, scribe, shop=self._letterhead, actions=actions)
        return Page(html.encode(), page_policy())

    def notice_page(self, notice: str, path: str | None = None) -> Page:
        """Return a small page."""
        scribe = Scribe(self._shop.language)
        html = notice_page(Notice(notice), scribe, shop=self._letterhead, quote_url=path)
        return Page(html.encode(), page_policy())

    def quote_page(self, about: About) -> Page:
        """Return a revision as a page to read only."""
        paper, envelope, scribe = read_about(about)
        html = quote_page(paper, envelope, scribe, shop=self._letterhead)
        return Page(html.encode(), page_policy())

    def quote_pdf(self, about: About, link: str | None = None) -> bytes:
        """Return a revision as PDF."""
        paper, envelope, scribe = read_about(about)
        return quote_pdf(
            paper,
            envelope,
            scribe,
            contact=self._contact,
            ceiling=_amount(about.limit),
            ceiling_includes_tax=about.limit_includes_tax,
            link=link,
            zone=self._shop.time_zone,
        )

    def quotation(self, about: About) -> bytes:
        """Return an issued revision as a UBL 2.1 Quotation."""
        paper, envelope, _ = read_about(about)
        return quotation(paper, envelope, zone=self._shop.time_zone)

    def bench_sheet_page(self, about: About) -> Page:
        """Return the bench sheet of a revision as a page."""
        paper, envelope, scribe = read_about(about)
        html = bench_sheet_html(
            paper, envelope, scribe, contact=self._contact, looks=_looks(self._catalogue, paper)
        )
        return _page(html)

    def bench_sheet_pdf(self, about: About) -> bytes:
        """Return the bench sheet of a revision as PDF."""
        paper, envelope, scribe = read_about(about)
        return bench_sheet_pdf(
            paper, envelope, scribe, contact=self._contact, looks=_looks(self._catalogue, paper)
        )

    def pick_list_page(self, about: About) -> Page:
        """Return what comes from the shelves as a page."""
        return _page(pick_list_html(*read_about(about), contact=self._contact))

    def pick_list_pdf(self, about: About) -> bytes:
        """Return what comes from the shelves as PDF."""
        return pick_list_pdf(*read_about(about), contact=self._contact)

    def order_pdf(self, about: About, made: Made) -> bytes:
        """Return a parts order as PDF."""
        return order_sheet_pdf(
            _order(made.order),
            *read_about(about),
            letter=made.letter,
            made_at=made.at,
            contact=self._contact,
        )

    def order_csv(self, about: About, made: Made) -> bytes:
        """Return a parts order as comma-separated values."""
        _, envelope, scribe = read_about(about)
        return order_csv(
            _order(made.order), envelope, scribe, letter=made.letter, made_on=made.at.date()
        )

    def order_xml(self, about: About, made: Made) -> bytes:
        """Return a parts order as a UBL 2.1 Order."""
        paper, _, scribe = read_about(about)
        envelope = OrderEnvelope(
            letter=made.letter,
            reference=f"{about.letter}-{about.revision}",
            made_at=made.at,
            shop=paper.shop,
            language=scribe.language,
        )
        return parts_order(_order(made.order), envelope)


def read_about(about: About) -> tuple[QuotePaper, Envelope, Scribe]:
    """Return a revision as documents read it, and a scribe of its language."""
    paper = read_paper(about.answer)
    scribe = Scribe(paper.language)
    hours = about.machine_hours
    envelope = Envelope(
        letter=about.letter,
        revision=about.revision,
        state=about.state,
        issued_at=about.issued_at,
        sha256=about.sha256,
        customer_name=about.customer_name,
        customer_address=about.customer_address,
        customer_e_mail=about.customer_e_mail,
        machine_name=about.machine_name,
        machine_hours=None if hours is None else scribe.number(hours),
        agreed_at=about.agreed_at,
    )
    return paper, envelope, scribe


def _order(body: bytes) -> PaperOrder:
    return msgspec.json.decode(body, type=PaperOrder)


def _amount(money: Money | None) -> Amount | None:
    return None if money is None else Amount(money.amount_text, money.currency)


def _fields(given: Mapping[str, str]) -> dict[PageField, str]:
    return {PageField(name): text for name, text in given.items()}


def _page(html: str) -> Page:
    """Return a page whose own style elements its policy names."""
    hashes = " ".join(
        "'sha256-" + b64encode(sha256(one.encode()).digest()).decode() + "'"
        for one in _STYLE.findall(html)
    )
    policy = f"default-src 'none'; style-src {hashes or chr(39) + 'none' + chr(39)}"
    return Page(html.encode(), f"{policy}; frame-ancestors 'none'; base-uri 'none'")


def _looks(catalogue: Catalogue, paper: QuotePaper) -> Looks:
    """Return what the layout of a revision's engine, and the machine around it, say for the bench.

    Of an engine or machine that the catalogue does not hold any more, nothing is said.
    """
    family = catalogue.families.get(FamilyId(paper.engine.family))
    layout = None if family is None else catalogue.layouts.get(family.layout)
    asked = paper.chassis_question
    named = paper.engine.chassis if asked is None else asked.priced
    chassis = catalogue.chassis.get(ChassisId(named or ""))
    found: dict[str, Look] = {}
    for part in (chassis, layout):
        found |= {str(one.id): look_at(one) for one in (part.component if part is not None else ())}
    for changed in family.override if family is not None else ():
        name = str(changed.component)
        found[name] = look_at(changed, found.get(name))
    return found


def look_at(row: Component | Override, plain: Look | None = None) -> Look:
    """Return what a component says for the bench; what an override leaves out is as in `plain`."""
    plain = plain or Look()
    return Look(
        inspect=plain.inspect if row.inspect is None else row.inspect,
        fasteners=plain.fasteners if row.fasteners is None else row.fasteners,
        tools=plain.tools if row.tools is None else row.tools,
        manual=plain.manual if row.spec is None else row.spec,
    )
