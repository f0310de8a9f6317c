"""The edge: request ids, the log, the counts, and the last resort against bugs."""

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from msgspec import structs
from prometheus_client.parser import text_string_to_metric_families
from tests.desks import client_alone
from tests.web.asgi import ask
from tests.web.problem import sound_problem

from kitwright.language.render import UnknownLanguage
from kitwright.money import MixedCurrencies
from kitwright.web.calls.service import Service
from kitwright.web.edge.edge import Edge
from kitwright.web.edge.log import Journal
from kitwright.web.edge.metrics import Metrics
from kitwright.workshop import Workshop

PREVIEW = "/v1/quotes/preview"


class Watched:
    """A service of its own, with its log."""

    def __init__(self) -> None:
        self._log = BytesIO()
        self.journal = Journal(self._log)

    @property
    def lines(self) -> list[dict[str, Any]]:
        # lines are written at the end of a turn of the loop, which may be after the answer
        before = -1
        while before != len(self._log.getvalue()):
            before = len(self._log.getvalue())
            time.sleep(0.1)
        return [json.loads(line) for line in self._log.getvalue().splitlines()]


@pytest.fixture
def watched() -> Watched:
    return Watched()


@pytest.fixture
def watched_client(watched: Watched, service: Service, tmp_path: Path) -> Iterator[TestClient[Any]]:
    with client_alone(service, tmp_path, watched.journal) as opened:
        yield opened


@pytest.mark.parametrize("sent", ["a", "7f0c-42", "req_01HZX:9/a+b=@c.d", "A" * 128])
def test_request_id_of_the_caller_is_taken_over(client: TestClient[Any], sent: str) -> None:
    answer = client.get("/health/live", headers={"X-Request-Id": sent})

    assert answer.headers["x-request-id"] == sent


@pytest.mark.parametrize("sent", [None, "", "a b", "-a", "A" * 129, 'a"b', "a\\b", "é", "a;b"])
def test_request_id_is_made_where_none_is_sound(client: TestClient[Any], sent: str | None) -> None:
    headers = [] if sent is None else [(b"X-Request-Id", sent.encode())]

    answer = client.get("/health/live", headers=headers)

    assert re.fullmatch("[0-9a-f]{16}", answer.headers["x-request-id"])


def test_request_ids_differ(client: TestClient[Any]) -> None:
    ids = {client.get("/health/live").headers["x-request-id"] for _ in range(100)}

    assert len(ids) == 100


def test_log_has_a_line_a_request(
    watched: Watched, watched_client: TestClient[Any], leaking_valve: dict[str, Any]
) -> None:
    answer = watched_client.post(PREVIEW, json=leaking_valve)
    watched_client.get("/v1/families/QM-H27?note=private")
    watched_client.head("/v1/jobs/")
    watched_client.get("/private/path")
    watched_client.post(PREVIEW, json={"family": "private"})

    logged = watched.lines
    assert [
        (line["method"], line["operation"], line.get("path"), line["status"]) for line in logged
    ] == [
        ("POST", "previewQuote", "/v1/quotes/preview", 200),
        ("GET", "getFamily", "/v1/families/{id}", 200),
        ("HEAD", "listJobs", "/v1/jobs", 200),
        ("GET", "none", None, 404),
        ("POST", "previewQuote", "/v1/quotes/preview", 422),
    ]
    assert logged[0]["request_id"] == answer.headers["x-request-id"]
    assert logged[4]["problem"] == "request-refused"
    assert all(line["event"] == "request" and line["level"] == "info" for line in logged)
    assert all(line["ms"] > 0 for line in logged)
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+\+00:00", line["time"]) for line in logged)
    assert "private" not in json.dumps(logged)
    assert "QM-H27" not in json.dumps(logged)


def test_journal_survives_a_stream_that_is_gone(service: Service, tmp_path: Path) -> None:
    gone = BytesIO()
    gone.close()

    with client_alone(service, tmp_path, Journal(gone)) as client:
        assert client.get("/health/live").status_code == 200


