"""What every document says alike: the part that is fitted, labour, why less, what is exempt."""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import cache

import msgspec
import pytest
from lxml import html
from msgspec import structs
from tests.documents.printed import CONTACT, ENVELOPE, even, text
from tests.documents.ubl_reader import Read
from tests.stages.workbench import (
    BOTH_HEADS,
    HIRE_YARD,
    ORCHARD,
    figure,
    quote,
    starter,
    stocked,
)

from kitwright.catalogue.model import AreaId, Catalogue, ChargeKind, Exemption, Rate, ShopId
from kitwright.contingencies import Foresight
from kitwright.documents.bench_sheet import bench_sheet_html
from kitwright.documents.email import compose
from kitwright.documents.mail_link import Message
from kitwright.documents.pick_list import pick_list_html
from kitwright.documents.quote_page import quote_page
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.quote_text import quote_text
from kitwright.documents.ubl import quotation
from kitwright.language.render import Speaker
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote, read_quote
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import Discount, Exempt, FreeLine, Terms
from kitwright.telling import tell_quote
from kitwright.workshop import Workshop

MESSAGE = Message(
    sender="bench@shop.example",
    to="ada@example.test",
    message_id="<1@shop.example>",
    at=datetime(2027, 3, 1, 9, tzinfo=UTC),
    link="https://shop.example/q/token",
)
VAT = AreaId("example-vat")
KINDS = tuple(kind for kind in ChargeKind if kind is not ChargeKind.discount)
TERMS = Terms(
    discounts=(Discount(reason="You waited long", by="Joan", percent=figure("10")),),
    free_lines=(
        FreeLine(
            description="Bracket straightened",
            kind=ChargeKind.labour,
            quantity=figure("0.5"),
            unit="hour",
            unit_price=figure("78.00"),
            reason="bent",
            by="Joan",
        ),
    ),
)


def with_older_gaskets(catalogue: Catalogue) -> Catalogue:
    rows = (
        structs.replace(row, on_hand=2) if row.item == "V68-G-102" else row
        for row in catalogue.shops[HIRE_YARD].stock
    )
    return stocked(catalogue, *rows)


@cache
def catalogue() -> Catalogue:
    """Return the starter catalogue where prices including tax know an exemption, the rate of that
    tax changes soon, and the older gaskets on the shelf are enough for both heads.
    """
    plain = with_older_gaskets(starter())
    area = plain.tax_areas[VAT]
    (vat,) = area.components
    changed = Rate(valid_from=date(2027, 3, 20), percent=figure("22"))
    area = structs.replace(
        area,
        exemption=Exemption(kinds=KINDS),
        components=(structs.replace(vat, rates=(*vat.rates, changed)),),
    )
    return structs.replace(plain, tax_areas={**plain.tax_areas, VAT: area})


@cache
def made(shop: ShopId = HIRE_YARD, *, is_exempt: bool = False) -> Outcome:
    shown = Exempt(certificate_number="C-17", valid_until=date(2027, 12, 1))
    terms = structs.replace(TERMS, exemption=shown if is_exempt else None)
    found = quote(catalogue(), shop, jobs=BOTH_HEADS, terms=terms)
    return Foresight(Workshop(catalogue(), found.shop)).look_ahead(found)


def quote_of(told: Outcome, language: str = "en") -> Quote:
    speaker = Speaker(catalogue(), language)
    body = tell_quote(told, speaker, catalogue=catalogue())
    return read_quote(msgspec.json.encode(body))


def documents(told: Outcome, language: str = "en") -> dict[str, str]:
    """Return the words of every document that prices a quote."""
    quote, scribe = quote_of(told, language), Scribe(language)
    page = quote_page(quote, ENVELOPE, scribe, shop=told.shop)
    issued = structs.replace(ENVELOPE, issued_at=datetime(2027, 3, 1, 9, tzinfo=UTC))
    return {
        "text": even(quote_text(quote)),
        "page": even(html.fromstring(page).text_content()),
        "PDF": text(quote_pdf(quote, ENVELOPE, scribe, contact=CONTACT)),
        "UBL": even(quotation(quote, issued, zone="UTC").decode()),
    }


def test_documents_name_the_older_number_that_is_fitted_and_its_make() -> None:
    told = made()
    for name, words in documents(told).items():
        assert "V68-G-102" in words, name
        assert "Tarnbeck" in words, name
        # two of alternate make lie on the shelf under the maker's number
        assert "Fennimoor" in words, name
    quote = quote_of(told)
    lines = {line.code: line for line in quote.lines}
    assert lines["V68-G-102"].quantity == "2"
    assert "V68-G-103" not in lines
    assert lines["V68-G-102"].description == "Head gasket, multi-layer, first issue"


