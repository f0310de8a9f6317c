"""Texts for people: in every script, and never without a visible character."""

import json
from time import process_time
from typing import Annotated

import msgspec
import pytest
from tests.web.calls.conftest import Staff

from kitwright.web.calls.machines import ShortText
from kitwright.web.calls.shelf_wire import BinText
from kitwright.web.edge.shapes import Lines, Text

KINDS = {"text": Text, "lines": Lines, "short text": ShortText, "bin": BinText}

SEEN = {
    "one letter": "A",
    "accents as one": "Zoë Ångström",
    "accents that combine": "Zoe\u0308 A\u030angstro\u0308m",
    "an accent alone": "\u0301",
    "Arabic": "محمد الحداد",
    "Arabic from right to left": "\u200fمحمد\u200f",
    "Persian with a joiner": "علی\u200cرضا",  # noqa: RUF001
    "Hebrew with points": "שָׁלוֹם",
    "Thai": "สมชาย ใจดี",
    "Hindi with a joiner": "क्\u200dषत्रिय",
    "Korean": "김철수",
    "Chinese beyond the first plane": "𠮷田",
    "an emoji": "🙂",
    "an emoji in colour": "\u2764\ufe0f",
    "an emoji of several": "👩\u200d🔧",
    "invisible characters first": "\u200b\u200bA",
    "invisible characters last": "A\u200b\u200b",
    "a line separator before it": "\u2028A",
}
UNSEEN = {
    "a zero-width space": "\u200b",
    "a no-break space": "\xa0",
    "a wide space": "\u3000",
    "a soft hyphen": "\xad",
    "a joiner": "\u200d",
    "a mark of direction": "\u061c",
    "a byte order mark": "\ufeff",
    "a filler of Korean": "\u3164",
    "an empty braille cell": "\u2800",
    "a variation selector": "\ufe0f",
    "a control character": "\x85",
    "a line separator": "\u2028",
    "many": "\u200b\u2060\xa0 " * 20,
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("text", SEEN.values(), ids=SEEN)
def test_text_with_a_visible_character_is_taken(kind: str, text: str) -> None:
    assert msgspec.convert(text, KINDS[kind]) == text


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("text", UNSEEN.values(), ids=UNSEEN)
def test_text_of_invisible_characters_alone_is_refused(kind: str, text: str) -> None:
    with pytest.raises(msgspec.ValidationError, match="matching regex"):
        msgspec.convert(text, KINDS[kind])


def test_lines_with_a_visible_character_on_a_later_one_are_taken() -> None:
    assert msgspec.convert("\u200b\nA", Lines) == "\u200b\nA"
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert("\u200b\n\u200b", Lines)


def test_pattern_takes_time_in_proportion_to_the_text() -> None:
    pattern = msgspec.json.schema(Text)["pattern"]
    reader = msgspec.json.Decoder(Annotated[str, msgspec.Meta(pattern=pattern)])

    def seconds(length: int) -> float:
        body = json.dumps("\u200b" * length).encode()
        start = process_time()
        with pytest.raises(msgspec.ValidationError):
            reader.decode(body)
        return process_time() - start

    short, long = (min(seconds(length) for _ in range(5)) for length in (20_000, 200_000))
    assert long < 40 * short


def test_customer_without_a_visible_name_is_refused(staff: Staff) -> None:
    refused = staff.refused("/v1/customers", {"name": "\u200b\u200b"})

    (error,) = refused["errors"]
    assert (refused["status"], error["pointer"], error["code"]) == (400, "/name", "wrong-form")
    assert "not invisible" in error["detail"]
