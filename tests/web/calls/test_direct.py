"""The short way of everyday previews: the same answers, headers, log and counts as the long one."""

import json
from io import BytesIO
from typing import Any

import pytest
from litestar import post
from tests.desks import Counter
from tests.web.asgi import Header, ask

from kitwright.app import make_app
from kitwright.web.calls.direct import Direct
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.log import Journal
from kitwright.web.edge.metrics import Metrics

PREVIEW = "/v1/quotes/preview"
EVERYDAY = (
    (b"host", b"localhost"),
    (b"content-type", b"application/json"),
    (b"accept", b"application/json"),
    (b"x-request-id", b"one"),
)
LONG_WAY = (b"accept", b"application/json;q=1")
"""Asks for the same, not in the everyday form."""


def keyed(key: str) -> Header:
    return b"authorization", f"Bearer {key}".encode()


def sized(body: bytes, key: str) -> list[Header]:
    return [*EVERYDAY, (b"content-length", str(len(body)).encode()), keyed(key)]


@pytest.fixture
def valve(leaking_valve: dict[str, Any]) -> bytes:
    return json.dumps(leaking_valve).encode()


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"discounts": [{"percent": "7", "reason": "r", "by": "b"}]},
        {"serial": -1},
        {"family": "unknown"},
        {"leave_out": [{"job": "unknown"}]},
        {"unknown": 1},
    ],
)
def test_direct_answers_as_the_long_way_does(
    app: Edge, counter: Counter, leaking_valve: dict[str, Any], change: dict[str, Any]
) -> None:
    body = json.dumps({**leaking_valve, **change}).encode()

    short = ask(app, PREVIEW, headers=sized(body, counter.key), parts=[body])
    others = [each for each in sized(body, counter.key) if each[0] != b"accept"]
    long = ask(app, PREVIEW, headers=[*others, LONG_WAY], parts=[body])

    assert short == long


def test_direct_answers_the_everyday_form_without_the_framework(valve: bytes) -> None:
    asked = []

    async def framework(scope: Any, _: object, __: object) -> None:
        asked.append(scope["path"])

    @post(PREVIEW, name="previewQuote")
    async def preview() -> None:
        raise AssertionError

    alone = Edge(
        Direct(framework, preview, PREVIEW, lambda _: None, lambda body: body), {}, Metrics()
    )

    answer = ask(alone, PREVIEW, headers=sized(valve, "any"), parts=[valve])

    assert (answer.status_code, answer.content, asked) == (200, valve, [])


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ([(b"host", b"a b")], 400),
        ([(b"content-encoding", b"gzip")], 415),
        ([(b"accept", b"image/png")], 406),
        ([(b"accept", b"text/plain")], 200),
    ],
)
def test_direct_leaves_other_forms_to_the_long_way(
    app: Edge, counter: Counter, valve: bytes, headers: list[Header], status: int
) -> None:
    named = {name for name, _ in headers}
    given = [each for each in sized(valve, counter.key) if each[0] not in named]

    answer = ask(app, PREVIEW, headers=[*given, *headers], parts=[valve])

    assert answer.status_code == status


@pytest.mark.parametrize("length", [b"262145", b"-1", b"1e3", "٣".encode(), b"9" * 30])
def test_direct_refuses_a_length_that_is_none_or_too_large(
    app: Edge, counter: Counter, valve: bytes, length: bytes
) -> None:
    headers = [*EVERYDAY, (b"content-length", length), keyed(counter.key)]

    answer = ask(app, PREVIEW, headers=headers, parts=[valve])

    assert answer.status_code == 413


def test_direct_refuses_a_body_that_breaks_off(app: Edge, counter: Counter, valve: bytes) -> None:
    answer = ask(app, PREVIEW, headers=sized(valve, counter.key), parts=[valve[:9]], leaves=True)

    assert answer.status_code == 400


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", PREVIEW, 405),
        ("HEAD", PREVIEW, 405),
        ("DELETE", PREVIEW, 405),
        ("OPTIONS", PREVIEW, 204),
        ("POST", f"{PREVIEW}/", 200),
        ("POST", f"{PREVIEW}x", 405),
    ],
)
def test_direct_leaves_other_methods_and_paths_to_the_framework(
    app: Edge, counter: Counter, valve: bytes, method: str, path: str, status: int
) -> None:
    answer = ask(app, path, method=method, headers=sized(valve, counter.key), parts=[valve])

    assert answer.status_code == status


def test_direct_is_logged_and_counted_as_the_operation(counter: Counter, valve: bytes) -> None:
    log = BytesIO()
    app = make_app(counter.desk, Journal(log))

    ask(app, PREVIEW, headers=sized(valve, counter.key), parts=[valve])
    counted = ask(app, "/metrics", method="GET", headers=[keyed(counter.key)]).content.decode()

    line = json.loads(log.getvalue().splitlines()[0])
    assert (line["operation"], line["path"], line["status"]) == ("previewQuote", PREVIEW, 200)
    assert 'kitwright_requests_total{operation="previewQuote",status="200"} 1.0' in counted


@pytest.mark.parametrize(
    ("key", "status"), [("", 401), ("kw_no_key", 401), ("kw_0123456789_" + "a" * 49, 401)]
)
def test_direct_lets_in_whoever_has_a_key(app: Edge, valve: bytes, key: str, status: int) -> None:
    short = ask(app, PREVIEW, headers=sized(valve, key), parts=[valve])
    others = [each for each in sized(valve, key) if each[0] != b"accept"]
    long = ask(app, PREVIEW, headers=[*others, LONG_WAY], parts=[valve])

    assert short.status_code == status
    assert short == long
    assert short.headers["www-authenticate"].startswith("Bearer")
