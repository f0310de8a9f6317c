"""Totals: every document of a quote says the same of them, and of tax only what is so."""

import json
import re

import pytest
from tests.cases.counter import Json, answer
from tests.cases.test_cases import case as requested
from tests.documents.offers import ENVELOPE, NAMES, case, read_back, shown
from tests.documents.printed import CONTACT, SCRIBE
from tests.documents.printed import text as pdf_text
from tests.documents.reading import read, text
from tests.documents.test_email import MESSAGE, text_of

from kitwright.documents.email import compose
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.documents.quote_text import quote_text
from kitwright.documents.totals_view import totals_of
from kitwright.language.scribe import Scribe
from kitwright.quote import read_quote
from kitwright.web.calls.standing import words_of_yes

EXEMPT = "v68-zero-turn-exempt"
INCLUDING = "s50-walk-behind-breather-discount-and-prepaid"


def forms(made: Json) -> dict[str, str]:
    """Return the text of a quote in each form that lists its totals."""
    quote = read_back(made)
    found = {
        "text": quote_text(quote),
        "page": text(read(shown(made))),
        "PDF": pdf_text(quote_pdf(quote, ENVELOPE, SCRIBE, contact=CONTACT)),
    }
    return {name: " ".join(told.split()) for name, told in found.items()}


@pytest.mark.parametrize("name", NAMES[::6])
def test_every_form_lists_the_same_totals_in_the_same_order(name: str) -> None:
    made = case(name)
    rows = "".join(f"{row.label}{row.amount}" for row in totals_of(read_back(made), SCRIBE))

    for form, told in forms(made).items():
        assert rows.replace(" ", "") in told.replace(" ", ""), form


@pytest.mark.parametrize("name", [EXEMPT, INCLUDING, "v68-zero-turn-customer-parts"])
def test_page_and_print_put_lines_under_the_same_headings(name: str) -> None:
    made = case(name)
    page = read(shown(made))
    headings = [
        text(row).partition(" total ")[0] for row in page.iter("tr") if row.get("class") == "group"
    ]
    told = forms(made)["PDF"]
    places = [told.index(f" {heading} ") for heading in headings]

    assert len(headings) > 2
    assert places == sorted(places)


def test_total_comes_before_the_tax_that_is_in_it() -> None:
    for form, told in forms(case(INCLUDING)).items():
        rows = told[told.index("Subtotal") :]
        places = [
            rows.index(label)
            for label in ("Total including tax", "Includes VAT", "Total before tax", "Already paid")
        ]
        assert places == sorted(places), form


def test_nothing_is_called_with_tax_that_bears_none() -> None:
    made = case(EXEMPT)
    quote = read_back(made)
    assert quote.contingencies is not None
    assert not any(tax.amount.money.minor for tax in quote.taxes)
    mail = text_of(compose(quote, ENVELOPE, SCRIBE, MESSAGE))
    told = forms(made) | {
        "mail": " ".join(mail.split()),
        "yes": words_of_yes(quote, "Q1", 1, quote.valid_until),
    }

    # before and after the totals, the text tells of suppliers' prices, which bear none
    told["text"] = told["text"].partition(" Total --")[2].partition("PURCHASE ORDER")[0]
    assert "Total due $685.36" in told["text"]
    for form, words in told.items():
        assert not re.search(r"including tax|before tax", words), form
    assert "Total due$685.36" in told["page"]
    assert "The total is $685.36, and" in told["mail"]
    assert "for $685.36 (valid" in told["yes"]


def test_total_without_known_tax_is_told_with_its_discount() -> None:
    given = requested("v68-zero-turn-stem-seals-tax-unknown")
    discount = {"reason": "r", "by": "b", "amount": "10.00"}
    request = {**given["request"], "discounts": [discount]}
    quote = read_quote(json.dumps(answer(given["shop"], request)).encode())
    due = SCRIBE.money(
        str(quote.totals.lines.money.amount + quote.totals.discount.money.amount), "USD"
    )

    assert quote.totals.discount.money.minor == -1000
    assert f"for {due} before tax" in words_of_yes(quote, "Q1", 1, quote.valid_until)
    mail = " ".join(text_of(compose(quote, ENVELOPE, SCRIBE, MESSAGE)).split())
    assert f"The total is {due} before tax" in mail
    assert due in {row.amount for row in totals_of(quote, SCRIBE)}


def test_who_brings_a_part_is_spoken_to() -> None:
    told = forms(case("v68-zero-turn-customer-parts"))

    for form in ("page", "PDF"):
        assert "You supply this part. We give no warranty on the part itself." in told[form]
        assert "by the customer" not in told[form]
    assert "Supplied by the customer: no warranty on the part itself." in told["text"]


def test_fee_is_not_counted_in_pieces() -> None:
    told = forms(case(INCLUDING))["text"]

    assert "1 at €69.00. The tests" in told
    assert "1 piece at €8.45" in told


@pytest.mark.parametrize(
    ("minutes", "told"), [(0, "0 min"), (34, "34 min"), (60, "1 h"), (65, "1 h 5 min")]
)
def test_hours_are_told_as_a_length_and_not_as_a_time_of_day(minutes: int, told: str) -> None:
    assert SCRIBE.hours(minutes) == told


@pytest.mark.parametrize(
    ("language", "told"),
    [("en", "Spark plug, cylinders 1 and 2"), ("de", "Spark plug, Zylinder 1 und 2")],
)
def test_cylinders_are_listed_as_people_do(language: str, told: str) -> None:
    assert Scribe(language).on_cylinders("Spark plug", (1, 2)) == told
