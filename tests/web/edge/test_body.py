"""Bodies: every fault of one is named at once, where it stands, with what would be right."""

import json
from typing import Annotated, Any

import pytest
from litestar.testing import TestClient
from msgspec import Meta, Struct
from tests.web.problem import faults, sound_problem

from kitwright.web.edge.body import MOST_BYTES, MOST_DEPTH, MOST_FAULTS, decode
from kitwright.web.edge.problems import Refusal

PREVIEW = "/v1/quotes/preview"
JSON = {"Content-Type": "application/json"}


def refused(client: TestClient[Any], body: bytes) -> dict[str, Any]:
    return sound_problem(client.post(PREVIEW, content=body, headers=JSON), body)


ONE_FAULT = {
    "a member is missing": (b"{}", "/family", "missing-member", "an id"),
    "a member is unknown": (b'{"family": "A", "famly": 1}', "/famly", "unknown-member", "family?"),
    "text for an id": (b'{"family": 5}', "/family", "wrong-type", "5: should be an id"),
    "null for an id": (b'{"family": null}', "/family", "wrong-type", "null: should be an id"),
    "an id is empty": (b'{"family": ""}', "/family", "wrong-length", "1 to 64"),
    "an id is too long": (
        json.dumps({"family": "A" * 65}).encode(),
        "/family",
        "wrong-length",
        "1 to 64",
    ),
    "an id is of other signs": (b'{"family": "A B"}', "/family", "wrong-form", "letters"),
    "an id ends in a line feed": (b'{"family": "A\\n"}', "/family", "wrong-form", "letters"),
    "an id has a NUL": (b'{"family": "\\u0000"}', "/family", "wrong-form", "'\\x00'"),
    "half a surrogate pair": (b'{"family": "\\ud800"}', "/family", "lone-surrogate", "surrogate"),
    "a float for a whole number": (
        b'{"family": "A", "serial": 1.0}',
        "/serial",
        "wrong-type",
        "from 0 to 9999999, or null, written without a point",
    ),
    "an exponent for a whole number": (
        b'{"family": "A", "serial": 1e400}',
        "/serial",
        "wrong-type",
        "a very large number: should be a whole number",
    ),
    "true for a whole number": (
        b'{"family": "A", "serial": true}',
        "/serial",
        "wrong-type",
        "true: should be a whole number",
    ),
    "text for a whole number": (
        b'{"family": "A", "serial": "7"}',
        "/serial",
        "wrong-type",
        "'7': should be a whole number",
    ),
    "a number below its range": (b'{"family": "A", "serial": -1}', "/serial", "out-of-range", "0"),
    "a number of 40 digits": (
        b'{"family": "A", "serial": ' + b"9" * 40 + b"}",
        "/serial",
        "out-of-range",
        "9999999",
    ),
    "a number of 10,000 digits": (
        b'{"family": "A", "serial": ' + b"9" * 10_000 + b"}",
        "/serial",
        "out-of-range",
        "a very large number",
    ),
    "0 for false": (
        b'{"family": "A", "diagnostic_done": 0}',
        "/diagnostic_done",
        "wrong-type",
        "true or false",
    ),
    "a choice is none": (
        b'{"family": "A", "scope": "recomended"}',
        "/scope",
        "not-a-choice",
        "did you mean recommended?",
    ),
    "a choice in a nested object": (
        b'{"family": "A", "condition": {"rust": "Heavy"}}',
        "/condition/rust",
        "not-a-choice",
        "none, light, heavy",
    ),
    "a choice is a number": (b'{"family": "A", "scope": 3}', "/scope", "wrong-type", "one of"),
    "a day of another form": (b'{"family": "A", "on": "1.3.2027"}', "/on", "wrong-form", "2027-"),
    "a day that is none": (b'{"family": "A", "on": "2027-02-29"}', "/on", "wrong-form", "2027-"),
    "a day with a time": (
        b'{"family": "A", "on": "2027-03-01T00:00:00Z"}',
        "/on",
        "wrong-form",
        "2027-03-01",
    ),
    "a number for a day": (b'{"family": "A", "on": 20270301}', "/on", "wrong-type", "a day"),
    "an object for a list": (b'{"family": "A", "jobs": {}}', "/jobs", "wrong-type", "a list"),
    "a list for an object": (
        b'{"family": "A", "condition": []}',
        "/condition",
        "wrong-type",
        "an object",
    ),
    "a list is too long": (
        json.dumps({"family": "A", "jobs": [{"job": "B"}] * 51}).encode(),
        "/jobs",
        "wrong-length",
        "51 entries: should be a list of at most 50 entries",
    ),
    "an entry of a list": (
        b'{"family": "A", "jobs": [{"job": "B"}, {"job": "B", "cylinder": 0}]}',
        "/jobs/1/cylinder",
        "out-of-range",
        "1 to 99",
    ),
    "a decimal as a number": (
        b'{"family": "A", "prepaid": 1}',
        "/prepaid",
        "wrong-type",
        "'12.50'",
    ),
    "a decimal with an exponent": (
        b'{"family": "A", "prepaid": "1e3"}',
        "/prepaid",
        "wrong-form",
        "'1e3': should be a decimal number written as text",
    ),
    "a decimal of other digits": (
        b'{"family": "A", "prepaid": "\\u0661"}',
        "/prepaid",
        "wrong-form",
        "decimal",
    ),
    "a decimal that ends in a line feed": (
        b'{"family": "A", "prepaid": "1\\n"}',
        "/prepaid",
        "wrong-form",
        "decimal",
    ),
    "a member given twice": (
        b'{"family": "A", "family": "QM-H27"}',
        "/family",
        "duplicate-member",
        "once",
    ),
    "a nested member given twice, once in disguise": (
        b'{"family": "A", "jobs": [{"job": "B", "j\\u006fb": "C"}]}',
        "/jobs/0/job",
        "duplicate-member",
        "once",
    ),
    "a member's name is half a surrogate pair": (
        b'{"family": "A", "\\udfff": 1}',
        "",
        "lone-surrogate",
        "name",
    ),
    "a member's name has slashes and tildes": (
        b'{"family": "A", "a/b~c": 1}',
        "/a~1b~0c",
        "unknown-member",
        "unknown member",
    ),
    "the body is a list": (b"[]", "", "wrong-type", "a list: should be an object"),
    "the body is null": (b"null", "", "wrong-type", "null: should be an object"),
    "the body is a text": (b'"QM-H27"', "", "wrong-type", "an object"),
}


