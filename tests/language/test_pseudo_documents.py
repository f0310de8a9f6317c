"""Every document in a language that nobody speaks: nothing English may be left."""

import re

import pytest
from tests.cases.counter import Json
from tests.language.printing import GIVEN, documents
from tests.language.pseudo import PSEUDO, pseudo
from tests.language.test_pseudo import SHOP, _spoken, asked, example, locale, plain_words, quoted

from kitwright.language.scribe import Scribe

__all__ = ["_spoken", "locale"]

# numbers, days and lists of this language are written as Germans do
_DAYS = re.compile(
    r"\b(?:Januar|Februar|März|April|Mai|Juni|Juli|August|September|Oktober|November|Dezember|UTC"
    r"|Montag|Dienstag|Mittwoch|Donnerstag|Freitag|Samstag|Sonntag)\b"
)
CASES = ["v68-zero-turn-warped-heads", "v68-zero-turn-one-head-no-serial", "v68-zero-turn-exempt"]
FOUND = ["previewQuote.findings-before-a-repair"]


def english(answer: Json, request: Json) -> dict[str, list[str]]:
    """Return the words of each document that are still English."""
    given = {**request, "given": GIVEN}
    found = {}
    for name, told in documents(answer).items():
        assert pseudo("x")[0] in told, name
        words = plain_words(_DAYS.sub("", told), given)
        if "PDF" in name:
            # where a line of print ends, a name may be in two pieces
            known = " ".join((*plain_pieces(answer), *GIVEN))
            words = [word for word in words if word not in known]
        found[name] = words
    return {name: words for name, words in found.items() if words}


def plain_pieces(answer: Json) -> list[str]:
    engine = answer["engine"]
    codes = [line["code"] for line in answer["lines"]]
    zones = [str(order["time_zone"]) for order in answer["orders"]]
    return [*codes, *zones, *(str(engine[name]) for name in ("name", "family", "chassis_name"))]


@pytest.mark.parametrize("name", CASES)
def test_documents_of_a_case_leave_no_word_untranslated(name: str) -> None:
    shop, request = asked(name)
    answer, _ = quoted(shop, request)
    assert english(answer, request) == {}


@pytest.mark.parametrize("name", FOUND)
def test_documents_of_findings_leave_no_word_untranslated(name: str) -> None:
    request = example(name)
    answer, _ = quoted(SHOP, request)
    assert english(answer, request) == {}


def test_phrase_is_told_in_the_language() -> None:
    assert Scribe(PSEUDO).phrase("small-order") == pseudo("Small order fee")
