"""The API description: valid, whole, bounded, and true: every example in it is run."""

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest
from jsonschema_rs import Draft202012Validator
from litestar.testing import TestClient
from openapi_spec_validator import OpenAPIV31SpecValidator
from tests.web.problem import sound_problem

from kitwright.app import ALL_OPERATIONS
from kitwright.keeping.acts import ACTS
from kitwright.keeping.generation import Generation, Origin
from kitwright.keeping.kinds import KINDS as EVENT_KINDS
from kitwright.keeping.record import Event, Hand
from kitwright.outbound.post import DEADLINE_SECONDS
from kitwright.outbound.signature import RETRY_DELAYS, headers, make_secret
from kitwright.posting import message
from kitwright.web.calls.all import KEPT_OPERATIONS
from kitwright.web.description.codes import documented_codes
from kitwright.web.description.webhooks import ATTEMPTS, HOURS
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.problems import KINDS

KEPT = Path(__file__).resolve().parents[3] / "openapi" / "openapi.json"
DOCUMENT: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8"))
CALLS = {
    operation["operationId"]: (method, path, operation)
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
}


KEPT_CALLS = {one.id for one in KEPT_OPERATIONS}
"""Calls whose answers depend on what is kept."""


def good(operation: dict[str, Any]) -> Any:
    """Return what an operation answers where all is well."""
    (status,) = {status for status in operation["responses"] if status < "300"}
    return operation["responses"][status]


def against(schema: dict[str, Any], value: object) -> list[str]:
    """Return what is wrong with a value."""
    # references in it are from the top of the document
    whole = {**schema, "components": DOCUMENT["components"]}
    validator = Draft202012Validator(whole, validate_formats=True)
    return [error.message for error in validator.iter_errors(value)]