@pytest.mark.parametrize(
    ("body", "pointer", "code", "right"), ONE_FAULT.values(), ids=ONE_FAULT.keys()
)
def test_body_with_a_fault_says_where_and_what_would_be_right(
    client: TestClient[Any], body: bytes, pointer: str, code: str, right: str
) -> None:
    told = refused(client, body)

    assert told["code"] == "body-invalid"
    assert faults(told) == {(pointer, code)}
    assert right in told["errors"][0]["detail"]


NOT_JSON = {
    "empty": (b"", "empty"),
    "blank": (b" \n", "empty"),
    "text": (b"family=QM-H27", "line 1, column 1"),
    "cut off": (b'{"family": "QM-H2', "line 1, column 12"),
    "a comma too many": (b'{"family": "A",}', "line 1, column"),
    "something behind": (b'{"family": "A"}\n{}', "line 2, column 1"),
    "a NUL behind": (b'{"family": "A"}\x00', "line 1, column 16"),
    "a zero in front": (b'{"family": "A", "serial": 007}', "line 1"),
    "a raw control sign": (b'{"family": "A\x01"}', "line 1"),
    "single quotes": (b"{'family': 'A'}", "line 1"),
    "a comment": (b'{"family": "A" /* yes */}', "line 1"),
    "a byte order mark": (b'\xef\xbb\xbf{"family": "A"}', "byte order mark"),
    "invalid UTF-8": (b'{"family": "\xff"}', "byte 12"),
    "UTF-16": ('{"family": "A"}'.encode("utf-16"), "byte 0"),
    "a surrogate as bytes": (b'{"family": "\xed\xa0\x80"}', "byte 12"),
    "unknown member, then broken": (b'{"x": 1, "family": ', "line 1"),
}


@pytest.mark.parametrize(("body", "place"), NOT_JSON.values(), ids=NOT_JSON.keys())
def test_body_that_is_not_json_says_where_it_breaks(
    client: TestClient[Any], body: bytes, place: str
) -> None:
    told = refused(client, body)

    assert told["code"] == "not-json"
    assert faults(told) == {("", "malformed")}
    assert place in told["detail"]


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
def test_body_with_a_number_json_lacks_points_to_it(client: TestClient[Any], number: str) -> None:
    told = refused(client, f'{{"family": "A", "serial": {number}}}'.encode())

    assert told["code"] == "not-json"
    assert faults(told) == {("/serial", "not-a-number")}


def test_body_with_many_faults_names_all_of_them(client: TestClient[Any]) -> None:
    body = b"""
        {"serial": true, "scope": "some", "diagnoses": [{"cylinder": "1"}, {"code": "A", "x": 1}],
         "condition": {"rust": null, "debris": "mud"}, "on": "soon", "serial": 7.5, "machines": 0}
    """

    told = refused(client, body)

    assert faults(told) == {
        ("/family", "missing-member"),
        ("/serial", "wrong-type"),
        ("/serial", "duplicate-member"),
        ("/scope", "not-a-choice"),
        ("/diagnoses/0/code", "missing-member"),
        ("/diagnoses/0/cylinder", "wrong-type"),
        ("/diagnoses/1/x", "unknown-member"),
        ("/condition/rust", "wrong-type"),
        ("/condition/debris", "not-a-choice"),
        ("/on", "wrong-form"),
        ("/machines", "out-of-range"),
    }


