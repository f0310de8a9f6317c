"""Customers: a listener, an address and limits of their own, and pages in place of problems."""

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from litestar.testing import TestClient
from tests.desks import Counter, client_of, open_counter, run_live
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.app import make_app, make_customers
from kitwright.web.calls.service import Service

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}


@pytest.fixture
def counter(service: Service, tmp_path: Path) -> Iterator[Counter]:
    # 60 a minute by link and by address: a burst of 10, then one a second
    with open_counter(service, tmp_path, rate=600) as counter:
        yield counter


@pytest.fixture
def client(counter: Counter) -> Iterator[TestClient[Any]]:
    with client_of(make_app(counter.desk), counter.key) as client:
        yield client


def linked(staff: Staff) -> str:
    """Return the path of a link to a new offer."""
    return str(staff.act(staff.issued(), "links", {})["path"])


def bare(client: TestClient[Any], path: str, **headers: str) -> Any:
    return client.get(path, headers={"Authorization": "", **headers})


def is_page(answer: Any) -> bool:
    policy = answer.headers["content-security-policy"]
    assert "script-src" not in policy or "script-src 'none'" in policy
    assert answer.headers["content-length"] == str(len(answer.content))
    return bool(answer.headers["content-type"] == "text/html; charset=utf-8")


def test_limit_of_a_link_is_its_own(counter: Counter, client: TestClient[Any]) -> None:
    staff = Staff(counter, client)
    mine, other = linked(staff), linked(staff)

    statuses = [bare(client, mine).status_code for _ in range(14)]

    assert statuses[:10] == [200] * 10
    assert statuses[-1] == 429
    # neither other customers nor strangers at the same address wait for it
    assert bare(client, other).status_code == 200
    assert bare(client, "/v1/links/none").status_code == 404


def test_strangers_at_the_address_lock_no_customer_out(
    counter: Counter, client: TestClient[Any]
) -> None:
    path = linked(Staff(counter, client))
    statuses = {bare(client, f"{path[:-1]}{each % 10}").status_code for each in range(30)}

    assert statuses >= {404, 429}
    assert bare(client, path).status_code == 200
    assert client.get("/v1/quotes").status_code == 200


def test_browser_gets_a_page_where_a_program_gets_a_problem(
    counter: Counter, client: TestClient[Any]
) -> None:
    staff = Staff(counter, client)
    path = linked(staff)
    answer = [bare(client, path, **BROWSER) for _ in range(14)][-1]
    unknown = bare(client, "/v1/links/none", **BROWSER)
    nowhere = bare(client, "/v1/links/none/of/these", **BROWSER)
    wrong = bare(client, f"{linked(staff)}/accept", **BROWSER)

    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) >= 1
    assert "Too many requests" in answer.text
    assert [each.status_code for each in (unknown, nowhere, wrong)] == [404, 404, 405]
    assert all(map(is_page, (answer, unknown, nowhere, wrong)))
    assert sound_problem(bare(client, path))["code"] == "too-many-calls"
    assert sound_problem(bare(client, "/v1/links/none"))["code"] == "unknown-record"
    # staff's calls keep their problems, whatever shows them
    assert sound_problem(client.get("/v1/quotes/Q-999", headers=BROWSER))["status"] == 404


def test_dead_link_speaks_the_language_of_the_browser_or_else_of_the_shop(
    counter: Counter, client: TestClient[Any]
) -> None:
    staff = Staff(counter, client)
    path = linked(staff)
    staff.done("/v1/quotes/Q1/links/revoke", None, staff.tag("Q1"))
    shop = counter.desk.service.workshop.shop.language
    asked = {"de-AT, en;q=0.5": "de", "en": "en", "fr, de;q=0.2": "de", "fr": shop, "": shop}
    for dead, status in ((path, 410), ("/v1/links/none", 404)):
        for languages, spoken in asked.items():
            headers = {"Authorization": "", **BROWSER, "Accept-Language": languages}
            answer = client.get(dead, headers=headers)
            assert answer.status_code == status
            assert f'<html lang="{spoken}"' in answer.text
            assert "Accept-Language" in answer.headers["Vary"]


def test_form_gets_a_page_though_it_is_too_large(counter: Counter, client: TestClient[Any]) -> None:
    path = linked(Staff(counter, client))
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    headers = {"Authorization": "", **kind, **BROWSER}

    answer = client.post(f"{path}/accept", content=b"who=" + b"a" * 20_000, headers=headers)

    assert answer.status_code == 413
    assert is_page(answer)


def test_head_of_a_page_has_its_length_and_no_body(client: TestClient[Any]) -> None:
    got, head = (
        client.request(method, "/v1/links/none", headers=BROWSER) for method in ("GET", "HEAD")
    )

    assert head.status_code == got.status_code == 404
    assert head.headers["content-length"] == str(len(got.content))
    assert not head.content


def test_public_path_may_stay_on_requests(counter: Counter) -> None:
    customers = make_customers(counter.desk, "https://shop.example/our/quotes")
    app = make_app(counter.desk, customers=customers)
    with client_of(app, counter.key) as client:
        path = linked(Staff(counter, client))

        assert bare(client, path).status_code == 200
        assert bare(client, f"/our/quotes{path}").status_code == 200
        # only links are found below it
        assert client.get("/our/quotes/v1/quotes").status_code == 404
        assert bare(client, f"/our/quotes/our/quotes{path}").status_code == 404


def test_customers_port_answers_links_and_nothing_else(tmp_path: Path) -> None:
    with run_live(tmp_path, "--customers-port", "0", "--trusted-proxy", "127.0.0.1") as live:
        assert live.process.stdout is not None
        line = live.process.stdout.readline()
        start = "listening for customers on "
        assert line.startswith(start)
        address = line.removeprefix(start).strip()
        headers = {"Authorization": f"Bearer {live.key}"}
        with httpx.Client(headers=headers, timeout=20) as client:
            path = linked(Staff(None, _Based(client, live.address)))  # type: ignore[arg-type]

            assert client.get(f"{address}{path}").json()["state"] == "issued"
            assert client.get(f"{live.address}{path}").json()["state"] == "issued"
            for closed in ("/v1/quotes", "/metrics", "/health/live", "/docs", "/", "/v1/links"):
                problem = sound_problem(client.get(f"{address}{closed}"))
                assert problem["code"] == "not-found"
                assert is_page(client.get(f"{address}{closed}", headers=BROWSER))
            for tricky in ("/v1/links/../quotes", "/v1/links/%2e%2e/quotes", "//v1/quotes"):
                assert _raw_status(address, tricky, live.key) == 404
            assert client.get(f"{live.address}/health/live").status_code == 200


class _Based:
    """A client of one address."""

    def __init__(self, client: httpx.Client, address: str) -> None:
        self._client = client
        self._address = address

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self._client.post(f"{self._address}{path}", **more)

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self._client.get(f"{self._address}{path}", **more)


def _raw_status(address: str, path: str, key: str) -> int:
    """Return the status of a path sent exactly as it is."""
    host, _, port = address.removeprefix("http://").partition(":")
    with socket.create_connection((host, int(port)), timeout=20) as raw:
        lines = f"GET {path} HTTP/1.1", "Host: a", f"Authorization: Bearer {key}"
        raw.sendall("\r\n".join((*lines, "Connection: close", "", "")).encode())
        return int(raw.recv(100).split()[1])
