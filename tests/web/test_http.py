"""HTTP: methods, paths, media types, conditions and headers, whatever is asked for."""

import json
import re
from typing import Any

import pytest
from litestar.testing import TestClient
from tests.web.asgi import ask
from tests.web.problem import sound_problem

from kitwright.app import ALL_OPERATIONS
from kitwright.web.calls.all import KEPT_OPERATIONS
from kitwright.web.calls.service import Service
from kitwright.web.edge.edge import MOST_PATH, Edge

PREVIEW = "/v1/quotes/preview"
READS = {
    "/v1/families": "GET",
    "/v1/families/QM-H27": "GET",
    "/v1/chassis": "GET",
    "/v1/chassis/PW-G5": "GET",
    "/v1/diagnoses": "GET",
    "/v1/diagnoses/VALVE-EX": "GET",
    "/v1/jobs": "GET",
    "/v1/jobs/J-HEAD-GASKET": "GET",
    "/v1/parts/H27-G-102": "GET",
    "/v1/parts/H27-K-011": "GET",
    "/v1/parts/CS-OIL": "GET",
    "/v1/tax-areas": "GET",
    "/v1/overrun-presets": "GET",
    "/v1/overrun-presets/florida-vehicles": "GET",
    "/v1/shop": "GET",
    "/health/live": "GET",
    "/health/ready": "GET",
    "/metrics": "GET",
    "/problems": "GET",
    "/problems/not-json": "GET",
    "/problems/unknown-family": "GET",
    "/openapi.json": "GET",
    "/docs": "GET",
}
CONDITIONAL = [path for path in READS if not path.startswith(("/health", "/metrics"))]


def test_reads_cover_every_operation() -> None:
    kept = {one.id for one in KEPT_OPERATIONS}
    patterns = {
        one.id: re.sub(r"\{\w+\}", "[^/]+", one.path)
        for one in ALL_OPERATIONS
        if one.method == "get" and one.id not in kept
    }

    missed = [
        name
        for name, pattern in patterns.items()
        if not any(re.fullmatch(pattern, path) for path in READS)
    ]

    assert not missed


@pytest.mark.parametrize("path", READS)
def test_head_answers_as_get_does_without_the_body(client: TestClient[Any], path: str) -> None:
    got, head = client.get(path), client.head(path)

    assert got.status_code == head.status_code == 200
    assert got.content
    assert not head.content
    changing = {"x-request-id", *(("content-length",) if path == "/metrics" else ())}
    there = {name: value for name, value in got.headers.items() if name not in changing}
    assert {name: value for name, value in head.headers.items() if name not in changing} == there


@pytest.mark.parametrize("path", ["/v1/families", "/openapi.json", "/docs", "/nothing"])
def test_head_leaves_the_body_out_itself(app: Edge, path: str) -> None:
    # clients and servers drop a body that should not be there, so this looks behind them
    got, head = (ask(app, path, method=method) for method in ("GET", "HEAD"))

    assert got.content
    assert head.content == b""
    assert head.headers["content-length"] == str(len(got.content))


def test_head_of_nothing_is_a_problem_without_its_body(client: TestClient[Any]) -> None:
    head = client.head("/v1/families/NONE")

    assert head.status_code == 404
    assert head.headers["content-type"] == "application/problem+json"
    assert not head.content


@pytest.mark.parametrize("path", READS)
def test_options_of_a_read_names_its_methods(client: TestClient[Any], path: str) -> None:
    answer = client.options(path)

    assert answer.status_code == 204
    assert answer.headers["allow"] == "GET, HEAD, OPTIONS"
    assert not answer.content


def test_options_of_preview_names_its_methods(client: TestClient[Any]) -> None:
    answer = client.options(PREVIEW)

    assert answer.status_code == 204
    assert answer.headers["allow"] == "OPTIONS, POST"


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "TRACE", "PROPFIND"])
@pytest.mark.parametrize("path", READS)
def test_wrong_method_of_a_read_names_the_right_ones(
    client: TestClient[Any], path: str, method: str
) -> None:
    answer = client.request(method, path)

    assert sound_problem(answer)["code"] == "method-not-allowed"
    assert answer.headers["allow"] == "GET, HEAD, OPTIONS"


@pytest.mark.parametrize("method", ["GET", "PUT", "PATCH", "DELETE"])
def test_wrong_method_of_preview_names_the_right_ones(client: TestClient[Any], method: str) -> None:
    answer = client.request(method, PREVIEW)

    assert sound_problem(answer)["code"] == "method-not-allowed"
    assert answer.headers["allow"] == "OPTIONS, POST"


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/v1",
        "/v1/",
        "/v2/families",
        "/V1/families",
        "/v1/families/QM-H27/parts",
        "/v1/families/QM%2FH27",
        "/v1/families/..%2f..%2fetc",
        "/v1/parts",
        "/v1/tax-areas/example-county",
        "/v1/quote",
        "/index.html",
        "//v1//families",
        "/%00",
        "/%FF%FE",
        "/{id}",
    ],
)
def test_unknown_path_is_not_found(client: TestClient[Any], path: str) -> None:
    assert sound_problem(client.get(path))["code"] == "not-found"


