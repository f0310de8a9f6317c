"""Ticket paper: a ticket as a page, on which its customer can agree to it, and as PDF."""

from __future__ import annotations

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.frame import bare_frame
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.ticket_words import (
    TicketPaper,
    agreed_told,
    complaint_lines,
    consent_told,
    fee_told,
    old_parts_told,
    rows_of,
)
from kitwright.documents.web_page import page
from kitwright.language.scribe import Scribe


def ticket_page(
    paper: TicketPaper, shop: Shop, *, agree_url: str | None = None, wrong: str = ""
) -> str:
    """Return a ticket as an HTML document without scripts, to be sent with `page_policy()`.

    With an `agree_url`, it can be agreed to there, as long as nobody did; `wrong` is the error of
    the name that was entered.
    """
    scribe = Scribe(paper.ticket.language)
    is_open = paper.ticket.agreed_at is None and agree_url is not None
    return page(
        "ticket.html",
        scribe,
        shop=shop,
        heading=scribe.say("Take-in ticket {ticket}", ticket=paper.id),
        agree_url=agree_url if is_open else "",
        wrong=wrong,
        **_facts(paper, scribe, shop),
    )


def ticket_pdf(paper: TicketPaper, shop: Shop) -> bytes:
    """Return a ticket as PDF/UA-1, to be signed if nobody agreed to it yet. The same ticket gives
    the same bytes.
    """
    scribe, ticket = Scribe(paper.ticket.language), paper.ticket
    title = scribe.say("Take-in ticket")
    contact = shop.contact or Contact()
    sheet: Sheet = {
        **bare_frame(title, paper.id, shop, scribe, contact, ticket.made_at),
        "said": said("ticket.typ", scribe),
        **_facts(paper, scribe, shop),
    }
    return press().print("ticket.typ", sheet, at=ticket.made_at)


def _facts(paper: TicketPaper, scribe: Scribe, shop: Shop) -> Sheet:
    """Return what both forms say."""
    ticket = paper.ticket
    return {
        "rows": rows_of(paper, scribe),
        "accessories": list(ticket.accessories),
        "complaint": complaint_lines(ticket),
        "fee": fee_told(ticket, scribe, shop),
        "terms": [*ticket.terms, old_parts_told(ticket, scribe)],
        "consent": consent_told(paper, scribe, shop),
        "agreed": agreed_told(ticket, scribe, shop.time_zone),
        "seal": ticket.sha256,
    }