def test_bench_sheet_and_pick_list_name_what_the_lines_name() -> None:
    quote, scribe = quote_of(made()), Scribe("en")
    bench = even(html.fromstring(bench_sheet_html(quote, ENVELOPE, contact=CONTACT)).text_content())
    picked = even(
        html.fromstring(pick_list_html(quote, ENVELOPE, scribe, contact=CONTACT)).text_content()
    )
    older = "Head gasket, multi-layer, first issue"
    assert bench.count(f"1 piece {older} (V68-G-102)") == 2
    assert older in picked
    assert "V68-G-102" in picked


def test_older_number_is_billed_at_no_more_than_its_list_price() -> None:
    (line,) = [line for line in made().repair.lines if line.code == "V68-G-102"]
    # its own list price; its successor's is 14.80
    assert line.unit_price == figure("13.90")


def test_documents_stand_labour_by_hand_with_the_labour() -> None:
    quote = quote_of(made())
    pdf = quote_pdf(quote, ENVELOPE, Scribe("en"), contact=CONTACT)
    for words in (documents(made())["text"], text(pdf)):
        by_hand = words.rindex("Bracket straightened")
        assert words.rindex("labour", 0, by_hand) < by_hand < words.index("Shop supplies")
    (item,) = [
        line
        for line in Read.of(quotation(quote, ENVELOPE, zone="UTC")).every("QuotationLine/LineItem")
        if line.text("Item/Name") == "Bracket straightened"
    ]
    assert item.text("Item/AdditionalItemProperty[Name='kind']/Value") == "labour"


@pytest.mark.parametrize("name", ["page", "PDF", "UBL"])
def test_documents_give_the_reason_of_a_discount_and_not_its_giver(name: str) -> None:
    words = documents(made())[name]
    assert "10% discount: You waited long" in words
    assert "Joan" not in words


def test_documents_take_the_tax_of_the_exempt_off_prices_that_include_it() -> None:
    told = made(ORCHARD, is_exempt=True)
    (spared,) = told.repair.freed
    totals = told.repair.totals
    assert totals.payable == totals.net
    assert (totals.lines + totals.discount - spared.amount) == totals.payable
    scribe = Scribe("en")
    for name, words in documents(told).items():
        if name != "UBL":
            assert scribe.money(f"-{spared.amount.amount_text}", "EUR") in words, name
            assert "not charged" in words, name
    document = Read.of(quotation(quote_of(told), ENVELOPE, zone="UTC"))
    total = document.one("QuotedMonetaryTotal")
    assert total.number("TaxInclusiveAmount") == totals.payable.amount
    assert total.number("TaxExclusiveAmount") == totals.payable.amount
    (category,) = document.every("TaxTotal/TaxSubtotal/TaxCategory")
    assert (category.text("ID"), category.text("TaxScheme/ID")) == ("E", "vat")
    assert "C-17" in category.text("TaxExemptionReason")


def test_documents_note_a_rate_that_changes() -> None:
    for language, note in (
        ("en", "VAT is 20% on the day of this quote and 22% from"),
        ("de", "USt.: 20 % am Tag dieses Angebots, 22 % ab"),
    ):
        told = made(ORCHARD)
        for name, words in documents(told, language).items():
            assert note in words, (name, language)
        letter = compose(quote_of(told, language), ENVELOPE, Scribe(language), MESSAGE)
        assert note.encode() in b" ".join(letter.replace(b"=\r\n", b"").split())


@pytest.mark.parametrize(
    ("language", "limit", "under"),
    [
        ("en", "is not a limit", "in addition, only if this is found: "),
        ("de", "ist keine Obergrenze", "zusätzlich, nur wenn sich dies zeigt: "),
    ],
)
def test_documents_say_that_the_costliest_is_no_limit_and_what_follows_on_what(
    language: str, limit: str, under: str
) -> None:
    told = made()
    assert told.prospect is not None
    assert any(one.after is not None for one in told.prospect.each)
    words = documents(told, language)
    for name in ("text", "page", "PDF"):
        assert limit in words[name], name
    for name in ("page", "PDF"):
        assert under in words[name], name


def test_text_tells_what_follows_on_something_below_it() -> None:
    told = made()
    assert told.prospect is not None
    lines = quote_text(quote_of(told)).splitlines()
    for one in told.prospect.each:
        if one.after is None:
            continue

        def place(found: object, depth: int) -> int:
            named = f"{found.kind.name}, cylinder {found.cylinder}, "  # type: ignore[attr-defined]
            (at,) = [
                at
                for at, line in enumerate(lines)
                if line.startswith(" " * depth + named.replace(", cylinder None", ""))
            ]
            return at

        assert place(one.after, 2) < place(one.found, 6)
