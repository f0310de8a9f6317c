"""What the framework does not do by itself, so that a module of ours does it.

A test that fails here is good news: the framework has caught up, and the module that it names can
go, or part of it.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from litestar import Litestar, Request, get, post
from litestar.connection import ASGIConnection
from litestar.datastructures import State
from litestar.exceptions import InternalServerException
from litestar.handlers import BaseRouteHandler
from litestar.middleware.rate_limit import RateLimitConfig
from litestar.params import FromQuery, JSONBody
from litestar.plugins.problem_details import ProblemDetailsConfig, ProblemDetailsPlugin
from litestar.testing import TestClient
from msgspec import Struct

from kitwright.web.edge.problems import MEDIA_TYPE


class Asked(Struct, forbid_unknown_fields=True):
    """A body of two members."""

    first: int
    second: int


@get("/things", sync_to_thread=False)
def listed(word: FromQuery[str] = "") -> dict[str, str]:
    """Answer a read."""
    return {"word": word}


@post("/things", sync_to_thread=False)
def made(data: JSONBody[Asked]) -> dict[str, int]:
    """Answer a body."""
    return {"first": data.first}


@get("/fault", sync_to_thread=False)
def fault() -> None:
    """Fail as a bug does."""
    raise InternalServerException


@contextmanager
def client(**more: Any) -> Iterator[TestClient[Any]]:
    app = Litestar(
        route_handlers=[listed, made, fault], openapi_config=None, logging_config=None, **more
    )
    with TestClient(app, raise_server_exceptions=False) as opened:
        yield opened


def test_options_name_one_method_of_several() -> None:
    """Else the handlers of OPTIONS in edge/unmet.py can go."""
    with client() as opened:
        assert opened.options("/things").headers["allow"] == "GET, OPTIONS"


def test_head_is_not_answered_where_get_is() -> None:
    """Else operation.methods_of need not add HEAD to GET."""
    with client() as opened:
        assert opened.head("/things").status_code == 405


def test_accept_is_not_looked_at() -> None:
    """Else edge/negotiate.py can go."""
    with client() as opened:
        assert opened.get("/things", headers={"Accept": "image/png"}).status_code == 200


def test_entity_tags_are_not_compared() -> None:
    """Else the 304 of edge/reply.py can go."""

    @get("/tagged", sync_to_thread=False)
    def tagged() -> str:
        return "x"

    with TestClient(Litestar([tagged], openapi_config=None)) as opened:
        assert opened.get("/tagged", headers={"If-None-Match": "*"}).status_code == 200


@pytest.mark.parametrize(
    "body",
    [
        '{"first": 1, "first": 2, "second": 3}',
        '{"first": 1, "second": "3"}',
    ],
)
def test_bodies_are_taken_that_are_not_as_they_should_be(body: str) -> None:
    """Else part of edge/body.py can go: members twice, numbers as texts."""
    with client() as opened:
        answer = opened.post(
            "/things", content=body.encode(), headers={"Content-Type": "application/json"}
        )

    assert answer.status_code == 201


def test_body_is_told_by_its_first_fault_only() -> None:
    """Else edge/faults.py can go."""
    with client() as opened:
        answer = opened.post("/things", json={"first": "x", "second": "y", "third": 1})

    assert answer.status_code == 400
    assert len(answer.json()["extra"]) == 1


def test_query_is_taken_with_parameters_that_nobody_declared() -> None:
    """Else edge/query.py can go, if every fault is told."""
    with client() as opened:
        assert opened.get("/things?wrod=x&word=a&word=b").status_code == 200


def test_bug_is_not_told_as_a_problem() -> None:
    """Else the handlers of edge/problems.py may be the framework's plugin."""
    plugin = ProblemDetailsPlugin(ProblemDetailsConfig(enable_for_all_http_exceptions=True))
    with client(plugins=[plugin]) as opened:
        fault = opened.get("/fault")

    assert fault.status_code == 500
    assert fault.headers["content-type"] != MEDIA_TYPE or "code" not in fault.json()


def test_calls_beyond_a_limit_are_not_told_when_to_come_again() -> None:
    """Else edge/limits.py can go, if it can count by key."""
    with client(middleware=[RateLimitConfig(rate_limit=("minute", 1)).middleware]) as opened:
        opened.get("/things")
        refused = opened.get("/things")

    assert refused.status_code == 429
    assert "retry-after" not in refused.headers


def test_guard_is_given_a_copy_of_its_handler() -> None:
    """Else edge/auth.py may be a guard: a copy for each call takes a tenth of an answer."""
    seen: list[bool] = []

    async def guard(
        connection: ASGIConnection[Any, Any, Any, State], handler: BaseRouteHandler
    ) -> None:
        seen.append(handler is connection.route_handler)

    with client(guards=[guard]) as opened:
        opened.get("/things")

    assert seen == [False]


def test_plain_function_before_a_request_runs_in_another_thread() -> None:
    """Else `Keyring.admit` of edge/auth.py may be a plain function."""
    seen: list[int] = []

    @get("/thread", sync_to_thread=False)
    def thread() -> None:
        seen.append(threading.get_ident())

    def before(_: Request[Any, Any, State]) -> None:
        seen.append(threading.get_ident())

    with TestClient(Litestar([thread], before_request=before, openapi_config=None)) as opened:
        opened.get("/thread")

    assert len(set(seen)) == 2
