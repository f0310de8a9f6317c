"""German as it is answered: the figures are those of English, the words those of a workshop."""

import json
import re
from collections import Counter
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from tests.cases.counter import answer, service
from tests.cases.test_cases import NAMES, case
from tests.language.printing import documents
from tests.stages.workbench import starter

from kitwright.language.render import Speaker
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import encode_quote
from kitwright.stages.why import Why
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode

SPEAKER = Speaker(starter(), "de")

TOLD = (
    "at",
    "by_name",
    "description",
    "message",
    "name",
    "needs",
    "plain",
    "mind",
    "reason",
    "say_not",
    "text",
    "title",
    "words",
)


def figures(told: Any) -> Any:
    """Return an answer without what is for people and without the language's name."""
    if isinstance(told, dict):
        return {
            key: figures(value)
            for key, value in told.items()
            if key != "language" and not (key in TOLD and is_text(value))
        }
    return [figures(each) for each in told] if isinstance(told, list) else told


def is_text(value: Any) -> bool:
    """Return whether a value is a text, or a list of texts such as the steps of a caution."""
    return all(isinstance(each, str) for each in (value if isinstance(value, list) else [value]))


@pytest.mark.parametrize("name", NAMES)
def test_language_changes_no_figure(name: str) -> None:
    given = case(name)
    english = answer(given["shop"], {**given["request"], "language": "en"})
    german = answer(given["shop"], {**given["request"], "language": "de"})
    assert figures(german) == figures(english)
    assert german["jobs"][0]["why"] != english["jobs"][0]["why"]


def digits_of(name: str, told: str) -> Counter[str]:
    """Return the figures of a document without their marks, and how often each stands there.

    Pages end elsewhere in another language, so that of a print small ones, and how often, differ.
    """
    # English counts hours to twelve
    told = re.sub(r"\b(\d{1,2})(:\d\d)\sPM\b", lambda at: f"{int(at[1]) + 12}{at[2]}", told)
    found = (re.sub(r"\D", "", one) for one in re.findall(r"\d(?:[\d.,]*\d)?", told))
    if "PDF" in name:
        return Counter({one for one in found if len(one) > 2})
    return Counter(found)


@pytest.mark.parametrize("name", NAMES[:: len(NAMES) // 4])
def test_language_changes_no_figure_of_a_document(name: str) -> None:
    given = case(name)
    told = {
        language: documents(answer(given["shop"], {**given["request"], "language": language}))
        for language in ("en", "de")
    }
    assert told["en"].keys() == told["de"].keys()
    for document, english in told["en"].items():
        german = told["de"][document]
        # the bench has its own language
        assert (german != english) is not document.startswith("bench"), document
        assert digits_of(document, german) == digits_of(document, english), document


@pytest.mark.parametrize(
    ("language", "zone", "told"),
    [
        ("en", "America/New_York", "March 1, 2027, 4:05\N{NARROW NO-BREAK SPACE}AM EST"),
        ("de", "Europe/Berlin", "1. März 2027, 10:05 MEZ"),
        ("de", "America/New_York", "1. März 2027, 04:05 GMT-05:00"),
    ],
)
def test_moment_is_day_minutes_and_zone(language: str, zone: str, told: str) -> None:
    assert Scribe(language).moment(datetime(2027, 3, 1, 9, 5, 59, tzinfo=UTC), zone) == told


def test_language_is_of_one_request_only() -> None:
    # both are quotes of the same draft, and what is kept of it is kept by language
    given = case(NAMES[0])
    asked = {
        language: decode(json.dumps({**given["request"], "language": language}).encode(), PreviewIn)
        for language in ("en", "de")
    }
    told = [
        json.loads(encode_quote(service(given["shop"]).quote(asked[language])))
        for language in ("en", "de", "en")
    ]
    assert told[0] == told[2]
    assert [each["language"] for each in told] == ["en", "de", "en"]
    assert told[1]["jobs"][0]["name"] != told[0]["jobs"][0]["name"]


def test_money_numbers_and_days_are_written_as_germans_do() -> None:
    assert SPEAKER.money(Money(123456, "EUR")) == "1.234,56\N{NO-BREAK SPACE}€"
    assert SPEAKER.number(Decimal("1234.5")) == "1.234,5"
    assert SPEAKER.figure("0.9102") == "0,9102"
    assert SPEAKER.day(date(2027, 3, 1)) == "01.03.2027"


def test_sentence_keeps_its_capital_after_a_colon() -> None:
    why = Why("replaced-by-job", {"role": "head_gasket", "on": 1, "job": "J-LASH", "cylinder": 1})
    assert SPEAKER.sentence(why) == (
        "Zylinderkopfdichtung, Zylinder 1: Wird erneuert bei der Arbeit „Ventilspiel einstellen, "
        "Zylinder 1“."
    )


def test_word_of_one_english_name_may_differ_by_what_it_names() -> None:
    assert SPEAKER.text("job", "Head gasket") == "Zylinderkopfdichtung erneuern"
    assert SPEAKER.text("item", "Head gasket") == "Zylinderkopfdichtung"


def test_tax_is_named_in_the_language_of_the_quote() -> None:
    given = case("s50-walk-behind-breather")
    told = answer(given["shop"], {**given["request"], "language": "de"})
    taxes = [*told["taxes"], *(tax for line in told["lines"] for tax in line["taxes"])]
    assert {tax["name"] for tax in taxes} == {"USt."}
    change = Why(
        "tax-rate-changes",
        {"tax": "VAT", "rate": 20, "new_rate": 22, "first_day": date(2027, 3, 1)},
    )
    assert SPEAKER.sentence(change).startswith("USt.")


def test_text_of_a_shop_s_own_catalogue_stays_as_it_is() -> None:
    assert SPEAKER.text("job", "Polish the bonnet") == "Polish the bonnet"
    assert SPEAKER.text("job", "") == ""


@pytest.mark.parametrize(
    ("measure", "quantity", "told"),
    [("set", "1", "Satz"), ("set", "2", "Sätze"), ("set", "0.5", "Sätze"), ("can", "1", "Dose")],
)
def test_unit_is_one_or_many(measure: str, quantity: str, told: str) -> None:
    assert Scribe("de").unit(measure, quantity) == told
