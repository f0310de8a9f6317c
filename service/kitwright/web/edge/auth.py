"""Auth: who may call what, how often, and on whose behalf.

A key is shown as `Authorization: Bearer kw_...`; for reading also as the password of
`Authorization: Basic`, which browsers know how to ask for. Whatever may be done without a key is
marked so in its operation, nothing else.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from typing import Any, Final

from litestar.connection import ASGIConnection
from litestar.handlers import BaseRouteHandler
from litestar.types import Guard, HTTPScope
from msgspec import structs

from kitwright.keeping.key import KeyHash, KeyMalformed, Scope, is_same, may, read_key
from kitwright.keeping.record import KeyRecord
from kitwright.web.edge.limits import Limits, retry_after
from kitwright.web.edge.operation import operation_of
from kitwright.web.edge.problems import Refusal

_CHALLENGE: Final = {"WWW-Authenticate": 'Bearer realm="kitwright"'}
_READING_CHALLENGE: Final = {
    "WWW-Authenticate": 'Basic realm="kitwright", charset="UTF-8", Bearer realm="kitwright"'
}

_MOST_SHOWN: Final = 1_000
ASKED: Final = "asked_for_key"
"""Set in the state of a request once it was let in or refused."""


class Keyring:
    """The keys of a service, as they are kept, and how often each may call.

    Args:
        keys: all that are kept.
        by_key, by_address: how often a key, and an address without one, may call.
        used: told when a key is used for the first time on a day.
        today: the day in the shop's time zone.
    """

    def __init__(
        self,
        keys: Mapping[str, KeyRecord],
        *,
        by_key: Limits,
        by_address: Limits,
        used: Callable[[KeyRecord], None],
        today: Callable[[], date],
    ) -> None:
        self._keys = dict(keys)
        self._by_key = by_key
        self._by_address = by_address
        self._used = used
        self.today = today
        self._shown: dict[str, str] = {}
        """What was shown and found good -> the id of its key. Bounded; a key that is revoked or
        changed is still found as it is kept now.
        """

    def know(self, key: KeyRecord) -> None:
        """Take a key that was made or changed."""
        self._keys[key.id] = key

    def admit(self, request: HTTPScope, scope: Scope | None, *, is_limited: bool = False) -> None:
        """Let a call in that needs a scope, with its key in the state of the request, or refuse it.

        Without a scope nobody needs a key; then calls may be limited by their address.

        Raises: Refusal: key-missing, key-refused, scope-missing, too-many-calls.
        """
        request["state"][ASKED] = True
        if request["method"] == "OPTIONS":
            # which methods a path takes is no secret
            self._slow_down(self._by_address, _address(request))
            return
        if scope is None:
            if is_limited:
                self._slow_down(self._by_address, _address(request))
            return
        is_reading = request["method"] == "GET"
        challenge = _READING_CHALLENGE if is_reading else _CHALLENGE
        shown = _shown(request["headers"], is_reading)
        key = None if shown is None else self._find(shown)
        if key is None:
            # whoever guesses is slowed down, whatever it is they guess
            self._slow_down(self._by_address, _address(request))
            if shown is None:
                detail = "send a key, as in `Authorization: Bearer kw_...`"
                raise Refusal("key-missing", detail, headers=challenge)
            raise Refusal(
                "key-refused", "this key is not known, mistyped or revoked", headers=challenge
            )
        self._slow_down(self._by_key, key.id)
        if not may(key.scopes, scope):
            raise Refusal(
                "scope-missing",
                f"this call needs the scope {scope.value}; the key {key.id} has "
                f"{', '.join(sorted(key.scopes))}",
            )
        today = self.today()
        if key.last_used_on != today:
            key = structs.replace(key, last_used_on=today)
            self.know(key)
            self._used(key)
        request["state"]["key"] = key.id

    def _find(self, shown: str) -> KeyRecord | None:
        met = self._shown.get(shown)
        if met is not None:
            known = self._keys[met]
            return known if known.revoked_at is None else None
        try:
            named, shown_hash = read_key(shown)
        except KeyMalformed:
            return None
        key = self._keys.get(named)
        if key is None or key.revoked_at is not None:
            return None
        if not is_same(KeyHash(key.hash), shown_hash):
            return None
        if len(self._shown) >= _MOST_SHOWN:
            self._shown.clear()
        self._shown[shown] = key.id
        return key

    @staticmethod
    def _slow_down(limits: Limits, who: str) -> None:
        wait = limits.take(who)
        if wait:
            seconds = retry_after(wait)
            raise Refusal(
                "too-many-calls",
                f"wait {seconds} s before the next call",
                headers={"Retry-After": str(seconds)},
            )


def guard(keyring: Keyring) -> Guard:
    """Return the guard that lets calls in or refuses them, by the operation of their handler.

    One without an operation is the owner's only.
    """

    # a plain function would be run in another thread
    async def admit(
        connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler
    ) -> None:
        request: Any = connection.scope
        # once only: a short way past the framework may have asked already
        if ASKED not in request["state"]:
            operation = operation_of(handler)
            scope = Scope.OWNER if operation is None else operation.scope
            is_limited = operation is not None and operation.is_limited
            keyring.admit(request, scope, is_limited=is_limited)

    return admit


def _shown(headers: Iterable[tuple[bytes, bytes]], is_reading: bool) -> str | None:
    """Return the key that a request shows, None where there is none."""
    value = next((value for name, value in headers if name == b"authorization"), None)
    if value is None:
        return None
    scheme, _, rest = value.decode("latin-1").partition(" ")
    rest = rest.strip()
    if scheme.lower() == "bearer":
        return rest
    if scheme.lower() == "basic" and is_reading:
        # a browser sends it along by itself, so it must change nothing
        try:
            return base64.b64decode(rest, validate=True).decode().partition(":")[2]
        except ValueError:
            # no base64, no UTF-8, or a header that is not even ASCII
            return ""
    return None


def _address(request: HTTPScope) -> str:
    client = request["client"]
    return "" if client is None else client[0]
