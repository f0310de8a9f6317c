"""A client that goes away, at any moment, is no error in the log, and no warning either."""

import json
import random
import socket
import struct
import time
from pathlib import Path

from tests.attack.edge.raw import connect
from tests.bench.requests import distinct_requests
from tests.desks import Live, run_live

ROUNDS = 120


def reset(raw: socket.socket) -> None:
    """Close a connection with a reset, as a client does that was killed."""
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    raw.close()


def settle(live: Live) -> None:
    """Wait until the service has answered everything: it says nothing more while it is idle."""
    until, said, quiet = time.monotonic() + 60, "", 0
    while quiet < 3 and time.monotonic() < until:
        time.sleep(0.5)
        # asked under no name, so that it is in no log
        with connect(int(live.address.rpartition(":")[2])) as raw:
            raw.sendall(b"hello\r\n\r\n")
            raw.recv(1)
        before, said = said, live.log.read_text()
        quiet = quiet + 1 if said == before else 0


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
        settle(live)
        live.process.terminate()
        live.process.wait(30)
        lines = [json.loads(line) for line in live.log.read_text().splitlines()]

    told = [line for line in lines if line["level"] != "info"]
    assert told == []
    assert {line["event"] for line in lines} == {"request"}
    # requests cut in their heads are none yet
    assert len(lines) > ROUNDS // 10
