"""Photographs over the wire: added, looked at and dropped, and what is none."""

import hashlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from litestar.testing import TestClient
from tests.desks import Counter, client_of, open_counter
from tests.web.calls.shop import JPEG, LEAKING_VALVE, Kept, add, kept, once, png, problem

from kitwright.app import make_app
from kitwright.keeping.photo import MOST_PHOTOS
from kitwright.keeping.store import StoreFull
from kitwright.web.calls.service import Service

Client = TestClient[Any]


@pytest.fixture(scope="session")
def step(service: Service) -> str:
    """Return what a photograph of a step of the leaking valve's engine is asked with."""
    catalogue = service.workshop.catalogue
    layout = catalogue.layouts[catalogue.families["QM-H27"].layout]  # type: ignore[index]
    return f"subject=step&code={layout.component[0].id}"


@pytest.fixture
def quote(client: Client) -> str:
    return add(client, "/v1/quotes", LEAKING_VALVE).id


@pytest.fixture
def alone(service: Service, tmp_path: Path) -> Iterator[Counter]:
    with open_counter(service, tmp_path) as opened:
        yield opened


def send(client: Client, quote: str, data: bytes, asked: str, media: str = "image/png") -> Any:
    path = f"/v1/quotes/{quote}/photos?{asked}"
    return client.post(path, content=data, headers={**once(), "Content-Type": media})


def put(client: Client, quote: str, data: bytes, asked: str, media: str = "image/png") -> Kept:
    return kept(send(client, quote, data, asked, media))


def files(counter_folder: Path) -> list[str]:
    return sorted(one.name for one in (counter_folder / "photos").rglob("*") if one.is_file())


@pytest.mark.parametrize(("data", "media"), [(png(1), "image/png"), (JPEG, "image/jpeg")])
def test_add_keeps_a_bare_file_byte_for_byte(
    client: Client, quote: str, step: str, data: bytes, media: str
) -> None:
    answer = send(client, quote, data, f"{step}&cylinder=1", media)
    photo = kept(answer)
    name = hashlib.sha256(data).hexdigest()
    assert (answer.status_code, answer.headers["location"]) == (201, f"/v1/photos/{photo.id}")
    assert photo.record == {
        "id": photo.id,
        "quote": quote,
        "subject": "step",
        "code": step.rpartition("=")[2],
        "cylinder": 1,
        "media_type": media,
        "size": len(data),
        "sha256": name,
        "path": f"/v1/photos/{photo.id}/file",
        "thumbnail": f"/v1/photos/{photo.id}/thumbnail",
        "made_at": photo.record["made_at"],
        "ticket": None,
    }
    assert kept(client.get(f"/v1/photos/{photo.id}")) == photo
    file = client.get(photo.record["path"])
    assert file.content == data
    assert file.headers["content-type"] == media
    assert file.headers["content-disposition"] == "inline"
    assert file.headers["x-content-type-options"] == "nosniff"
    assert file.headers["content-security-policy"].startswith("default-src 'none'")
    assert file.headers["etag"] == f'"{name[:32]}"'


def test_file_answers_304_to_who_has_it(client: Client, quote: str, step: str) -> None:
    photo = put(client, quote, png(2), step).record
    tag = client.get(photo["path"]).headers["etag"]
    again = client.get(photo["path"], headers={"If-None-Match": tag})
    assert (again.status_code, again.content) == (304, b"")


def test_file_is_no_other_type_than_it_is(client: Client, quote: str, step: str) -> None:
    photo = put(client, quote, png(3), step).record
    answer = client.get(photo["path"], headers={"Accept": "image/jpeg"})
    problem(answer, 406, "not-acceptable")
    assert client.get(photo["path"], headers={"Accept": "image/*"}).status_code == 200


def test_list_names_the_photos_of_one_quote(client: Client, quote: str, step: str) -> None:
    other = add(client, "/v1/quotes", LEAKING_VALVE).id
    put(client, other, png(4), step)
    made = [put(client, quote, png(shade), step).record for shade in (5, 6)]
    assert client.get(f"/v1/quotes/{quote}/photos").json() == {"items": made}


def test_add_changes_nothing_of_the_quote_and_notes_an_event(
    client: Client, counter: Counter, quote: str, step: str
) -> None:
    before = client.get(f"/v1/quotes/{quote}").headers["etag"]
    photo = put(client, quote, png(7), step)
    assert client.get(f"/v1/quotes/{quote}").headers["etag"] == before
    client.delete(f"/v1/photos/{photo.id}")
    events = counter.store.read(
        lambda records: records.events.of_subject(f"photo:{photo.id.removeprefix('P')}")
    )
    assert [(one.kind, one.facts["quote"]) for one in events] == [
        ("photo.added", quote),
        ("photo.dropped", quote),
    ]


