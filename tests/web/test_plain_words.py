"""Plain words: whatever is wrong with a query or a body, it is told in Kitwright's own words and
in the terms of JSON, over every parameter and every member that the API description has.
"""

import json
import re
from base64 import urlsafe_b64encode
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from msgspec import Struct
from tests.web.problem import sound_problem

from kitwright.app import ALL_OPERATIONS
from kitwright.web.calls.acts import AcceptIn
from kitwright.web.edge.body import decode
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.query import read_query

FOREIGN = re.compile(
    r"`|Expect|Invalid|\bgot\b|\bunpack\b|\bNone\b|\bTrue\b|\bFalse\b"
    r"|\b(?:int|str|float|bool|dict|tuple|datetime|Decimal|Struct|msgspec|malformed)\b"
    r"|\^|\(\?|another value|\{\}|such as \S+, such as"
)
"""Words of Python, of the decoder and of patterns, which nobody who calls has to know."""
ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    1.5,
    1.0,
    10**30,
    "",
    "x",
    " x",
    "x\ny",
    "x" * 20_000,
    "2026-13-45",
    "2026-11-25T10:00:00",
    "2026-11-25T10:00:00Z",
    "12.50",
    [],
    [None] * 101,
    {},
    {f"a{place}": 1 for place in range(101)},
    {"": None, "\u00e9 ": 1},
)
TEXTS = (
    *("", "x", " ", "-1", "0", "+1", "1.0", "1e3", "1_0", "9" * 24, "true", "x" * 500, "Q0", "*"),
    *("2026-13-45", "2026-11-25T10:00:00", "%C3%A9", "%00", "%0A"),
)
TAKING = [one for one in ALL_OPERATIONS if one.takes is not None]
ASKING = [one for one in ALL_OPERATIONS if one.query is not None]


def members(shape: msgspec.inspect.Type) -> Iterator[msgspec.inspect.StructType]:
    """Yield the objects that a value of a type may be."""
    match shape:
        case msgspec.inspect.Metadata():
            yield from members(shape.type)
        case msgspec.inspect.UnionType():
            for one in shape.types:
                yield from members(one)
        case msgspec.inspect.StructType():
            yield shape


def entries(shape: msgspec.inspect.Type) -> Iterator[msgspec.inspect.Type]:
    """Yield what the lists may hold that a value of a type may be."""
    match shape:
        case msgspec.inspect.Metadata():
            yield from entries(shape.type)
        case msgspec.inspect.UnionType():
            for one in shape.types:
                yield from entries(one)
        case msgspec.inspect.VarTupleType():
            yield shape.item_type


def spoilt(shape: msgspec.inspect.StructType, odd: Any) -> Iterator[dict[str, Any]]:
    """Yield objects that hold something odd at every place that there is, level by level."""
    yield {field.encode_name: odd for field in shape.fields}
    for field in shape.fields:
        for within in members(field.type):
            for each in spoilt(within, odd):
                yield {field.encode_name: each}
        for entry in entries(field.type):
            yield {field.encode_name: [odd]}
            for within in members(entry):
                for each in spoilt(within, odd):
                    yield {field.encode_name: [each]}


def details(body: bytes, shape: type[Struct]) -> list[str]:
    """Return all that is said of a body."""
    try:
        decode(body, shape)
    except Refusal as refusal:
        return [str(refusal), *(fault.detail for fault in refusal.faults)]
    return []


@pytest.mark.parametrize("operation", TAKING, ids=lambda one: one.id)
def test_body_is_refused_in_plain_words(operation: Operation) -> None:
    assert operation.takes is not None
    shape = msgspec.inspect.type_info(operation.takes)
    assert isinstance(shape, msgspec.inspect.StructType)
    told = set()
    for odd in ODD:
        for body in spoilt(shape, odd):
            told.update(details(json.dumps(body).encode(), operation.takes))

    assert len(told) > len(shape.fields)
    assert [detail for detail in sorted(told) if FOREIGN.search(without_given(detail))] == []


@pytest.mark.parametrize("operation", TAKING, ids=lambda one: one.id)
def test_sound_body_with_one_odd_member_is_refused_in_plain_words(
    operation: Operation, examples: Any
) -> None:
    assert operation.takes is not None
    told = set()
    for path in sorted(examples.glob(f"{operation.id}.*.json")):
        text = path.read_text(encoding="utf-8")
        for field in msgspec.structs.fields(operation.takes):
            for odd in ODD:
                body = json.dumps({**json.loads(text), field.encode_name: odd}).encode()
                told.update(details(body, operation.takes))

    assert told
    assert [detail for detail in sorted(told) if FOREIGN.search(without_given(detail))] == []


