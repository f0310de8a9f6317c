"""Paging: cursors come back as they went out, and links survive any query."""

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from urllib.parse import parse_qs, unquote, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.web.edge.paging import (
    CursorMalformed,
    Position,
    next_link,
    read_cursor,
    write_cursor,
)

PLAIN_TEXT = st.text(st.characters(exclude_categories=["Cs"]))
POSITIONS = st.lists(st.integers(-(2**63), 2**63 - 1) | PLAIN_TEXT, max_size=4).map(tuple)
LINKS = re.compile(r'<([^<>\s"]*)>; rel="(next|first)"')


def encoded(text: bytes) -> str:
    return urlsafe_b64encode(text).rstrip(b"=").decode()


def links(header: str) -> dict[str, str]:
    """Return relation -> target, of a header that holds nothing else."""
    found = {relation: target for target, relation in LINKS.findall(header)}
    assert LINKS.sub("", header) in ("", ", ")
    return found


@given(PLAIN_TEXT, POSITIONS)
def test_read_cursor_gives_the_position_that_was_written(kind: str, position: Position) -> None:
    text = write_cursor(kind, position)

    assert re.fullmatch("[A-Za-z0-9_-]+", text)
    assert read_cursor(kind, text) == position


def test_read_cursor_keeps_numbers_and_texts_apart() -> None:
    read = read_cursor("quotes", write_cursor("quotes", (1, "1")))

    assert read == (1, "1")
    assert [type(each) for each in read] == [int, str]


def test_read_cursor_refuses_the_cursor_of_another_list() -> None:
    with pytest.raises(CursorMalformed, match="no cursor of orders") as refused:
        read_cursor("orders", write_cursor("quotes", (1,)))

    assert refused.value.code == "cursor-malformed"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "é",
        "1",
        "A" * 5,
        "=",
        "../..",
        encoded(b""),
        encoded(b"["),
        encoded(b"{}"),
        encoded(b"null"),
        encoded(b'["quotes"]'),
        encoded(b'["quotes",1]'),
        encoded(b'["quotes",[true]]'),
        encoded(b'["quotes",[1.0]]'),
        encoded(b'["quotes",[1.5]]'),
        encoded(b'["quotes",[null]]'),
        encoded(b'["quotes",[[1]]]'),
        encoded(b'["quotes",[1],2]'),
        encoded(b'["quotes", [1]]'),
        encoded(b'["quotes",[1]] '),
        encoded(b'["quotes",["\\u0041"]]'),
        encoded(b'["quotes",["\\ud800"]]'),
        encoded(b'["quotes",["\xff"]]'),
        encoded(b'["quotes",[9223372036854775808]]'),
        encoded(b'["quotes",[-9223372036854775809]]'),
        encoded(b'["quotes",[1' + b"0" * 5_000 + b"]]"),
        encoded(b'["quotes",' + b"[" * 100_000),
        encoded(b"[" * 100_000),
    ],
)
def test_read_cursor_refuses_what_it_did_not_write(text: str) -> None:
    with pytest.raises(CursorMalformed):
        read_cursor("quotes", text)


@pytest.mark.parametrize("around", ["{}=", "{}==", " {}", "{}\n", "{}A", "{}+", "{}/"])
def test_read_cursor_accepts_one_spelling_only(around: str) -> None:
    for number in range(1_000, 1_012):
        with pytest.raises(CursorMalformed):
            read_cursor("quotes", around.format(write_cursor("quotes", (number,))))


def test_read_cursor_refuses_other_spellings_of_the_same_bytes() -> None:
    text = write_cursor("quotes", (100,))
    twin = text[:-1] + chr(ord(text[-1]) + 1)
    assert len(text) % 4 == 2
    assert urlsafe_b64decode(twin + "==") == urlsafe_b64decode(text + "==")

    with pytest.raises(CursorMalformed):
        read_cursor("quotes", twin)


@pytest.mark.parametrize("number", [2**63, -(2**63) - 1])
def test_write_cursor_refuses_numbers_that_no_database_holds(number: int) -> None:
    with pytest.raises(ValueError, match="64 bits"):
        write_cursor("quotes", (number,))


def test_next_link_leads_on_and_back_to_the_first_page() -> None:
    header = next_link("/v1/quotes", {"state": "open", "cursor": "old"}, "abc")

    assert header == (
        '</v1/quotes?state=open&cursor=abc>; rel="next", </v1/quotes?state=open>; rel="first"'
    )


def test_next_link_of_the_last_page_leads_to_the_first_only() -> None:
    assert next_link("/v1/quotes", {"cursor": "old"}, None) == '</v1/quotes>; rel="first"'


def test_next_link_repeats_what_was_asked_several_times() -> None:
    header = next_link("/v1/quotes", {"state": ["open", "won"]}, "abc", "after")

    assert links(header)["next"] == "/v1/quotes?state=open&state=won&after=abc"


def test_next_link_encodes_a_space_as_every_reader_takes_it() -> None:
    assert links(next_link("/v1/quotes", {"q": "a b+c"}, None)) == {
        "first": "/v1/quotes?q=a%20b%2Bc"
    }


@pytest.mark.parametrize("path", ["//elsewhere.example/v1", "/v1/a>b", '/v1/a" b', "/v1/a?b#c%"])
def test_next_link_never_leaves_the_path(path: str) -> None:
    target = urlsplit(links(next_link(path, {}, None))["first"])

    assert (target.scheme, target.netloc, target.query, target.fragment) == ("", "", "", "")
    assert unquote(target.path) == "/" + path.lstrip("/")


@given(st.dictionaries(PLAIN_TEXT, st.lists(PLAIN_TEXT, min_size=1, max_size=3), max_size=3))
def test_next_link_gives_back_any_query(query: dict[str, list[str]]) -> None:
    found = links(next_link("/v1/quotes", query, "abc"))
    asked = {key: values for key, values in query.items() if key != "cursor"}

    assert parse_qs(urlsplit(found["first"]).query, keep_blank_values=True) == asked
    assert parse_qs(urlsplit(found["next"]).query, keep_blank_values=True) == {
        **asked,
        "cursor": ["abc"],
    }