def test_body_with_more_faults_than_anyone_reads_names_the_first(client: TestClient[Any]) -> None:
    body = json.dumps({f"x{number}": number for number in range(10_000)}).encode()

    told = refused(client, body)

    assert len(told["errors"]) == MOST_FAULTS


def test_body_at_the_greatest_depth_is_read(client: TestClient[Any]) -> None:
    inside = MOST_DEPTH - 1
    body = b'{"family": "A", "x": ' + b"[" * inside + b"]" * inside + b"}"

    assert faults(refused(client, body)) == {("/x", "unknown-member")}


@pytest.mark.parametrize("depth", [MOST_DEPTH, 1_000, 100_000])
@pytest.mark.parametrize("bracket", [b"[", b'{"x":'])
@pytest.mark.parametrize("front", [b'{"family": "A", "jobs": ', b'{"x": ', b""])
def test_body_nested_deeper_is_refused(
    client: TestClient[Any], front: bytes, bracket: bytes, depth: int
) -> None:
    told = refused(client, (front + bracket * (depth + 1))[:MOST_BYTES])

    assert told["code"] == "body-too-deep"


def test_body_full_of_brackets_in_text_is_not_deep(client: TestClient[Any]) -> None:
    body = json.dumps({"family": "A", "x": '\\"[{' * 1_000}).encode()

    assert faults(refused(client, body)) == {("/x", "unknown-member")}


def test_decode_reports_what_members_break_together() -> None:
    class Range(Struct):
        least: Annotated[int, Meta(ge=0)]
        most: int

        def __post_init__(self) -> None:
            if self.least > self.most:
                raise ValueError("least should be at most most")

    class Whole(Struct):
        ranges: tuple[Range, ...]

    with pytest.raises(Refusal) as refusal:
        decode(b'{"ranges": [{"least": 1, "most": 2}, {"least": 3, "most": 2}]}', Whole)

    (fault,) = refusal.value.faults
    assert (fault.pointer, fault.code) == ("/ranges/1", "wrong-shape")
    assert fault.detail == "least should be at most most"


def test_decode_gives_the_struct_of_a_sound_body() -> None:
    class Pair(Struct):
        left: int
        right: tuple[str, ...] = ()

    assert decode(b'{"left": 1, "right": ["a", "b"]}', Pair) == Pair(1, ("a", "b"))


ASSESSED = {
    "a level is a number": (
        b'{"family": "A", "engine": {"crankcase_vacuum": 1}}',
        "/engine/crankcase_vacuum",
        "wrong-type",
    ),
    "the name of a finding is none": (
        b'{"family": "A", "engine": {"a b": "weak"}}',
        "/engine/a b",
        "wrong-form",
    ),
    "a finding is given twice": (
        b'{"family": "A", "cylinders": [{"cylinder": 1, "findings": {"a": "x", "a": "y"}}]}',
        "/cylinders/0/findings/a",
        "duplicate-member",
    ),
    "the name of a finding is half a surrogate pair": (
        b'{"family": "A", "engine": {"\\udfff": "weak"}}',
        "/engine",
        "lone-surrogate",
    ),
    "too many findings": (
        json.dumps({"family": "A", "engine": {f"f{each}": "x" for each in range(101)}}).encode(),
        "/engine",
        "wrong-length",
    ),
    "findings in a list": (b'{"family": "A", "engine": []}', "/engine", "wrong-type"),
    "a leak-down reading lacks a gauge": (
        b'{"family": "A", "cylinders": [{"cylinder": 1, "leakdown": {"supply": "90"}}]}',
        "/cylinders/0/leakdown/in_cylinder",
        "missing-member",
    ),
    "one of several leak-down readings lacks a gauge": (
        b'{"family": "A", "cylinders": [{"cylinder": 1, "leakdown": '
        b'[{"supply": "90", "in_cylinder": "85"}, {"supply": "90"}]}]}',
        "/cylinders/0/leakdown/1/in_cylinder",
        "missing-member",
    ),
    "a leak-down reading is a number": (
        b'{"family": "A", "cylinders": [{"cylinder": 1, "leakdown": 90}]}',
        "/cylinders/0/leakdown",
        "wrong-type",
    ),
}


@pytest.mark.parametrize(("body", "pointer", "code"), ASSESSED.values(), ids=ASSESSED.keys())
def test_findings_with_a_fault_say_where(
    client: TestClient[Any], body: bytes, pointer: str, code: str
) -> None:
    told = sound_problem(client.post("/v1/assessments", content=body, headers=JSON), body)

    assert told["code"] == "body-invalid"
    assert faults(told) == {(pointer, code)}