def counted(text: str) -> dict[tuple[str, str, str], float]:
    """Return the requests counted, by name, operation and status."""
    return {
        (sample.name, sample.labels.get("operation", ""), sample.labels.get("status", "")): (
            sample.value
        )
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if "le" not in sample.labels
    }


def test_metrics_count_and_time_requests(
    watched_client: TestClient[Any], leaking_valve: dict[str, Any]
) -> None:
    for _ in range(3):
        watched_client.post(PREVIEW, json=leaking_valve)
    watched_client.post(PREVIEW, json={})
    watched_client.get("/nothing/at/all")
    watched_client.get("/nothing/else")

    answer = watched_client.get("/metrics")

    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    found = counted(answer.text)
    assert found["kitwright_requests_total", "previewQuote", "200"] == 3
    assert found["kitwright_requests_total", "previewQuote", "400"] == 1
    assert found["kitwright_requests_total", "none", "404"] == 2
    assert found["kitwright_request_seconds_count", "previewQuote", ""] == 4
    assert found["kitwright_request_seconds_sum", "previewQuote", ""] > 0
    assert ("process_resident_memory_bytes", "", "") in found


def test_metrics_histogram_grows_with_its_bounds(watched_client: TestClient[Any]) -> None:
    watched_client.get("/health/live")

    text = watched_client.get("/metrics").text

    bounds = [
        (float(sample.labels["le"]), sample.value)
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.labels.get("operation") == "getLiveness" and "le" in sample.labels
    ]
    assert bounds == sorted(bounds)
    assert [count for _, count in bounds] == sorted(count for _, count in bounds)
    assert bounds[-1] == (float("inf"), 1)


def test_metrics_take_what_prometheus_asks_for(client: TestClient[Any]) -> None:
    accept = (
        "application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.2,*/*;q=0.1"
    )

    assert client.get("/metrics", headers={"Accept": accept}).status_code == 200


def breaks(error: Exception) -> Callable[..., Any]:
    def raising(*_: object, **__: object) -> Any:
        raise error

    return raising


@pytest.mark.parametrize(
    "error",
    [
        ZeroDivisionError("secret"),
        RecursionError("secret"),
        MemoryError("secret"),
        MixedCurrencies("USD", "EUR"),
    ],
)
def test_bug_is_a_problem_that_tells_nothing_of_the_inside(
    service: Service,
    leaking_valve: dict[str, Any],
    caplog: pytest.LogCaptureFixture,
    tmp_path: Path,
    error: Exception,
) -> None:
    broken = Service(service.workshop, breaks(error))
    log = BytesIO()
    with client_alone(broken, tmp_path, Journal(log)) as client:
        answer = client.post(PREVIEW, json=leaking_valve, headers={"X-Request-Id": "find-me"})

    told = sound_problem(answer)
    assert told["code"] == "internal-error"
    assert str(error) not in answer.text
    (line,) = map(json.loads, log.getvalue().splitlines())
    assert (line["level"], line["status"], line["problem"]) == ("error", 500, "internal-error")
    (record,) = caplog.records
    assert record.exc_info is not None
    assert record.exc_info[1] is error
    assert record.request_id == "find-me"  # type: ignore[attr-defined]


@pytest.mark.parametrize("error", [ZeroDivisionError("secret"), KeyError("secret"), MemoryError()])
def test_bug_outside_the_framework_is_a_problem_too(
    caplog: pytest.LogCaptureFixture, error: Exception
) -> None:
    edge = Edge(breaks(error), {}, Metrics())

    answer = ask(edge, "/health/live", method="GET")

    assert sound_problem(answer)["code"] == "internal-error"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "x-request-id" in answer.headers
    assert len(caplog.records) == 1


def test_bug_after_the_answer_began_is_left_to_the_server(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def begins(_: object, __: object, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        ask(Edge(begins, {}, Metrics()), "/health/live", method="GET")

    assert len(caplog.records) == 1


def test_service_of_a_language_nobody_speaks_does_not_start(service: Service) -> None:
    shop = structs.replace(service.workshop.shop, language="tlh")

    with pytest.raises(UnknownLanguage):
        Service(Workshop(service.workshop.catalogue, shop), lambda: date(2027, 3, 1))
