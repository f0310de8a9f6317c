"""The printed quote: every amount of the answer, in its order, with the totals in place."""

import io
import re
from collections import Counter
from datetime import UTC, datetime
from decimal import Decimal

import pikepdf
import pypdf
import pytest
from msgspec import structs
from tests.documents.offers import for_a_test, read_back
from tests.documents.printed import (
    CONTACT,
    ENVELOPE,
    SCRIBE,
    full_quote,
    pages,
    quote_of,
    quoted,
    text,
)

from kitwright.documents.quote_pdf import quote_pdf
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Amount, Quote, Reason

MONEY = re.compile(r"-?[$€£][\d,]+\.\d+")


def printed(quote: Quote) -> bytes:
    return quote_pdf(quote, ENVELOPE, SCRIBE, contact=CONTACT)


def amounts(quote: Quote) -> Counter[str]:
    """Return every amount that a quote must show, as often as it must."""
    totals = quote.totals
    shown = [line.amount for line in quote.lines]
    shown += [each for tax in quote.taxes for each in (tax.base, tax.amount)]
    shown += [extra.price for extra in quote.extras]
    owed = (totals.net, totals.payable)
    shown += [each for each in owed if each is not None]
    paid = Decimal(totals.prepaid.amount)
    advance = max(Decimal(totals.deposit.amount) - paid, Decimal(0))
    currency = totals.prepaid.currency
    shown += [Amount(str(each), currency) for each in (-paid, advance) if each]
    shown += [totals.discount] if float(totals.discount.amount) else []
    if float(totals.prepaid.amount) and totals.gross is not None:
        shown.append(totals.gross)
    texts = [SCRIBE.money(each.amount, each.currency) for each in shown]
    texts += [
        SCRIBE.money(line.unit_price, line.amount.currency)
        for line in quote.lines
        if line.kind != "discount"
    ]
    return Counter(texts)


@pytest.mark.parametrize("name", quoted())
def test_quote_pdf_shows_every_amount(name: str) -> None:
    quote = quote_of(name)
    expected = amounts(quote)
    assert all(MONEY.fullmatch(each) for each in expected)

    found = Counter(MONEY.findall(text(printed(quote))))

    assert not expected - found


def addresses(made: bytes) -> list[str]:
    """Return the addresses that a PDF links to."""
    with pikepdf.open(io.BytesIO(made)) as pdf:
        notes = [note for page in pdf.pages for note in page.get("/Annots", pikepdf.Array())]
        return [str(note.A.URI) for note in notes]


def test_quote_pdf_keeps_the_order_of_its_sections() -> None:
    told = text(printed(full_quote()))
    marks = [
        "Tollimoor Hire Yard 4 Weir Lane",
        "Ada Pellow",
        "The blue one",
        "Your answer",
        "Acceptance in person",
        "What you reported",
        "Smokes blue at full throttle. Oil gone in a week.",
        "What we found",
        "87%",
        "39%",
        "good: up to 10%",
        "bad: over 20%",
        "Head resurfacing (sublet), cylinder 2",
        "Provisional",
        "V68-G-102, V68-G-103",
        "Exhaust nut, locking",
        "Labour",
        "Total before tax",
        "Sales tax",
        "What we may find",
        "Broken exhaust stud, cylinder 1 or 2",
        "Dearest combination of these items, about",
        "Worth doing at the same time",
        "The bill will not exceed $807.45",
        ENVELOPE.sha256 or "",
    ]

    places = [told.find(mark, 60) for mark in marks]

    assert -1 not in places
    assert places == sorted(places)


def test_quote_pdf_tells_a_leakage_in_the_words_of_its_band() -> None:
    told = text(printed(full_quote()))

    assert "39% leakage over 30 %" in told
    assert "gt30" not in told


def test_quote_pdf_says_that_a_reading_is_only_a_rough_one() -> None:
    quote = full_quote()
    assert quote.assessment is not None
    rough = structs.replace(quote.assessment.leakage[0], standing="indicative")
    found = structs.replace(quote.assessment, leakage=(rough,))

    told = text(printed(structs.replace(quote, assessment=found)))

    assert "39% leakage over 30 %; a rough reading only" in told


@pytest.mark.parametrize("count", [1, 2, 7, *range(11, 19), 30, *range(40, 49)])
def test_quote_pdf_keeps_the_totals_with_the_last_line(count: int) -> None:
    quote = full_quote()
    many = (quote.lines * 3)[:count]
    lines = tuple(
        structs.replace(line, description=f"Thing no. {number}.", why=())
        for number, line in enumerate(many, start=1)
    )

    told = pages(printed(structs.replace(quote, lines=lines)))

    (last,) = [page for page in told if "Total before tax" in page]
    assert f"Thing no. {count}." in last
    assert "Total before tax" in last
    for page in told:
        assert ("Unit price" in page) == ("Thing no. " in page)