@pytest.mark.parametrize(
    ("path", "word"),
    [
        ("/v1/families/QM-H28", "no engine family 'QM-H28'; did you mean QM-H27?"),
        ("/v1/families/qm-h27", "engine family"),
        ("/v1/families/%00", "engine family '\\x00'"),
        ("/v1/families/%ff", "engine family"),
        ("/v1/families/QM-H27%20", "did you mean QM-H27?"),
        ("/v1/families/..", "no"),
        ("/v1/chassis/none", "no chassis 'none'"),
        ("/v1/diagnoses/VALVE", "no diagnosis 'VALVE'"),
        ("/v1/jobs/J-HEAD", "no job 'J-HEAD'"),
        ("/v1/parts/H27-G-999", "no part, set or consumable 'H27-G-999'"),
        ("/v1/overrun-presets/florida", "no overrun preset 'florida'"),
        ("/problems/none", "no code 'none'"),
        (f"/v1/families/{'A' * 1_000}", "no engine family"),
    ],
)
def test_unknown_record_is_named(client: TestClient[Any], path: str, word: str) -> None:
    # httpx would resolve the dots by itself
    answer = client.get(path.replace("..", "%2E%2E"))

    told = sound_problem(answer)
    assert told["code"] == "unknown-record"
    assert word in told["detail"]
    assert len(told["detail"]) < 300


@pytest.mark.parametrize("path", [*READS, PREVIEW])
def test_path_may_end_in_a_slash(client: TestClient[Any], path: str) -> None:
    assert client.options(f"{path}/").status_code == 204


@pytest.mark.parametrize(
    ("sent", "same"),
    [
        ("/v1/families/QM%2DH27", "/v1/families/QM-H27"),
        ("/v1/families/%51%4d-H27", "/v1/families/QM-H27"),
        ("/%76%31/families", "/v1/families"),
        ("/v1/families/QM-H27?unknown=1&x", "/v1/families/QM-H27"),
    ],
)
def test_path_may_be_percent_encoded(client: TestClient[Any], sent: str, same: str) -> None:
    assert client.get(sent).content == client.get(same).content


@pytest.mark.parametrize("length", [MOST_PATH + 1, 65_000])
def test_very_long_path_is_refused(client: TestClient[Any], length: int) -> None:
    answer = client.get("/v1/families/".ljust(length, "A"))

    assert sound_problem(answer)["code"] == "path-too-long"


def test_long_path_is_looked_up(client: TestClient[Any]) -> None:
    answer = client.get("/v1/families/".ljust(MOST_PATH, "A"))

    assert sound_problem(answer)["code"] == "unknown-record"


@pytest.mark.parametrize(
    "sent",
    [
        "application/json",
        "application/json; charset=utf-8",
        'Application/JSON;CHARSET="UTF-8"',
        "application/json; charset=utf8; profile=x",
        "application/json;",
    ],
)
def test_preview_takes_json(
    client: TestClient[Any], leaking_valve: dict[str, Any], sent: str
) -> None:
    answer = client.post(PREVIEW, content=json.dumps(leaking_valve), headers={"Content-Type": sent})

    assert answer.status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Content-Type": ""},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "multipart/form-data; boundary=x"},
        {"Content-Type": "application/problem+json"},
        {"Content-Type": "application/json, text/plain"},
        {"Content-Type": "application/json; charset=utf-16"},
        {"Content-Type": "application/json; charset=iso-8859-1"},
        {"Content-Type": ";;;=\"'"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
        {"Content-Type": "application/json", "Content-Encoding": "br, identity"},
    ],
)
def test_preview_refuses_another_media_type(
    client: TestClient[Any], leaking_valve: dict[str, Any], headers: dict[str, str]
) -> None:
    request = client.build_request(
        "POST", PREVIEW, content=json.dumps(leaking_valve), headers=headers
    )

    answer = client.send(request)

    assert sound_problem(answer)["code"] == "wrong-media-type"
    assert answer.headers["accept"] == "application/json"


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        ("*/*", "application/json"),
        ("application/json", "application/json"),
        ("application/*", "application/json"),
        ("text/plain", "text/plain; charset=utf-8"),
        ("text/*, application/json;q=0.5", "text/plain; charset=utf-8"),
        ("text/plain;q=0.5, application/json;q=0.4", "text/plain; charset=utf-8"),
        ("text/plain;q=0.5, application/json", "application/json"),
        ("text/html, */*;q=0.1", "application/json"),
        ("application/json;q=0, */*", "text/plain; charset=utf-8"),
        ("APPLICATION/JSON", "application/json"),
        ("application/json; version=2", "application/json"),
        ("text/html;level=1,application/xhtml+xml,*/*;q=0.8", "application/json"),
        ("garbage, application/json", "application/json"),
    ],
)
def test_preview_answers_in_the_form_that_is_accepted(
    client: TestClient[Any], leaking_valve: dict[str, Any], accept: str, form: str
) -> None:
    answer = client.post(PREVIEW, json=leaking_valve, headers={"Accept": accept})

    assert answer.status_code == 200
    assert answer.headers["content-type"] == form
    assert answer.headers["vary"] == "Accept"