def without_given(detail: str) -> str:
    """Return a detail without what the caller gave, and without the header `Link`."""
    return re.sub(r"'[^']*'|`Link`", "...", detail)


def said_of(query: str, shape: type[Struct]) -> str | None:
    """Return what is said of a query, None of one that is taken."""
    try:
        read_query(query.encode(), shape)
    except Refusal as refusal:
        return str(refusal)
    return None


@pytest.mark.parametrize("operation", ASKING, ids=lambda one: one.id)
def test_query_is_refused_in_plain_words(operation: Operation) -> None:
    assert operation.query is not None
    for field in msgspec.structs.fields(operation.query):
        told = {said_of(f"{field.encode_name}={text}", operation.query) for text in TEXTS} - {None}

        assert told
        for detail in map(str, told):
            assert not FOREIGN.search(without_given(detail))
            assert "null" not in detail


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("limit=many", "limit: 'many': should be a whole number from 1 to 200"),
        ("limit=0", "limit: 0: should be a whole number from 1 to 200"),
        ("limit=1.5", "limit: '1.5': should be a whole number from 1 to 200"),
        ("from=25.11.2026", "from: '25.11.2026': should be a day, such as '2027-03-01'"),
        ("customer=7", "customer: '7': should be the id of a customer, such as 'C7'"),
        ("cursor=%2A", "cursor: '*': should be a cursor from a `Link` header"),
        (
            "limit=many&from=soon",
            "from: 'soon': should be a day, such as '2027-03-01'; "
            "limit: 'many': should be a whole number from 1 to 200",
        ),
    ],
)
def test_query_says_what_was_given_and_what_is_wanted(
    client: TestClient[Any], query: str, told: str
) -> None:
    answer = client.get(f"/v1/quotes?{query}")

    assert sound_problem(answer)["detail"] == told


def test_query_lacking_a_parameter_names_it() -> None:
    (photo,) = (one for one in ASKING if one.id == "addPhoto")
    assert photo.query is not None

    with pytest.raises(
        Refusal, match=r"^code: required parameter missing; expected an id as text: 1 to 64"
    ):
        read_query(b"subject=step", photo.query)


@pytest.mark.parametrize("position", [[], [1, 2], ["a"], [1.5], [None]])
def test_cursor_of_another_shape_is_refused_in_plain_words(
    client: TestClient[Any], position: list[Any]
) -> None:
    cursor = urlsafe_b64encode(json.dumps(["quotes", position], separators=(",", ":")).encode())

    told = sound_problem(client.get(f"/v1/quotes?cursor={cursor.rstrip(b'=').decode()}"))

    assert told["detail"].startswith("cursor: ")
    assert not FOREIGN.search(without_given(told["detail"]))


@pytest.mark.parametrize(
    ("body", "told"),
    [
        (b"{", "a member's name in double quotes is expected here"),
        (b'{"a"', "a colon is expected here"),
        (b'{"a":', "a value is expected here"),
        (b"{'a': 1}", "a member's name in double quotes is expected here"),
        (b'{"a": 1 "b": 2}', "a comma, or the end of the list or object, is expected here"),
        (b'{"a": 1}}', "the document ends before this"),
        (b'{"a": "b', "this text has no closing quotation mark"),
        (b'{"a": "b\nc"}', "line breaks and other control characters"),
        (b'{"a": "\\x"}', "a backslash"),
        (b'{"a": "\\u12"}', "four digits from 0 to f should follow"),
        (b'{"a": 01}', "a comma, or the end of the list or object, is expected here"),
        (b"hello", "a value is expected here"),
        (b'{"a": 1,}', "line 1, column"),
    ],
)
def test_body_that_is_no_json_is_refused_in_plain_words(body: bytes, told: str) -> None:
    (said, detail) = details(body, AcceptIn)

    assert told in detail
    assert re.search(r"line 1, column \d+$", detail)
    assert not FOREIGN.search(said)


@pytest.mark.parametrize(
    "at", ["", "now", "2026-11-25", "2026-11-25T10:00:00", "2026-02-30T10:00:00Z", 5, True]
)
def test_moment_is_wanted_with_its_zone(at: Any) -> None:
    body = json.dumps({"revision": 1, "who": "A", "means": "telephone", "at": at}).encode()

    (_, detail) = details(body, AcceptIn)

    assert re.search(r"a time with its zone, such as '20\d\d-\d\d-\d\dT\d\d:\d\d:00Z'", detail)
