"""A running service takes over a changed catalogue, or goes on with the one that it has."""

import json
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.catalogue.one_family import write_one_family
from tests.desks import Live, run_live

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGHUP")

YARD = "shops/hire-yard.toml"
BODY = json.dumps(
    {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}], "on": "2027-03-01"}
).encode()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a small catalogue."""
    return write_one_family(tmp_path_factory.mktemp("renewed") / "catalog")


@pytest.fixture(scope="module")
def live(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with run_live(tmp_path_factory.mktemp("data"), "--catalog", str(folder)) as running:
        yield running


@pytest.fixture
def client(live: Live) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {live.key}"}
    with httpx.Client(base_url=live.address, headers=headers, timeout=60) as opened:
        yield opened


def edit(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")


def told(live: Live) -> list[dict[str, Any]]:
    """Return what the service has told of its catalogue so far."""
    log = live.log.read_text(encoding="utf-8").splitlines()
    return [line for line in map(json.loads, log) if line["event"].startswith("catalogue-")]


def hang_up(
    live: Live, client: httpx.Client, meanwhile: Callable[[], object] = lambda: None
) -> tuple[dict[str, Any], int]:
    """Ask for the catalogue to be read again; return what is told of that, and how many calls were
    answered until then. `meanwhile` is called again and again.
    """
    before = len(told(live))
    live.process.send_signal(signal.SIGHUP)
    answered = 0
    ends = time.monotonic() + 500
    while len(told(live)) == before:
        assert time.monotonic() < ends
        assert client.get("/health/ready").status_code == 200
        answered += 1
        meanwhile()
        time.sleep(0.05)
    return told(live)[-1], answered


def revision(client: httpx.Client) -> str:
    return str(client.get("/health/ready").json()["catalogue_revision"])


def new_key(client: httpx.Client) -> str:
    asked = {"name": "counter", "scopes": ["read"]}
    answer = client.post("/v1/keys", json=asked, headers={"Idempotency-Key": "one-key"})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["key"])


def begin(live: Live) -> socket.socket:
    """Begin a preview whose body is still to come."""
    port = int(live.address.rpartition(":")[2])
    raw = socket.create_connection(("127.0.0.1", port), timeout=60)
    head = (
        f"POST /v1/quotes/preview HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
        f"Authorization: Bearer {live.key}\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(BODY)}\r\n\r\n"
    )
    raw.sendall(head.encode() + BODY[:5])
    return raw


class UnderWay:
    """Previews whose bodies are still to come. The proof of a catalogue may take longer than a body
    may, so another is begun every few seconds. The older of the last two was begun well before
    whatever ends the wait.
    """

    def __init__(self, live: Live, stack: ExitStack) -> None:
        self._live = live
        self._stack = stack
        self._begun: list[socket.socket] = []
        self._next = 0.0

    def go_on(self) -> None:
        """Begin another preview, if the last is a few seconds old."""
        if time.monotonic() >= self._next:
            self._begun.append(self._stack.enter_context(closing(begin(self._live))))
            self._next = time.monotonic() + 6

    def end(self) -> dict[str, Any]:
        """Return the answer of the older of the last two."""
        return end(self._begun[-2:][0])


def end(raw: socket.socket) -> dict[str, Any]:
    """Send what is missing of a preview; return its answer."""
    raw.sendall(BODY[5:])
    whole = b"".join(iter(lambda: raw.recv(65_536), b""))
    found: dict[str, Any] = json.loads(whole.partition(b"\r\n\r\n")[2])
    return found


def test_sighup_keeps_a_catalogue_that_can_not_be_read(
    folder: Path, live: Live, client: httpx.Client
) -> None:
    before = revision(client)
    edit(folder, YARD, 'language = "en"', 'language = "fr"')
    try:
        line, _ = hang_up(live, client)
    finally:
        edit(folder, YARD, 'language = "fr"', 'language = "en"')

    assert (line["event"], line["level"]) == ("catalogue-refused", "error")
    assert line["catalogue_revision"] == before == revision(client)
    assert any(YARD in reason and "'fr'" in reason for reason in line["reasons"])


def test_sighup_keeps_a_catalogue_that_does_not_stand_its_proof(
    folder: Path, live: Live, client: httpx.Client
) -> None:
    before = revision(client)
    family, part = "families/QM-H27.toml", 'id = "H27-E-901", name = "Spark plug", maker = '
    edit(folder, family, f'{part}"Quellmar"', f'{part}"Nobody"')
    try:
        line, answered = hang_up(live, client)
    finally:
        edit(folder, family, f'{part}"Nobody"', f'{part}"Quellmar"')

    assert line["event"] == "catalogue-refused"
    assert line["catalogue_revision"] == before == revision(client)
    assert any("no supplier has" in reason for reason in line["reasons"])
    # whoever calls meanwhile does not wait for the proof
    assert answered > 10


def test_sighup_takes_a_changed_catalogue_whole(
    folder: Path, live: Live, client: httpx.Client
) -> None:
    before, tag = revision(client), client.get("/v1/shop").headers["etag"]
    key = new_key(client)
    old = client.post(
        "/v1/quotes/preview", content=BODY, headers={"Content-Type": "application/json"}
    )
    with ExitStack() as stack:
        under_way = UnderWay(live, stack)
        under_way.go_on()
        edit(folder, YARD, 'tech = "95.00"', 'tech = "950.00"')
        line, answered = hang_up(live, client, under_way.go_on)
        finished = under_way.end()

    assert line["event"] == "catalogue-taken"
    assert line["catalogue_revision"] == revision(client) != before
    assert any("rate-far-off" in warning for warning in line["warnings"])
    assert answered > 10
    # what was under way is of the catalogue that it began with
    assert finished == old.json()
    new = client.post(
        "/v1/quotes/preview", content=BODY, headers={"Content-Type": "application/json"}
    )
    assert new.json()["catalogue_revision"] == line["catalogue_revision"]
    assert new.json()["totals"] != finished["totals"]
    shop = client.get("/v1/shop", headers={"If-None-Match": tag})
    assert shop.status_code == 200
    assert shop.json()["labour_rates"]["tech"] == "950"
    # keys that were made before are let in
    headers = {"Authorization": f"Bearer {key}"}
    assert client.get("/v1/shop", headers=headers).status_code == 200


def test_sighup_leaves_an_unchanged_catalogue_alone(live: Live, client: httpx.Client) -> None:
    before = revision(client)

    line, _ = hang_up(live, client)

    assert (line["event"], line["catalogue_revision"]) == ("catalogue-taken", before)
