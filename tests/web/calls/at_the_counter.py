"""At the counter: what state machines of the API have in common."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any, ClassVar

from hypothesis.stateful import RuleBasedStateMachine
from tests.desks import client_of, open_counter

from kitwright.app import make_app
from kitwright.web.calls.service import Service


class AtTheCounter(RuleBasedStateMachine):
    """A shop with a data folder of its own, and a client of its API."""

    service: ClassVar[Service]

    def __init__(self) -> None:
        super().__init__()
        self._folder = tempfile.TemporaryDirectory()
        self.folder = Path(self._folder.name)
        self._counter = open_counter(self.service, self.folder)
        self.desk = self._counter.__enter__()
        self._opened = client_of(make_app(self.desk.desk), self.desk.key)
        self.client = self._opened.__enter__()
        self._keys = 0

    def teardown(self) -> None:
        self._opened.__exit__(None, None, None)
        self._counter.__exit__(None, None, None)
        self._folder.cleanup()

    def headers(self, etag: str | None = None) -> dict[str, str]:
        """Return the headers of a call that was never made before."""
        self._keys += 1
        key = {"Idempotency-Key": f'"k{self._keys}"'}
        return key if etag is None else {**key, "If-Match": etag}

    def post(self, path: str, body: Any, etag: str | None = None) -> Any:
        return self.client.post(path, json=body, headers=self.headers(etag))
