"""What a quote is based on: never test results that nobody has."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.cases.counter import Json
from tests.documents import printed
from tests.documents.offers import ENVELOPE, case, for_a_test, of_findings, read_back, shown
from tests.documents.reading import read, section, text

from kitwright.documents.basis_words import basis_told
from kitwright.documents.quote_pdf import quote_pdf
from kitwright.language.scribe import Scribe


def without_readings(made: Json, *, grade: str | None) -> Json:
    assessment = made["assessment"]
    faults = [{**one, "grade": grade} for one in assessment["diagnoses"]]
    return {**made, "assessment": {**assessment, "leakage": [], "diagnoses": faults}}


def without_fee(made: Json) -> Json:
    return {**made, "lines": [one for one in made["lines"] if one["code"] != "diagnostic-fee"]}


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (
            lambda: without_readings(of_findings(), grade="probable"),
            "No pressure readings were taken; this quote is not based on test results. The "
            "findings that it is based on are listed under each cause.",
        ),
        (
            lambda: without_readings(of_findings(), grade=None),
            "No pressure readings were taken; this quote is not based on test results. Our "
            "findings do not name a cause yet.",
        ),
        (
            lambda: case("v68-zero-turn-head-gaskets"),
            "We have tested the machine. Our diagnosis: {}, cylinder 1; {}, cylinder 2.",
        ),
        (
            lambda: case("h27-generator-leak-down"),
            "We tested the machine before we made this quote.",
        ),
        (
            lambda: without_fee(case("h27-washer-fuel-in-oil")),
            "This quote is for the repair of: {}. It is not based on test results.",
        ),
        (
            lambda: case("h27-generator-plug"),
            "This quote is for the work you asked for; it is not based on test results.",
        ),
    ],
    ids=["findings", "no cause", "diagnosis and tests", "tests", "diagnosis", "neither"],
)
def test_quote_tells_truly_what_it_is_based_on(made: Callable[[], Json], sentence: str) -> None:
    shown_of = made()

    page = section(read(shown(shown_of)), "tested")

    assert page is not None
    (told,) = page.iter("p")

    assert text(told) == sentence.format(*(one["name"] for one in shown_of["diagnoses"]))


@pytest.mark.parametrize(
    "made",
    [
        lambda: without_readings(of_findings(), grade="probable"),
        lambda: without_readings(of_findings(), grade=None),
        lambda: without_fee(case("h27-washer-fuel-in-oil")),
        lambda: case("h27-generator-plug"),
    ],
    ids=["findings", "no cause", "diagnosis", "neither"],
)
@pytest.mark.parametrize(
    ("language", "sentence"),
    [("en", "not based on test results"), ("de", "Prüfergebnisse liegen")],
)
def test_quote_without_test_results_says_so_on_page_and_pdf(
    made: Callable[[], Json], language: str, sentence: str
) -> None:
    quote, scribe = made(), Scribe(language)

    page = section(read(shown(quote, scribe=scribe)), "tested")
    pdf = quote_pdf(read_back(quote), ENVELOPE, scribe, contact=printed.CONTACT)

    assert page is not None
    assert sentence in text(page)
    assert sentence in printed.text(pdf)


def test_quote_with_readings_needs_no_words_for_its_basis() -> None:
    assert basis_told(read_back(of_findings()), Scribe("en")) == ""


def test_work_chosen_from_findings_is_not_said_to_be_requested_by_name() -> None:
    reasons = [why for job in for_a_test()["jobs"] for why in job["why"]]

    assert [(why["code"], why["text"]) for why in reasons] == [
        ("chosen-by-findings", "Chosen on the basis of the findings.")
    ]
