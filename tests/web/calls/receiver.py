"""A receiver of webhooks on this machine that keeps what comes, and answers as it is told."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NamedTuple


class Post(NamedTuple):
    """What was posted."""

    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> Any:
        """The event in it."""
        return json.loads(self.body)["data"]


class Receiver:
    """What came, in order; `answers` are the next statuses, 200 where none is left."""

    def __init__(self, address: str) -> None:
        self.url = f"{address}/in"
        self.posts: list[Post] = []
        self.answers: list[int] = []
        self.is_held = False
        """Whether posts are left without an answer."""
        self.came = threading.Condition()
        self.is_over = threading.Event()

    def wait_for(self, count: int, seconds: float = 20) -> list[Post]:
        """Return what came, once it is so many posts."""
        with self.came:
            found = self.came.wait_for(lambda: len(self.posts) >= count, seconds)
            assert found, f"{len(self.posts)} posts of {count} came"
            return list(self.posts)

    @property
    def seqs(self) -> list[int]:
        """The place of each event that came."""
        return [post.event["seq"] for post in self.posts]


@contextmanager
def receive() -> Iterator[Receiver]:
    """Receive at a free port of this machine."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            with receiver.came:
                receiver.posts.append(Post(headers, body))
                status = receiver.answers.pop(0) if receiver.answers else 200
                receiver.came.notify_all()
            if receiver.is_held:
                receiver.is_over.wait(30)
                return
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        receiver = Receiver(f"http://127.0.0.1:{server.server_port}")
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield receiver
        finally:
            receiver.is_over.set()
            server.shutdown()
            thread.join()
