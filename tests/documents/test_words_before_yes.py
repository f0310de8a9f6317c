"""The page before the yes: few words in every state, and no sum, limit or exclusion folded."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

import msgspec
import pytest
from msgspec import structs
from tests.documents.offers import ENVELOPE, OPEN, told
from tests.documents.reading import words_before_yes

from kitwright.app import make_service
from kitwright.catalogue.model import DiagnosisCode
from kitwright.documents.choices_view import choices_of
from kitwright.documents.page_actions import PageActions, PageField, PageState
from kitwright.documents.page_words import wrong_told
from kitwright.documents.quote_page import quote_page
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Amount, Change, Envelope, Find, Quote, RightToWithdraw, amount_of
from kitwright.settings import Settings, built_in_catalog
from kitwright.stages.request import RequestRefused
from kitwright.web.calls.service import Service
from kitwright.web.calls.standing import words_of_yes
from kitwright.web.calls.ticking import TicksIn
from kitwright.web.calls.wire import PreviewIn

MOST = 250
EVERY = "KITWRIGHT_EVERY_PAGE" in os.environ
SHOPS = ("hire-yard", "orchard")
FAMILIES = ("QM-H27", "TB-V68", "TB-S50", "QM-D74")
COURSES = ["least", "recommended", "thorough", "replace"]
FIND = Find(
    step=None,
    contingency=None,
    name=None,
    cylinder=None,
    what="the cylinder head is bent and has to be ground flat",
    why="It would leak again.",
    readings=(),
    photographs=(),
    by="Sam",
)
AT = datetime(2027, 3, 2, 17, 3, tzinfo=UTC)


@cache
def service(shop: str) -> Service:
    settings = Settings(catalog=built_in_catalog(), shop=shop)
    return make_service(settings, lambda: date(2027, 3, 1))


def asked(shop: str, family: str, code: str, **more: Any) -> Quote | None:
    """Return a quote for a fault; None if this family can't have it."""
    fault = service(shop).workshop.catalogue.diagnoses[DiagnosisCode(code)]
    cylinder = 1 if fault.scope == "cylinder" else None
    body = {
        "family": family,
        "diagnoses": [{"code": code, **({} if cylinder is None else {"cylinder": cylinder})}],
        "diagnostic_done": True,
        "contingencies": True,
        **more,
    }
    try:
        return service(shop).quote(msgspec.convert(body, PreviewIn))
    except RequestRefused:
        return None


def opened(quote: Quote) -> PageActions:
    """Return what a page offers, with the text of the yes and all there is to choose."""
    scribe = Scribe(quote.language)
    choices = choices_of(
        quote, quote, TicksIn(), scribe, courses=quote.courses, url="/q/token/choice"
    )
    return structs.replace(
        OPEN,
        consent=words_of_yes(quote, "Q12", 2, quote.valid_until),
        usual_limit=quote.totals.gross,
        choices=choices if choices.is_any else None,
    )


def before_yes(quote: Quote, actions: PageActions, envelope: Envelope = ENVELOPE) -> list[str]:
    shop = service(quote.shop.id).workshop.shop
    page = quote_page(quote, envelope, Scribe(quote.language), shop=shop, actions=actions)
    return words_before_yes(page)


def states(quote: Quote) -> Iterator[tuple[str, PageActions, Envelope]]:
    """Yield every state of a page."""
    for name, actions, envelope in _states(quote):
        yield name, actions, envelope
        if quote.shop.id == "orchard":
            yield f"{name}, from afar", actions, from_afar(envelope, quote.language)


def from_afar(envelope: Envelope, language: str) -> Envelope:
    """Return an envelope of a contract that is made by a link."""
    button = {"en": "Order with an obligation to pay", "de": "Zahlungspflichtig beauftragen"}
    right = RightToWithdraw(days=14)
    return structs.replace(envelope, withdrawal=right, button=button[language])


