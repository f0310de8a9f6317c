"""Every document of an answer as its text, in whatever language the answer is."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from html import unescape
from xml.etree import ElementTree as ET

from msgspec import structs
from tests.cases.counter import Json
from tests.documents.offers import OPEN, shops
from tests.documents.printed import CONTACT, ENVELOPE
from tests.documents.printed import text as pdf_text
from tests.documents.reading import read

from kitwright.catalogue.model import Shop
from kitwright.documents.access_svg import access_svg
from kitwright.documents.bench_sheet import bench_sheet_html, bench_sheet_pdf
from kitwright.documents.notice_page import Notice, notice_page
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.documents.order_text import MadeOrder
from kitwright.documents.page_actions import PageActions, PageField, PageState
from kitwright.documents.pick_list import pick_list_html, pick_list_pdf
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.ubl import quotation
from kitwright.documents.ubl_order import ubl_order
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Order, Quote, read_quote
from kitwright.web.calls.standing import words_of_yes

AT = datetime(2027, 3, 1, 11, tzinfo=UTC)
"""A moment whose hour has the same digits on every clock."""
SENT: Envelope = structs.replace(ENVELOPE, sha256=None)
DECIDED = PageActions(
    state=PageState.accepted, decided_at=AT, decided_by="Ada Pellow", limit=OPEN.usual_limit
)
GIVEN = [
    *(
        str(getattr(SENT, name))
        for name in ("quote_id", "customer_email", "customer_address", "machine_name")
    ),
    *(str(one) for one in (*str(SENT.customer_address).splitlines(), SENT.customer_name)),
    *(str(getattr(CONTACT, name)) for name in CONTACT.__struct_fields__),
    *CONTACT.address,
    *(shop.name for shop in shops().values()),
    *(
        str(text)
        for shop in shops().values()
        if (known := shop.contact) is not None
        for text in (*shop.purchasing.deliver_to, *known.address, known.telephone, known.email)
    ),
]
"""What people wrote, which no language changes."""

_FOR_PEOPLE = {"Note", "Description", "TaxExemptionReason", "AllowanceChargeReason", "PriceType"}


def documents(answer: Json) -> dict[str, str]:
    """Return the text of each document of an answer by name."""
    quote = read_quote(json.dumps(answer).encode())
    scribe = Scribe(quote.language)
    told = {**_pages(quote, scribe), **_prints(quote, scribe)}
    if quote.totals.gross is not None:
        until = quote.valid_until
        told["yes"] = words_of_yes(quote, SENT.quote_id, SENT.revision, until)
        told["quotation"] = _notes(quotation(quote, SENT, zone="UTC"))
    for at, one in enumerate(quote.orders):
        told[f"order {at}"] = _notes(ubl_order(_made(one), _buyer(quote), scribe))
    return told


def _made(order: Order) -> MadeOrder:
    references = (("Q12-2", "Q13-1"),) * len(order.lines)
    return MadeOrder(order=order, id="O3", at=AT, references=references)


def _buyer(quote: Quote) -> Shop:
    return structs.replace(shops()[quote.shop.id], contact=CONTACT)


def _pages(quote: Quote, scribe: Scribe) -> dict[str, str]:
    shop = structs.replace(shops()[quote.shop.id], time_zone="UTC")
    offers: dict[str, PageActions | None] = {
        "open": structs.replace(OPEN, consent=None),
        "decided": DECIDED,
        "wrong": structs.replace(
            OPEN,
            consent=None,
            wrong={PageField.who: str(SENT.machine_name), PageField.limit: SENT.quote_id},
        ),
        **{state.value: PageActions(state=state) for state in PageState},
        "for reading": None,
    }
    told = {
        f"page {name}": quote_page(quote, SENT, scribe, shop=shop, actions=actions)
        for name, actions in offers.items()
    }
    told |= {
        one: notice_page(one, scribe, shop=shop, quote_url="/q/x" if one == "accepted" else None)
        for one in Notice
    }
    made = {name: _seen(page) for name, page in told.items()}
    bench = bench_sheet_html(quote, SENT, contact=CONTACT)
    made["bench page"] = _unstyled(bench)
    made["pick page"] = _unstyled(pick_list_html(quote, SENT, scribe, contact=CONTACT))
    drawing = access_svg(quote, scribe)
    drawn = " ".join(ET.fromstring(drawing.svg).itertext())
    made["access"] = f"{drawn} {drawing.told}"
    return made


def _prints(quote: Quote, scribe: Scribe) -> dict[str, str]:
    bench = bench_sheet_pdf(quote, SENT, contact=CONTACT)
    made = {
        f"quote PDF {state}": pdf_text(
            quote_pdf(quote, structs.replace(SENT, state=state), scribe, contact=CONTACT)
        )
        for state in ("issued", "draft")
    }
    made["bench PDF"] = pdf_text(bench)
    made["pick PDF"] = pdf_text(pick_list_pdf(quote, SENT, scribe, contact=CONTACT))
    for at, one in enumerate(quote.orders):
        sheet = order_sheet_pdf(_made(one), _buyer(quote), scribe)
        made[f"order PDF {at}"] = pdf_text(sheet)
    return made


def _seen(page: str) -> str:
    root = read(page)
    for style in root.iter("style"):
        style.clear()
    labels = [one.get("aria-label", "") for one in root.iter()]
    return " ".join((*root.itertext(), *labels))


def _unstyled(page: str) -> str:
    return unescape(re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL))


def _notes(document: bytes) -> str:
    root = ET.fromstring(document)
    return " ".join(
        one.text or "" for one in root.iter() if one.tag[one.tag.find("}") + 1 :] in _FOR_PEOPLE
    )