def test_quote_pdf_tells_what_the_bill_may_come_to() -> None:
    limited = structs.replace(ENVELOPE, limit=Money(90_000, "USD"))
    made = quote_pdf(full_quote(), limited, SCRIBE, contact=CONTACT)

    assert "The bill will not exceed $900.00" in text(made)


def test_quote_pdf_prices_what_may_turn_up_and_the_most_it_comes_to() -> None:
    quote = full_quote()
    told = text(printed(quote))

    assert quote.contingencies is not None
    assert len(quote.contingencies.each) > 5
    for one in quote.contingencies.each:
        row = told[told.index(f"{one.name}, cylinder 1 or 2") :]
        assert SCRIBE.money(one.price.amount, "USD") in row
    assert quote.range is not None
    for amount in (quote.range.p80, quote.range.p90, quote.range.dearest_listed):
        assert SCRIBE.about(amount) in told


@pytest.mark.parametrize(
    ("basis", "title"),
    [("test", "What a repair would cost afterwards"), ("repair", "What else it may be")],
)
def test_quote_pdf_prices_the_repairs_in_play(basis: str, title: str) -> None:
    in_play = read_back(for_a_test()).in_play
    told = text(printed(structs.replace(full_quote(), basis=basis, in_play=in_play)))

    assert len(in_play) > 1
    for one in in_play:
        after = told[told.index(title) :]
        assert one.faults[0].name in after
        assert SCRIBE.money(one.price.amount, one.price.currency) in after
    assert title not in text(printed(full_quote()))


@pytest.mark.parametrize("count", [1, 2, *range(10, 30)])
def test_quote_pdf_keeps_the_ceiling_with_the_last_of_what_may_turn_up(count: int) -> None:
    quote = full_quote()
    found = quote.contingencies
    assert found is not None
    each = tuple(
        structs.replace(one, name=f"Surprise no. {number}.", cylinder=None)
        for number, one in enumerate((found.each * 5)[:count], start=1)
    )

    told = pages(printed(structs.replace(quote, contingencies=structs.replace(found, each=each))))

    (last,) = [page for page in told if "Dearest combination" in page]
    assert f"Surprise no. {count}." in last
    for page in told:
        assert ("Added cost" in page) or "Surprise no." not in page


def test_quote_pdf_promises_nothing_where_nothing_may_come_on_top() -> None:
    plain = structs.replace(full_quote(), extras=(), contingencies=None)
    told = text(printed(plain))

    assert "What we may find" not in told
    assert "Worth doing at the same time" not in told
    assert "none of" not in told
    assert "The bill will not exceed $807.45" in told


def test_quote_pdf_tells_that_a_draft_is_none_to_agree_to() -> None:
    draft = structs.replace(ENVELOPE, state="draft", issued_at=None)
    made = quote_pdf(quote_of(), draft, SCRIBE, contact=CONTACT)

    assert "Draft, not issued yet" in text(made)
    assert "Signature" not in text(made)


def test_quote_pdf_asks_for_no_second_yes() -> None:
    agreed = structs.replace(
        ENVELOPE, state="accepted", agreed_at=datetime(2027, 3, 2, 23, 30, tzinfo=UTC)
    )
    made = quote_pdf(quote_of(), agreed, SCRIBE, contact=CONTACT, zone="Pacific/Auckland")

    assert "Accepted on March 3, 2027" in text(made)
    assert "Signature" not in text(made)


def test_quote_pdf_tells_of_an_exemption_and_of_unknown_tax() -> None:
    exempt = text(printed(quote_of("v68-zero-turn-exempt")))
    unknown = text(printed(quote_of("v68-zero-turn-stem-seals-tax-unknown")))

    assert "certificate EX-0001, valid until December 31, 2027" in exempt
    assert "because the tax is not known" in unknown
    assert "Total due" not in unknown
    assert "Signature" not in unknown


@pytest.mark.parametrize("link", ["javascript:alert(1)", "file:///etc/passwd"])
def test_quote_pdf_links_to_nothing_but_the_web(link: str) -> None:
    made = quote_pdf(quote_of(), ENVELOPE, SCRIBE, contact=CONTACT, link=link)

    assert addresses(made) == []
    assert link not in text(made)


def test_quote_pdf_links_to_where_the_customer_answers() -> None:
    link = "https://shop.example.test/q/" + "a1B2" * 12
    made = quote_pdf(quote_of(), ENVELOPE, SCRIBE, contact=CONTACT, link=link)

    assert link in text(made).replace(" ", "")
    assert set(addresses(made)) == {link}


