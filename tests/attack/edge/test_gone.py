"""A client that goes away, at any moment, is no error in the log, and no warning either."""

import json
import random
import socket
import struct
import time
from pathlib import Path
from urllib.request import Request, urlopen

from tests.attack.edge.raw import connect, only_linux
from tests.bench.preview import processor_seconds
from tests.bench.requests import distinct_requests
from tests.desks import Live, run_live

ROUNDS = 120


def reset(raw: socket.socket) -> None:
    """Close a connection with a reset, as a client does that was killed."""
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    raw.close()


def settle(live: Live, body: bytes) -> None:
    """Wait until the service has done what it was asked: then it uses no processor time."""
    headers = {"Authorization": f"Bearer {live.key}", "Idempotency-Key": '"last"'}
    headers["Content-Type"] = "application/json"
    asked = Request(f"{live.address}/v1/quotes", body, headers)
    with urlopen(asked, timeout=120) as answer:
        assert answer.status == 201
    until, used, quiet = time.monotonic() + 60, 0.0, 0
    while quiet < 3 and time.monotonic() < until:
        time.sleep(0.3)
        before, used = used, processor_seconds(live.process.pid)
        # it looks at its connections ten times a second
        quiet = quiet + 1 if used - before < 0.03 else 0


@only_linux
def test_client_that_goes_away_is_no_error(tmp_path: Path) -> None:
    luck = random.Random(7)
    with run_live(tmp_path) as live:
        port = int(live.address.rpartition(":")[2])
        bodies = distinct_requests(ROUNDS)
        for number, body in enumerate(bodies):
            path = ("/v1/quotes/preview", "/v1/quotes", "/v1/links/none/accept")[number % 3]
            head = (
                f"POST {path} HTTP/1.1\r\nHost: a\r\nAuthorization: Bearer {live.key}\r\n"
                f'Idempotency-Key: "{number}"\r\nContent-Type: application/json\r\n'
                f"Content-Length: {len(body)}\r\n\r\n"
            )
            whole = head.encode() + body
            raw = connect(port)
            # cut anywhere, or sent as a whole and left before, while or after it is answered
            end = luck.choice((luck.randrange(len(whole)), len(whole), len(whole)))
            raw.sendall(whole[:end])
            time.sleep(luck.choice((0, 0, 0.002, 0.01, 0.03)))
            if luck.random() < 0.5:
                reset(raw)
            else:
                raw.close()
        for noise in (b"\x16\x03\x01", b"hello\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n"):
            with connect(port) as raw:
                raw.sendall(noise)
        settle(live, bodies[0])
        live.process.terminate()
        live.process.wait(30)
        lines = [json.loads(line) for line in live.log.read_text().splitlines()]

    told = [line for line in lines if line["level"] != "info"]
    assert told == []
    assert {line["event"] for line in lines} == {"request"}
    # requests cut in their heads are none yet
    assert len(lines) > ROUNDS // 10