def test_add_twice_under_one_key_keeps_one(client: Client, quote: str, step: str) -> None:
    headers = {**once(), "Content-Type": "image/png"}
    path = f"/v1/quotes/{quote}/photos?{step}"
    one = client.post(path, content=png(8), headers=headers)
    two = client.post(path, content=png(8), headers=headers)
    assert two.json() == one.json()
    assert len(client.get(f"/v1/quotes/{quote}/photos").json()["items"]) == 1
    other = client.post(path, content=png(9), headers=headers)
    problem(other, 422, "idempotency-key-reused")
    assert client.get(one.json()["path"]).content == png(8)


@pytest.mark.parametrize(
    "asked",
    [
        "subject=finding&code=cylinder_leakage",
        "subject=finding&code={finding}&cylinder=1",
        "subject=finding&code={reading}",
        "subject=step&code=engine_out",
    ],
)
def test_add_takes_findings_readings_and_steps_of_the_chassis(
    client: Client, service: Service, quote: str, asked: str
) -> None:
    rules = service.workshop.catalogue.rules
    known = {"finding": rules.finding[0].id, "reading": rules.reading[0].id}
    asked = asked.format(**known).replace("cylinder_leakage", rules.finding[-1].id)
    put(client, quote, png(10), asked)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("subject=step&code=engine_uot", "did you mean engine_out"),
        ("subject=finding&code=engine_out", "unknown finding"),
        ("subject=step&code=x", "unknown component"),
        ("subject=step&code=engine_out&cylinder=2", "cylinder"),
        ("subject=step&code=engine_out&cylinder=0", "cylinder"),
        ("subject=step&code=engine_out&cylinder=one", "cylinder"),
        ("subject=face&code=engine_out", "subject"),
        ("subject=step&code=..%2Fetc", "code"),
        ("subject=step", "code"),
        ("code=engine_out", "subject"),
        ("", "subject"),
        ("subject=step&code=engine_out&by=me", "by"),
    ],
)
def test_add_refuses_what_a_photo_can_not_be_of(
    client: Client, quote: str, asked: str, told: str
) -> None:
    document = problem(send(client, quote, png(), asked), 400, "query-invalid")
    assert told in document["detail"]


HTML = b"<!doctype html><script>alert(1)</script>"


@pytest.mark.parametrize(
    ("data", "media"),
    [
        (HTML, "image/png"),
        (HTML, "image/jpeg"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "image/png"),
        (b"GIF89a/*" + HTML, "image/png"),
        (b"\x00" + png(), "image/png"),
        (b"\n" + JPEG, "image/jpeg"),
        (JPEG, "image/png"),
        (png(), "image/jpeg"),
        (png(), "image/webp"),
        (b"RIFF\x10\x00\x00\x00WAVEfmt ", "image/webp"),
        (png(), "image/svg+xml"),
        (png(), "text/html"),
        (png(), "application/json"),
        (png(), "image/png2"),
        (HTML, "application/octet-stream"),
        (png(), ""),
        (b"\x89PNG", "image/png"),
    ],
)
def test_add_refuses_what_is_not_the_image_it_says(
    client: Client, quote: str, step: str, data: bytes, media: str
) -> None:
    answer = send(client, quote, data, step, media)
    document = problem(answer, 415, "wrong-media-type")
    assert "image/" in document["detail"]
    assert "image/webp" in answer.headers["accept"]
    assert client.get(f"/v1/quotes/{quote}/photos").json() == {"items": []}


@pytest.mark.parametrize(("data", "media"), [(JPEG, "image/jpeg"), (png(), "image/png")])
def test_add_takes_bytes_for_the_image_that_they_are(
    client: Client, quote: str, step: str, data: bytes, media: str
) -> None:
    answer = send(client, quote, data, step, "application/octet-stream")
    assert answer.status_code == 201, answer.text
    assert client.get(answer.json()["path"]).headers["content-type"] == media


def test_add_never_serves_a_picture_with_a_page_in_it_as_a_page(
    client: Client, quote: str, step: str
) -> None:
    data = png(11) + HTML
    answer = send(client, quote, data, step)
    if answer.status_code == 201:
        file = client.get(answer.json()["path"])
        assert file.headers["content-type"] == "image/png"
        assert file.headers["x-content-type-options"] == "nosniff"
    else:
        problem(answer, 415, "wrong-media-type")


def test_add_refuses_a_content_coding(client: Client, quote: str, step: str) -> None:
    headers = {**once(), "Content-Type": "image/png", "Content-Encoding": "gzip"}
    answer = client.post(f"/v1/quotes/{quote}/photos?{step}", content=png(), headers=headers)
    problem(answer, 415, "wrong-media-type")


def test_add_refuses_nothing_at_all(client: Client, quote: str, step: str) -> None:
    problem(send(client, quote, b"", step), 400, "body-invalid")


def test_add_takes_ten_mebibytes_and_no_more(client: Client, quote: str, step: str) -> None:
    most = 10 * 1024 * 1024
    bare = len(png(12, 1)) - 1
    exact = png(12, most - bare)
    assert len(exact) == most
    # filler is not stored
    assert put(client, quote, exact, step).record["size"] == len(png(12))
    problem(send(client, quote, exact + b"x", step), 413, "body-too-large")


