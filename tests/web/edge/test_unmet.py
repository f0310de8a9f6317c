"""Calls that nothing takes: the refusal names the path, what it may have been meant for, and the
methods that it takes.
"""

from typing import Any

import pytest
from litestar.testing import TestClient
from tests.web.problem import sound_problem

from kitwright.app import ALL_OPERATIONS
from kitwright.web.edge.unmet import nearest

PATHS = [one.path for one in ALL_OPERATIONS]


@pytest.mark.parametrize(
    ("path", "meant"),
    [
        ("/v1/job", "/v1/jobs"),
        ("/V1/jobs", "/v1/jobs"),
        ("//v1/jobs", "/v1/jobs"),
        ("/jobs", "/v1/jobs"),
        ("/v1/quote/Q1", "/v1/quotes/{id}"),
        ("/v1/quotes/Q1/acept", "/v1/quotes/{id}/accept"),
        ("/v1/quotes/Q1/revisions/1/diff", "/v1/quotes/{id}/revisions/{revision}/difference"),
        ("/v1/orders/O1/sheets", "/v1/orders/{id}/sheet"),
        ("/openapi.jsn", "/openapi.json"),
        ("/health", "/health/live"),
        ("/", None),
        ("/favicon.ico", None),
        ("/v1/" + "x" * 500, None),
    ],
)
def test_nearest_is_the_path_that_was_meant(path: str, meant: str | None) -> None:
    assert nearest(path, PATHS) == meant


@pytest.mark.parametrize("path", PATHS)
def test_nearest_forgives_a_slip_in_any_path(path: str) -> None:
    slipped = path.replace("{", "").replace("}", "")[:-1]

    assert nearest(slipped, PATHS) is not None


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("/v1/job", "no path '/v1/job' here; did you mean /v1/jobs?"),
        ("/nothing", "no path '/nothing' here; /docs lists all paths"),
        ("/%00", r"no path '/\x00' here; /docs lists all paths"),
    ],
)
def test_unknown_path_is_named_with_the_nearest(
    client: TestClient[Any], path: str, told: str
) -> None:
    assert sound_problem(client.get(path))["detail"] == told


def test_unknown_path_is_repeated_in_part_only(client: TestClient[Any]) -> None:
    told = sound_problem(client.get("/" + "x" * 1_000))["detail"]

    assert len(told) < 200


@pytest.mark.parametrize(
    ("method", "path", "takes"),
    [
        ("DELETE", "/v1/jobs", ("GET", "HEAD", "OPTIONS")),
        ("GET", "/v1/quotes/preview", ("OPTIONS", "POST")),
        ("PUT", "/v1/quotes", ("GET", "HEAD", "OPTIONS", "POST")),
        ("PATCH", "/v1/webhooks/W1", ("DELETE", "GET", "HEAD", "OPTIONS", "PUT")),
    ],
)
def test_wrong_method_names_the_path_and_the_right_ones(
    client: TestClient[Any], method: str, path: str, takes: tuple[str, ...]
) -> None:
    answer = client.request(method, path)

    told = sound_problem(answer)["detail"]
    assert answer.headers["allow"] == ", ".join(takes)
    right = f"{', '.join(takes[:-1])} and {takes[-1]}"
    assert told == f"{path!r} does not take {method}: it takes {right}"
