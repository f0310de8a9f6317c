"""A change of what was agreed, as the customer reads it: the same in every document."""

from datetime import UTC, datetime
from email import message_from_bytes, policy

import pytest
from lxml import html
from msgspec import structs
from tests.documents.printed import CONTACT, ENVELOPE, even, text
from tests.documents.test_agreeing import MESSAGE, made, quote_of

from kitwright.documents.change_view import change_rows
from kitwright.documents.email import compose
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.quote_text import quote_text
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Change, Find, Measured, Quote, amount_of

OFFERED = structs.replace(
    ENVELOPE, state="issued", issued_at=datetime(2027, 3, 1, 9, tzinfo=UTC), agreed_at=None
)


def money(minor: int) -> Money:
    return Money(minor, "USD")


def change(by_prices: int = 0) -> Change:
    return Change(
        agreed=1,
        finds=(
            Find(
                step="off head@1",
                contingency="warped_head",
                name="Warped head",
                cylinder=1,
                what="0.3 mm out of flat.",
                why="It would not seal.",
                readings=(Measured(what="Gap", value="0.30", unit="mm"),),
                photographs=(),
                by="R. Okafor",
            ),
        ),
        was=amount_of(money(45_258)),
        difference=amount_of(money(6_969)),
        by_prices=amount_of(money(by_prices)),
        now=amount_of(money(52_227)),
        limit=amount_of(money(57_449)),
    )


def documents(quote: Quote, language: str) -> dict[str, str]:
    """Return the words of every document that tells a change."""
    scribe = Scribe(language)
    page = quote_page(quote, OFFERED, scribe, shop=made().shop)
    mail = message_from_bytes(compose(quote, OFFERED, scribe, MESSAGE), policy=policy.default)
    plain = mail.get_body(("plain",))
    assert plain is not None
    return {
        "text": even(quote_text(quote)),
        "page": even(html.fromstring(page).text_content()),
        "PDF": even(text(quote_pdf(quote, OFFERED, scribe, contact=CONTACT))),
        "e-mail": even(plain.get_content()),
    }


@pytest.mark.parametrize("language", ["en", "de"])
def test_documents_say_old_sum_difference_reason_new_sum_and_limit(language: str) -> None:
    quote = structs.replace(quote_of(made(), language), change=change())
    scribe = Scribe(language)
    wanted = [even(row.amount) for row in change_rows(quote, scribe)]
    assert len(wanted) == 4

    for name, told in documents(quote, language).items():
        places = [told.find(amount) for amount in wanted]
        assert -1 not in places, name
        assert "0.3 mm out of flat." in told, name
        assert "It would not seal." in told, name
        assert "R. Okafor" not in told, name


def test_prices_that_moved_are_told_apart_from_what_was_found() -> None:
    quote = structs.replace(quote_of(made()), change=change(by_prices=211))

    told = {row.label: row.amount for row in change_rows(quote, Scribe("en"))}

    assert told["In this sum: prices changed since then"] == "$2.11"


def test_limit_that_was_agreed_is_told_once() -> None:
    quote = structs.replace(quote_of(made()), change=change())

    rows = change_rows(quote, Scribe("en"), is_agreed=True)

    assert [row.amount for row in rows] == ["$452.58", "$69.69", "$522.27"]


def test_quote_that_is_no_change_says_nothing_of_it() -> None:
    for told in documents(quote_of(made()), "en").values():
        assert "since you agreed" not in told.lower()