def schemas(value: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield every schema within the document, with its path."""
    if isinstance(value, dict):
        if "/example" in path:
            return
        if "type" in value or "anyOf" in value or "enum" in value or "$ref" in value:
            yield path, value
        for name, inner in value.items():
            yield from schemas(inner, f"{path}/{name}")
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from schemas(inner, f"{path}/{place}")


def test_description_is_valid_openapi() -> None:
    errors = [error.message for error in OpenAPIV31SpecValidator(DOCUMENT).iter_errors()]

    assert DOCUMENT["openapi"].startswith("3.1.")
    assert not errors


def test_description_served_is_the_one_that_is_kept(client: TestClient[Any]) -> None:
    assert client.get("/openapi.json").json() == DOCUMENT


def test_description_tells_the_messages_of_webhooks() -> None:
    posted = DOCUMENT["webhooks"]["event"]["post"]
    event = Event(
        seq=12,
        at=datetime(2026, 11, 25, 14, 30, tzinfo=UTC),
        kind="quote.created",
        subject="quote:1",
        facts={"state": "draft"},
        hand=Hand.key,
        by="3fK9sQ0aZx",
        request_id="one",
    )
    first = Generation(number=1, epoch="0123456789", after=0, begun_at=event.at)
    origin = Origin(shop="8b0e", generations=(first,))
    at = datetime(2026, 11, 25, 14, 31, tzinfo=UTC)
    body = message(event, origin)
    signed = headers([make_secret()], message_id=origin.delivery_id(1, 12), at=at, body=body)

    (content,) = posted["requestBody"]["content"].values()
    assert not against(content["schema"], msgspec.json.decode(body))
    told = {one["name"]: one for one in posted["parameters"]}
    assert told.keys() == signed.keys()
    for name, value in signed.items():
        assert not against(told[name]["schema"], value)
        assert not against(told[name]["schema"], told[name]["example"])


def test_description_tells_how_often_a_message_is_posted() -> None:
    last = sum(RETRY_DELAYS, timedelta())

    assert len(RETRY_DELAYS) == ATTEMPTS
    assert timedelta(hours=HOURS - 1) < last <= timedelta(hours=HOURS)
    assert f"{DEADLINE_SECONDS:.0f} seconds" in DOCUMENT["webhooks"]["event"]["post"]["description"]


def test_kinds_of_events_are_an_enumeration() -> None:
    told = DOCUMENT["components"]["schemas"]

    assert told["EventOut"]["properties"]["kind"]["enum"] == [*EVENT_KINDS]
    assert told["HookOut"]["properties"]["kinds"]["items"]["enum"] == [*EVENT_KINDS]


def test_description_holds_every_operation() -> None:
    assert {one.id for one in ALL_OPERATIONS} == CALLS.keys()
    assert len(ALL_OPERATIONS) == len(CALLS)


def test_acts_are_told_with_their_calls() -> None:
    heads = ("QuoteHeadOut", "KeptQuoteOut")
    for head in heads:
        told = DOCUMENT["components"]["schemas"][head]["properties"]["acts"]["description"]
        rows = re.findall(r"^\| `(\w+)` \| `POST (\S+)` \|$", told, re.MULTILINE)
        assert {act for act, _ in rows} == ACTS.keys()
        assert {path for _, path in rows} <= {
            path for method, path, _ in CALLS.values() if method == "post"
        }
        assert ("order", "/v1/orders") in rows


@pytest.mark.parametrize("name", CALLS)
def test_operation_is_told_and_exemplified(name: str) -> None:
    _, _, operation = CALLS[name]

    assert operation["summary"]
    assert operation["description"].endswith(".")
    assert operation["tags"]
    for parameter in operation.get("parameters", ()):
        assert parameter["description"]
        assert parameter["in"] == "query" or parameter["example"]
    content = operation.get("requestBody", {}).get("content", {})
    assert all("examples" in one for form, one in content.items() if form == "application/json")
    answered = good(operation)["content"]
    assert content or name in KEPT_CALLS or any("example" in one for one in answered.values())


@pytest.mark.parametrize("name", CALLS)
def test_operation_answers_problems_as_problems(name: str) -> None:
    _, _, operation = CALLS[name]

    refused = {status: each for status, each in operation["responses"].items() if status > "399"}

    assert refused
    for status, each in refused.items():
        assert each["content"].keys() == {"application/problem+json"}
        codes = re.findall("`([a-z-]+)`", each["description"])
        assert codes
        assert all(KINDS[code].status == int(status) for code in codes)


@pytest.mark.parametrize("one", ALL_OPERATIONS, ids=lambda one: one.id)
def test_operation_tells_who_may_call(one: Operation) -> None:
    operation = CALLS[one.id][2]

    if one.scope is None:
        assert operation["security"] == []
        assert not {"401", "403"} & operation["responses"].keys()
        assert ("429" in operation["responses"]) == one.is_limited
    else:
        assert operation["security"] == [{"key": [one.scope.value]}]
        assert {"401", "403", "429"} <= operation["responses"].keys()
        assert "WWW-Authenticate" in operation["responses"]["401"]["headers"]
        assert "Retry-After" in operation["responses"]["429"]["headers"]


@pytest.mark.parametrize("one", ALL_OPERATIONS, ids=lambda one: one.id)
def test_operation_tells_every_parameter(one: Operation) -> None:
    told = CALLS[one.id][2].get("parameters", ())

    named = {parameter["name"]: parameter for parameter in told}
    assert len(named) == len(told)
    assert ("Idempotency-Key" in named) == one.is_once
    assert ("If-Match" in named) == one.is_guarded
    queried = {name for name, each in named.items() if each["in"] == "query"}
    fields = () if one.query is None else msgspec.structs.fields(one.query)
    assert queried == {field.encode_name for field in fields}
    for name in queried:
        assert named[name]["schema"].get("type")
        assert "default" not in named[name]["schema"]


def test_every_problem_code_is_of_some_operation_or_of_all() -> None:
    told = set(re.findall("`([a-z-]+)`", json.dumps(DOCUMENT["paths"])))
    # these come before an operation is known, or are bugs
    of_all = {"bad-request", "not-found", "method-not-allowed", "path-too-long", "internal-error"}
    of_all |= {"headers-too-large", "request-timeout", "too-many-connections"}

    assert KINDS.keys() - of_all <= told


def test_numbers_are_bounded() -> None:
    loose = [
        path
        for path, schema in schemas(DOCUMENT)
        if schema.get("type") in ("integer", "number")
        and not {"minimum", "maximum"} <= schema.keys()
    ]

    assert not loose


def test_request_texts_and_lists_are_bounded() -> None:
    inside = DOCUMENT["components"]["schemas"]
    loose = [
        f"{name}{path}"
        for name in inside
        if name.endswith("In")
        for path, schema in schemas(inside[name])
        if (
            schema.get("type") == "string"
            and not {"maxLength", "enum", "format"} & schema.keys()
            and "{0,11}" not in schema.get("pattern", "")
        )
        or (schema.get("type") == "array" and "maxItems" not in schema)
    ]

    assert not loose


def test_requests_take_no_other_members() -> None:
    loose = [
        name
        for name, schema in DOCUMENT["components"]["schemas"].items()
        if name.endswith("In") and schema.get("additionalProperties") is not False
    ]

    assert not loose


def test_members_that_may_be_left_out_have_no_default() -> None:
    # generators of TypeScript take a member with a default for one that is always there
    told = [
        f"{name}{path}"
        for name, shape in DOCUMENT["components"]["schemas"].items()
        for path, schema in schemas(shape)
        if "default" in schema
    ]

    assert not told
    scope = DOCUMENT["components"]["schemas"]["NewPreviewIn"]["properties"]["scope"]
    assert scope["description"] == 'Default: `"recommended"`.'


def test_money_and_decimals_have_patterns() -> None:
    money = DOCUMENT["components"]["schemas"]["Amount"]["properties"]

    assert not against(money["amount"], "129.50")
    assert not against(money["amount"], "-85.00")
    for wrong in ("NaN", "1e3", "1,50", "", ".5", "1.", "+1", " 1", "١"):  # noqa: RUF001
        assert against(money["amount"], wrong), wrong
    assert not against(money["currency"], "USD")
    assert against(money["currency"], "usd")


def test_no_text_is_of_python() -> None:
    told = json.dumps(DOCUMENT)

    assert "ListOut" not in told
    assert r"\n    " not in told


def get(client: TestClient[Any], name: str) -> Any:
    """Return the answer to an operation called with the examples of its parameters."""
    method, path, operation = CALLS[name]
    headers = {}
    for parameter in operation.get("parameters", ()):
        if parameter["in"] == "path":
            path = path.replace(f"{{{parameter['name']}}}", parameter["example"])
        else:
            headers[parameter["name"]] = parameter["example"]
    return client.request(method, path, headers=headers)


READS = [
    name for name, (method, _, _) in CALLS.items() if method == "get" and name not in KEPT_CALLS
]


@pytest.mark.parametrize("name", READS)
def test_example_of_a_read_is_what_it_answers(client: TestClient[Any], name: str) -> None:
    # what is counted is counted from its second answer on
    get(client, name)
    answer = get(client, name)

    assert answer.status_code == 200
    told = CALLS[name][2]["responses"]["200"]
    assert told["headers"].keys() <= {header.title() for header in answer.headers} | {"ETag"}
    for form, content in told["content"].items():
        assert answer.headers["content-type"].partition(";")[0] == form
        if form == "application/json":
            assert not against(content["schema"], content["example"])
            assert not against(content["schema"], answer.json())
            assert holds(answer.json(), content["example"])
        else:
            # counts grow: only what is counted stays
            assert content["example"].partition(" ")[0] in answer.text


def holds(real: Any, example: Any) -> bool:
    """Whether an example is a part of a real answer: lists may be cut, revisions invented."""
    if isinstance(example, dict):
        return all(
            name == "catalogue_revision" or holds(real[name], each)
            for name, each in example.items()
        )
    if isinstance(example, list) and isinstance(real, list):
        return all(any(holds(one, each) for one in real) for each in example)
    return bool(real == example)


@pytest.mark.parametrize("name", sorted(KEPT_CALLS))
def test_example_of_a_kept_call_is_read(client: TestClient[Any], name: str) -> None:
    """What the examples name may not be kept, but nothing is wrong with how they are written."""
    method, path, operation = CALLS[name]
    headers, query = {}, {}
    for parameter in operation.get("parameters", ()):
        if "example" not in parameter:
            continue
        assert not against(parameter["schema"], parameter["example"])
        if parameter["in"] == "path":
            path = path.replace(f"{{{parameter['name']}}}", parameter["example"])
        elif parameter["in"] == "header":
            headers[parameter["name"]] = parameter["example"]
        else:
            query[parameter["name"]] = parameter["example"]
    content = operation.get("requestBody", {}).get("content", {})
    bodies = content.get("application/json", {}).get("examples", {})

    for place, body in enumerate([each["value"] for each in bodies.values()] or [None]):
        headers["Idempotency-Key"] = f'"{name}-{place}"'
        answer = client.request(method, path, json=body, headers=headers, params=query)

        # an image that is none: 415
        assert answer.status_code in {200, 201, 202, 404, 409, 412, 415}
        assert str(answer.status_code) in operation["responses"]
        if answer.is_success and answer.headers["content-type"] == "application/json":
            told = good(operation)["content"]["application/json"]["schema"]
            assert not against(told, answer.json())


EXAMPLES = [
    (name, title)
    for name, (_, _, operation) in CALLS.items()
    for content in operation.get("requestBody", {}).get("content", {}).values()
    for title in content.get("examples", ())
]


@pytest.mark.parametrize(
    ("name", "title"), [each for each in EXAMPLES if each[0] not in KEPT_CALLS]
)
def test_example_of_a_body_is_answered(client: TestClient[Any], name: str, title: str) -> None:
    method, path, operation = CALLS[name]
    content = operation["requestBody"]["content"]["application/json"]
    asked = content["examples"][title]["value"]
    assert not against(content["schema"], asked)

    for form, answered in operation["responses"]["200"]["content"].items():
        answer = client.request(method, path, json=asked, headers={"Accept": form})

        assert answer.status_code == 200
        assert answer.headers["content-type"].partition(";")[0] == form
        if form == "application/json":
            assert not against(answered["schema"], answer.json())


def test_every_example_that_is_kept_is_described(examples: Path) -> None:
    kept = {path.name for path in examples.iterdir()}

    assert kept == {f"{name}.{title}.json" for name, title in EXAMPLES}


@pytest.mark.parametrize("accept", ["application/json", "text/html"])
def test_problem_fits_its_schema(client: TestClient[Any], accept: str) -> None:
    answer = client.post("/v1/quotes/preview", json={"serial": "x"}, headers={"Accept": accept})

    sound_problem(answer, b'{"serial": "x"}')
    problem = CALLS["previewQuote"][2]["responses"]["400"]["content"]["application/problem+json"]
    assert not against(problem["schema"], answer.json())


@pytest.mark.parametrize("code", [each.code for each in documented_codes()])
def test_codes_fit_their_pattern(code: str) -> None:
    assert not against({"$ref": "#/components/schemas/CodeOut/properties/code"}, code)