@pytest.mark.parametrize(
    "accept",
    [
        "text/html",
        "application/xml",
        "application/json;q=0",
        "*/*;q=0",
        "text/html, application/json;q=0.0",
        "garbage",
        "application/json;q=many",
        "",
        ";;;",
        "*/json",
    ],
)
def test_form_that_nobody_has_is_not_acceptable(client: TestClient[Any], accept: str) -> None:
    answer = client.get("/v1/families", headers={"Accept": accept})

    told = sound_problem(answer)
    assert told["code"] == "not-acceptable"
    assert "application/json" in told["detail"]


@pytest.mark.parametrize("path", READS)
def test_read_refuses_a_form_it_does_not_have(client: TestClient[Any], path: str) -> None:
    answer = client.get(path, headers={"Accept": "image/png"})

    assert sound_problem(answer)["code"] == "not-acceptable"


def test_accept_may_come_in_several_headers(client: TestClient[Any]) -> None:
    headers = [("Accept", "text/html"), ("Accept", "application/json")]

    assert client.get("/v1/families", headers=headers).status_code == 200


@pytest.mark.parametrize("path", CONDITIONAL)
def test_read_that_the_caller_has_is_not_sent_again(client: TestClient[Any], path: str) -> None:
    first = client.get(path)
    tag = first.headers["etag"]

    again = client.get(path, headers={"If-None-Match": tag})

    assert again.status_code == 304
    assert not again.content
    assert again.headers["etag"] == tag
    assert again.headers["cache-control"] == first.headers["cache-control"] == "no-cache"
    assert "content-length" not in again.headers
    assert "content-type" not in again.headers


@pytest.mark.parametrize(
    "known",
    ["{}", "W/{}", '"other", {}', '"a,b", W/{}, "c"', "*", " * ", '"x",{}'],
)
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_if_none_match_knows_weak_tags_and_lists(
    client: TestClient[Any], method: str, known: str
) -> None:
    tag = client.get("/v1/jobs").headers["etag"]

    answer = client.request(method, "/v1/jobs", headers={"If-None-Match": known.format(tag)})

    assert answer.status_code == 304


@pytest.mark.parametrize("known", ['"other"', 'W/"other"', "", "other", '"', "{}x", '"*"'])
def test_if_none_match_of_something_else_sends_all(client: TestClient[Any], known: str) -> None:
    bare = client.get("/v1/jobs").headers["etag"].strip('"')

    answer = client.get("/v1/jobs", headers={"If-None-Match": known.format(bare)})

    assert answer.status_code == 200
    assert answer.content


def test_if_none_match_may_come_in_several_headers(client: TestClient[Any]) -> None:
    tag = client.get("/v1/jobs").headers["etag"]
    headers = [("If-None-Match", '"other"'), ("If-None-Match", tag)]

    assert client.get("/v1/jobs", headers=headers).status_code == 304


@pytest.mark.parametrize("known", ["other, {}", "{} {}", "*, {}", "w/{}"])
def test_if_none_match_that_is_malformed_sends_all(client: TestClient[Any], known: str) -> None:
    tag = client.get("/v1/jobs").headers["etag"]

    answer = client.get("/v1/jobs", headers={"If-None-Match": known.format(tag, tag)})

    assert answer.status_code == 200
    assert answer.content


def test_etag_differs_by_resource(client: TestClient[Any]) -> None:
    tags = {client.get(path).headers["etag"] for path in CONDITIONAL}

    assert len(tags) == len(CONDITIONAL)


@pytest.mark.parametrize(
    ("method", "path"),
    [*((method, path) for path, method in READS.items()), ("GET", "/nope"), ("PUT", PREVIEW)],
)
def test_answer_is_hardened(client: TestClient[Any], method: str, path: str) -> None:
    headers = client.request(method, path).headers

    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["content-security-policy"].startswith("default-src 'none';")
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["cache-control"] in ("no-store", "no-cache")
    assert "server" not in headers


def test_quote_is_not_kept_on_the_way(
    client: TestClient[Any], leaking_valve: dict[str, Any]
) -> None:
    assert client.post(PREVIEW, json=leaking_valve).headers["cache-control"] == "no-store"


def test_readiness_names_shop_and_revision(client: TestClient[Any], service: Service) -> None:
    assert client.get("/health/ready").json() == {
        "status": "ready",
        "shop": "hire-yard",
        "catalogue_revision": service.revision,
    }


def test_host_that_is_none_is_refused(client: TestClient[Any]) -> None:
    answer = client.get("/v1/families", headers={"Host": "a host"})

    assert sound_problem(answer)["code"] == "bad-request"
