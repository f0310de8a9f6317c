"""Pages: cursors come back as they went out, and links survive any query."""

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable
from typing import NamedTuple
from urllib.parse import parse_qs, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.web.calls.customers import CustomersQuery
from kitwright.web.calls.machines import MachinesQuery
from kitwright.web.calls.paged import page_of, read_before, write_cursor
from kitwright.web.calls.shown import ListOut
from kitwright.web.edge.problems import Refusal

LINKS = re.compile(r'<([^<>\s"]*)>; rel="(next|first)"')
NUMBERS = st.integers(1, 10**15)


class Kept(NamedTuple):
    """A record."""

    number: int


def below(*numbers: int) -> Callable[[int | None, int], list[Kept]]:
    """Return a look-up that finds the first of some records below a number."""

    def find(before: int | None, most: int) -> list[Kept]:
        return [Kept(one) for one in numbers if before is None or one < before][:most]

    return find


def encoded(text: bytes) -> str:
    return urlsafe_b64encode(text).rstrip(b"=").decode()


def links(header: str) -> dict[str, str]:
    """Return relation -> target, of a header that holds nothing else."""
    found = {relation: target for target, relation in LINKS.findall(header)}
    assert LINKS.sub("", header) == ", "
    return found


@given(NUMBERS)
def test_read_before_gives_the_number_that_was_written(number: int) -> None:
    text = write_cursor("quotes", number)

    assert re.fullmatch("[A-Za-z0-9_-]+", text)
    assert read_before("quotes", text) == number


def test_read_before_refuses_the_cursor_of_another_list() -> None:
    with pytest.raises(Refusal, match="not a cursor of orders"):
        read_before("orders", write_cursor("quotes", 1))


@pytest.mark.parametrize(
    "text",
    [
        "x",
        "é",
        "1",
        "A" * 5,
        "=",
        "../..",
        encoded(b"quotes"),
        encoded(b"quotes 0"),
        encoded(b"quotes 01"),
        encoded(b"quotes +1"),
        encoded(b"quotes -1"),
        encoded(b"quotes 1 "),
        encoded("quotes \u0661".encode()),
        encoded(b"quotes \xff"),
        encoded(b"quotes 1" + b"0" * 5_000),
    ],
)
def test_read_before_refuses_what_was_never_written(text: str) -> None:
    with pytest.raises(Refusal) as refused:
        read_before("quotes", text)

    assert refused.value.code == "query-invalid"


@pytest.mark.parametrize("around", ["{}=", "{}==", " {}", "{}\n", "{}A", "{}+", "{}/"])
def test_read_before_accepts_one_spelling_only(around: str) -> None:
    for number in range(1_000, 1_012):
        with pytest.raises(Refusal):
            read_before("quotes", around.format(write_cursor("quotes", number)))


def test_read_before_refuses_other_spellings_of_the_same_bytes() -> None:
    text = write_cursor("quotes", 100)
    twin = text[:-1] + chr(ord(text[-1]) + 1)
    pad = "=" * (-len(text) % 4)
    assert urlsafe_b64decode(twin + pad) == urlsafe_b64decode(text + pad)

    with pytest.raises(Refusal):
        read_before("quotes", twin)


def test_page_of_leads_on_and_back_to_the_first_page() -> None:
    asked = MachinesQuery(customer="C7", limit=2, cursor=write_cursor("machines", 10))

    reply = page_of("/v1/machines", asked, below(10, 9, 8, 7))

    assert reply.body == ListOut(items=(Kept(9), Kept(8)))
    after = write_cursor("machines", 8)
    assert links(reply.headers["Link"]) == {
        "next": f"/v1/machines?customer=C7&limit=2&cursor={after}",
        "first": "/v1/machines?customer=C7&limit=2",
    }


def test_last_page_leads_nowhere() -> None:
    reply = page_of("/v1/machines", MachinesQuery(limit=2), below(9, 8))

    assert not reply.headers


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_page_of_gives_back_any_query(words: str) -> None:
    asked = CustomersQuery(q=words, limit=1)

    reply = page_of("/v1/customers", asked, below(9, 8))

    found = links(reply.headers["Link"])
    first = parse_qs(urlsplit(found["first"]).query, keep_blank_values=True)
    assert first == {"q": [words], "limit": ["1"]}
    following = parse_qs(urlsplit(found["next"]).query, keep_blank_values=True)
    assert following == {**first, "cursor": [write_cursor("customers", 9)]}
    assert "+" not in found["first"]