COMPOUNDS = (
    "Schwarzwaldhochstraßenabzweigung",
    "Kleinschönebergswaldesiedlung",
    "Hochentleerungsgrasfangeinrichtung",
)


def raw(made: bytes) -> str:
    """Return the text of a PDF, its lines as they are set."""
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made)).pages)


def where_broken(word: str, told: str, sign: str) -> bool:
    """Return whether a text has a word, broken nowhere or only after a sign."""
    return re.search(f"(?:{sign}\n)?".join(map(re.escape, word)), told) is not None


@pytest.mark.parametrize("width", range(0, 16, 3))
def test_quote_pdf_breaks_long_german_words_with_hyphens(width: int) -> None:
    before = "m" * width
    envelope = structs.replace(
        ENVELOPE,
        customer_address="\n".join(f"{before} {word} 12" for word in COMPOUNDS),
        machine_name=" ".join((before, *COMPOUNDS)),
    )

    told = raw(quote_pdf(quote_of(), envelope, Scribe("de"), contact=CONTACT))

    places = told.partition("Arbeiten")[0]
    assert all(where_broken(word, places, "[-\u00ad\u2010]") for word in COMPOUNDS)
    assert re.search("[a-zß-ž][-\u00ad\u2010]\n[a-zß-ž]", places)


def test_quote_pdf_puts_no_hyphens_into_codes() -> None:
    code = "CS-ENTLUEFTUNG"
    found = quote_of()
    lines = tuple(
        structs.replace(
            line, why=(Reason(code="no-source", facts={}, text=f"{number}: " + f"{code}, " * 40),)
        )
        for number, line in enumerate(found.lines, start=1)
    )

    told = raw(
        quote_pdf(structs.replace(found, lines=lines), ENVELOPE, Scribe("de"), contact=CONTACT)
    )

    assert told.count(code) > 100
    assert not re.search("ENT[A-Z]*[-\u00ad\u2010]\n", told)


@pytest.mark.parametrize("name", ["h27-generator-rings", "v68-zero-turn-warped-heads"])
def test_signature_stands_with_what_is_signed(name: str) -> None:
    quote = quote_of(name)
    first, *rest = pages(printed(quote))

    assert quote.totals.gross is not None
    total = SCRIBE.amount(quote.totals.gross)
    assert all(told in first for told in ("Signature", f"Your limit {total}", "We would do:"))
    assert all(stop in first for stop in ("put back together", "in pieces"))
    assert not any("Signature" in page for page in rest)


SHORT = (
    "d74-tractor-intake-gaskets",
    "h27-washer-clearances",
    "h27-washer-output-seal",
    "s50-loose-clean-and-oil",
    "s50-tractor-replacement-engine",
    "s50-walk-behind-breather",
    "s50-walk-behind-drain-back",
    "s50-walk-behind-stem-seals",
    "v68-not-named-new-engine",
)
"""Offers with up to fourteen lines and nothing that may turn up."""
SMALLEST = 8.5
"""The least size of type on an offer, in points."""


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("name", SHORT)
def test_short_quote_is_one_page(name: str, language: str) -> None:
    link = "https://shop.example.test/q/" + "a1B2" * 12
    made = quote_pdf(quote_of(name), ENVELOPE, Scribe(language), contact=CONTACT, link=link)

    assert len(pages(made)) == 1


@pytest.mark.parametrize(
    "name", ["d74-tractor-gasket-in-time", "s50-tractor-head-gasket", "v68-tractor-one-head"]
)
def test_second_page_of_a_single_job_has_details_alone(name: str) -> None:
    first, second = pages(printed(quote_of(name)))

    for told in ("Signature", "Your limit", "Total due, including tax", "Labour"):
        assert told in first
        assert told not in second


def sizes(made: bytes) -> set[float]:
    """Return the sizes of the type of a PDF, in points."""
    found: set[float] = set()

    def note(told: str, _: object, matrix: list[float], __: object, size: float) -> None:
        if told.strip():
            found.add(round(abs(size * matrix[3]), 2))

    for page in pypdf.PdfReader(io.BytesIO(made)).pages:
        page.extract_text(visitor_text=note)
    return found


@pytest.mark.parametrize("name", ["v68-zero-turn-warped-heads", "s50-walk-behind-breather"])
def test_no_type_of_a_quote_is_smaller_than_can_be_read(name: str) -> None:
    found = sizes(printed(quote_of(name)))

    assert len(found) > 3
    assert min(found) >= SMALLEST
