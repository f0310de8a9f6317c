"""Every document tells the same courses of an offer, with the same amounts and days."""

from __future__ import annotations

import email
import email.policy
import os
import random
from datetime import date
from functools import cache
from typing import Any

import msgspec
import pytest
from lxml import etree, html
from msgspec import structs
from tests.documents.printed import CONTACT, ENVELOPE, even, pages, text
from tests.documents.test_agreeing import MESSAGE

from kitwright.app import make_service
from kitwright.documents.courses_view import advice_of, courses_of, ways_of
from kitwright.documents.email import compose
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.quote_text import quote_text
from kitwright.documents.ubl import quotation
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote, encode_quote, read_quote
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import PreviewIn

OFFERS = int(os.environ.get("KITWRIGHT_OFFERS", "8"))
"""How many random offers are told in every form; 200 by flag."""
FAMILIES = ("QM-H27", "TB-V68", "TB-S50")
FAULTS = ("RINGS-BORE", "VALVE-EX", "HG-GALLERY", "PISTON-HOLED", "VALVE-IN")


@cache
def service(shop: str) -> Service:
    settings = Settings(catalog=built_in_catalog(), shop=shop)
    return make_service(settings, lambda: date(2027, 3, 1))


def offer(luck: random.Random) -> tuple[Service, Quote]:
    """Return a random quote with courses."""
    found = service(luck.choice(("hire-yard", "orchard")))
    asked: dict[str, Any] = {
        "family": luck.choice(FAMILIES),
        "diagnoses": [{"code": luck.choice(FAULTS), "cylinder": 1}],
        "courses": luck.sample(["least", "recommended", "thorough", "replace"], 3),
        "contingencies": luck.random() < 0.5,
        "language": luck.choice(("en", "de")),
        "worth": {"value": str(luck.randint(100, 3000)), "replacement_price": "1800"},
    }
    if luck.random() < 0.3:
        asked["discounts"] = [{"percent": "7", "reason": "Regular", "by": "Ada"}]
    return found, found.quote(msgspec.convert(asked, PreviewIn))


@pytest.mark.parametrize("seed", range(OFFERS))
def test_documents_tell_the_same_courses(seed: int) -> None:
    found, quote = offer(random.Random(seed))
    scribe = Scribe(quote.language)
    page = quote_page(quote, ENVELOPE, scribe, shop=found.workshop.shop)
    told = {
        "text": even(quote_text(quote)),
        "page": even(html.fromstring(page).text_content()),
        "PDF": text(quote_pdf(quote, ENVELOPE, scribe, contact=CONTACT)),
        "e-mail": letter(quote, scribe),
    }
    rows = courses_of(quote, scribe)
    machine = quote.another_machine
    count = len(quote.courses) + (machine is not None)
    assert len(rows) == (count if count > 1 else 0)
    for course, row in zip(quote.courses, rows, strict=False):
        assert row.total == scribe.amount(course.total)
        assert course.name in row.name
    if machine is not None and rows:
        assert rows[-1].total == scribe.amount(machine.total)
    for row in rows:
        for form, words in told.items():
            for fact in (row.name.partition(" (")[0], row.total, *row.facts):
                assert _squeezed(fact) in _squeezed(words), (form, fact)
    for reason in advice_of(quote, scribe):
        for form, words in told.items():
            assert _squeezed(reason) in _squeezed(words), form
    (advised,) = [course for course in quote.courses if course.is_advised]
    assert advised.total == quote.totals.gross
    total = _squeezed(scribe.amount(advised.total))
    assert all(total in _squeezed(words) for words in told.values())
    issued = structs.replace(ENVELOPE, issued_at=MESSAGE.at)
    ubl = etree.fromstring(quotation(quote, issued, zone="UTC"))
    (gross,) = ubl.findall(".//{*}TaxInclusiveAmount")
    assert (gross.text, gross.get("currencyID")) == (advised.total.amount, quote.shop.currency)
    assert read_quote(encode_quote(quote)) == quote


@pytest.mark.parametrize("language", ["en", "de"])
def test_signature_is_for_one_way_that_is_ticked(language: str) -> None:
    quote = next(
        made
        for made in (offer(random.Random(seed))[1] for seed in range(99))
        if made.courses[1:] and made.language == language
    )
    scribe = Scribe(language)
    offered = structs.replace(ENVELOPE, state="issued", issued_at=MESSAGE.at)

    first = pages(quote_pdf(quote, offered, scribe, contact=CONTACT))[0]

    signed = first[first.index(scribe.say("Acceptance in person")) :]
    rows = ways_of(quote, scribe)
    assert len(rows) == len(quote.courses) > 1
    for row in rows:
        assert _squeezed(f"{row.name}, {row.total}") in _squeezed(signed)
    assert scribe.say("Signature") in signed


def letter(quote: Quote, scribe: Scribe) -> str:
    """Return the words of the e-mail of a quote."""
    raw = compose(quote, ENVELOPE, scribe, MESSAGE)
    part = email.message_from_bytes(raw, policy=email.policy.default).get_body(("plain",))
    assert part is not None
    told: str = part.get_content()
    return even(told)


def _squeezed(words: str) -> str:
    """Return words without spaces and hyphens, where lines may be broken."""
    return "".join(words.replace("\u00ad", "").replace("-", "").split())


def test_warranty_is_told_once_unless_courses_differ_in_it() -> None:
    quote = next(
        made for made in (offer(random.Random(seed))[1] for seed in range(99)) if made.courses[1:]
    )
    scribe = Scribe("en")
    first, *rest = quote.courses
    longer = msgspec.structs.replace(first.warranty, labour_days=first.warranty.labour_days + 1)
    other = msgspec.structs.replace(
        quote, courses=(msgspec.structs.replace(first, warranty=longer), *rest)
    )

    def told(one: Quote) -> tuple[int, int]:
        """Return how often the warranty is told: with courses, and after all of them."""
        with_each = [fact for row in courses_of(one, scribe) for fact in row.facts]
        return sum(
            fact.startswith("Work 9") or "other makes' parts" in fact for fact in with_each
        ), sum(
            fact.startswith("Work 9") or "other makes' parts" in fact
            for fact in advice_of(one, scribe)
        )

    assert told(quote) == (0, 1)
    assert told(other) == (len(quote.courses), 0)