def _states(quote: Quote) -> Iterator[tuple[str, PageActions, Envelope]]:
    plain, scribe = opened(quote), Scribe(quote.language)
    gross = quote.totals.gross
    assert gross is not None
    yield "open", plain, ENVELOPE
    ticked = structs.replace(plain, entered={PageField.extra: "J-LASH"})
    yield "after ticks", ticked, ENVELOPE
    for name, fields in (
        ("form errors", {PageField.who: "value-missing", PageField.limit: "limit-below-amount"}),
        ("other total", {PageField.amount: "amount-differs"}),
    ):
        wrong = {field: wrong_told(field, code, scribe) for field, code in fields.items()}
        yield name, structs.replace(ticked, wrong=wrong), ENVELOPE
    more = Money(13_408, gross.currency)
    change = Change(
        agreed=1,
        finds=(FIND,),
        was=amount_of(gross.money - more),
        difference=amount_of(more),
        by_prices=None,
        now=gross,
        limit=gross,
        was_ready_on=quote.on,
        ready_on=quote.ready_on,
    )
    yield (
        "change while apart",
        structs.replace(plain, choices=None),
        structs.replace(ENVELOPE, change=change, holds=gross.money - more),
    )
    decided: dict[str, Any] = {"decided_at": AT, "decided_by": "Mira Example"}
    declined = told(PageState.declined, **decided)
    yield "declined", declined, structs.replace(ENVELOPE, state="declined")
    agreed = told(PageState.accepted, **decided, limit=amount_of(gross.money))
    yield "agreed", agreed, structs.replace(ENVELOPE, state="accepted", limit=gross.money)


def in_state(quote: Quote, name: str) -> tuple[PageActions, Envelope]:
    """Return one state of a page."""
    (found,) = [
        (actions, envelope) for told_name, actions, envelope in states(quote) if told_name == name
    ]
    return found


def quotes(shop: str, language: str) -> Iterator[Quote]:
    """Yield the starter's quotes of a shop: each fault on a family of its own or, by flag, on all,
    with one course and with courses.
    """
    for at, code in enumerate(service(shop).workshop.catalogue.diagnoses):
        for family in FAMILIES if EVERY else (FAMILIES[at % len(FAMILIES)],):
            for more in ({}, {"courses": COURSES, "worth": {"value": "900"}}):
                made = asked(shop, family, str(code), language=language, **more)
                if made is not None:
                    yield made


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("shop", SHOPS)
def test_page_has_few_words_before_the_yes(shop: str, language: str) -> None:
    counted: dict[tuple[str, str, int, str], int] = {}
    for quote in quotes(shop, language):
        made = quote.engine.family, quote.diagnoses[0].code, len(quote.courses)
        for state, actions, envelope in states(quote):
            counted[(*made, state)] = len(before_yes(quote, actions, envelope))
    most = max(counted, key=lambda one: counted[one])
    assert len(counted) > 100
    assert counted[most] <= MOST, (most, counted[most])


@pytest.mark.parametrize("language", ["en", "de"])
def test_sums_limit_and_exclusions_are_seen_before_the_yes(language: str) -> None:
    quote = asked("hire-yard", "TB-V68", "HG-GALLERY", language=language, courses=COURSES)
    assert quote is not None
    scribe = Scribe(language)
    told_words = " ".join(before_yes(quote, opened(quote)))
    stops = quote.work_plan.stops
    assert stops
    (advised,) = [course for course in quote.courses if course.is_advised]
    assert advised.unfixed
    for seen in (
        scribe.amount(known_total(quote)),
        scribe.amount(max((stop.refitted for stop in stops), key=lambda one: one.money.minor)),
        scribe.amount(max((stop.in_boxes for stop in stops), key=lambda one: one.money.minor)),
        *(scribe.amount(course.total) for course in quote.courses),
        *(job.name for job in advised.unfixed),
    ):
        assert " ".join(seen.split()) in told_words, seen


def test_change_says_old_sum_difference_reason_new_sum_and_limit_in_that_order() -> None:
    quote = asked("hire-yard", "TB-V68", "HG-GALLERY")
    assert quote is not None
    actions, envelope = in_state(quote, "change while apart")
    told_words = " ".join(before_yes(quote, actions, envelope))
    total = Scribe("en").amount(known_total(quote))
    marks = ["Agreed", "This adds $134.08", "Because the cylinder", f"New total {total}"]
    marks += [f"New limit {total}", "Yes, go ahead", "No, not this"]
    places = [told_words.find(mark) for mark in marks]
    assert -1 not in places
    assert places == sorted(places)


def known_total(quote: Quote) -> Amount:
    assert quote.totals.gross is not None
    return quote.totals.gross