def test_add_refuses_a_quote_that_is_none(client: Client, step: str) -> None:
    problem(send(client, "Q999999", png(), step), 404, "unknown-record")
    problem(client.get("/v1/quotes/Q999999/photos"), 404, "unknown-record")


@pytest.mark.parametrize("name", ["P999999", "Q1", "P0", "P1.png"])
def test_get_refuses_what_is_none(client: Client, name: str) -> None:
    problem(client.get(f"/v1/photos/{name}"), 404, "unknown-record")
    problem(client.get(f"/v1/photos/{name}/file"), 404, "unknown-record")
    problem(client.delete(f"/v1/photos/{name}"), 404, "unknown-record")


def test_drop_keeps_a_file_that_another_photo_needs(
    alone: Counter, tmp_path: Path, step: str
) -> None:
    with client_of(make_app(alone.desk), alone.key) as client:
        one, two = (add(client, "/v1/quotes", LEAKING_VALVE).id for _ in range(2))
        first, second = (put(client, quote, png(), step) for quote in (one, two))
        assert files(tmp_path) == [first.record["sha256"]]
        dropped = client.delete(f"/v1/photos/{first.id}")
        assert (dropped.status_code, dropped.json()) == (200, first.record)
        problem(client.get(first.record["path"]), 404, "unknown-record")
        assert client.get(second.record["path"]).content == png()
        client.delete(f"/v1/photos/{second.id}")
        assert files(tmp_path) == []


def test_add_holds_a_hundred_photos_a_quote(alone: Counter, tmp_path: Path, step: str) -> None:
    with client_of(make_app(alone.desk), alone.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        made = [put(client, quote, png(shade), step).id for shade in range(MOST_PHOTOS)]
        document = problem(send(client, quote, png(200), step), 409, "act-refused")
        assert document["errors"][0]["code"] == "too-many-photos"
        assert len(files(tmp_path)) == MOST_PHOTOS
        client.delete(f"/v1/photos/{made[7]}")
        put(client, quote, png(200), step)


def test_add_leaves_no_record_where_the_file_is_not_kept(
    alone: Counter, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: bytes) -> str:
        raise OSError(28, "no space left")

    with client_of(make_app(alone.desk), alone.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        monkeypatch.setattr(alone.desk.files, "put", full)
        problem(send(client, quote, png(), step), 507, "storage-full")
        assert client.get(f"/v1/quotes/{quote}/photos").json() == {"items": []}
        assert not alone.desk.arriving


def test_add_leaves_no_file_where_the_record_is_refused(
    alone: Counter, tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise StoreFull("no room for more")

    with client_of(make_app(alone.desk), alone.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        monkeypatch.setattr("kitwright.web.calls.photos.add_photo", refused)
        problem(send(client, quote, png(), step), 507, "storage-full")
        assert files(tmp_path) == []
        assert not alone.desk.arriving


@pytest.mark.parametrize(
    "work",
    [
        "kitwright.web.calls.handlers.fingerprint",
        "kitwright.web.calls.photos.sha256",
        "kitwright.web.calls.photos.reprinted",
        "desk.kind_of",
        "desk.files.put",
    ],
)
def test_add_lets_others_be_answered_while_a_picture_is_looked_at(
    alone: Counter, step: str, work: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, gate, held = Event(), Event(), list[bool]()

    def slowly(real: Callable[..., Any]) -> Callable[..., Any]:
        def replaced(*given: Any) -> Any:
            begun.set()
            # so long only where nobody else gets a turn
            held.append(gate.wait(10))
            return real(*given)

        return replaced

    where, _, name = work.rpartition(".")
    place = {"desk": alone.desk, "desk.files": alone.desk.files}.get(where) or import_module(where)
    with client_of(make_app(alone.desk), alone.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        monkeypatch.setattr(place, name, slowly(getattr(place, name)))
        with ThreadPoolExecutor(1) as other:
            sending = other.submit(send, client, quote, png(), step)
            assert begun.wait(10)
            answer = client.get(f"/v1/quotes/{quote}")
            gate.set()
            assert sending.result().status_code == 201
    assert answer.status_code == 200
    assert held == [True]


def test_drop_leaves_a_file_that_is_arriving(alone: Counter, tmp_path: Path, step: str) -> None:
    with client_of(make_app(alone.desk), alone.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        photo = put(client, quote, png(), step)
        # as if the same picture were just being sent for another quote
        alone.desk.arriving[photo.record["sha256"]] += 1
        client.delete(f"/v1/photos/{photo.id}")
        assert files(tmp_path) == [photo.record["sha256"]]


def test_file_says_when_it_is_lost(alone: Counter, step: str) -> None:
    with client_of(make_app(alone.desk), alone.key) as client:
        quote = add(client, "/v1/quotes", LEAKING_VALVE).id
        photo = put(client, quote, png(), step).record
        alone.desk.files.drop(photo["sha256"])
        problem(client.get(photo["path"]), 503, "storage-unavailable")
        assert client.get(f"/v1/photos/{photo['id']}").status_code == 200
