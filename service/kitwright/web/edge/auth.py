"""Auth: checks the key of each call, its scope and how often it calls.

The caller sends the key as `Authorization: Bearer kw_...`. A GET may also send it as the password
of `Authorization: Basic`, because browsers can ask for it that way. A call needs no key only if its
operation has no scope.
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
"""Name in a request's state; set once the request's key has been checked."""


class Keyring:
    """The stored keys of a service, with the limits on calls.

    Args:
        keys: all stored keys by id.
        by_key, by_address: limits for each key, and for each address without a valid key.
        used: called when a key is used for the first time on a day.
        today: returns the current day in the shop's time zone.
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
        """Key text that was accepted -> id of its key. Bounded; a revoked or changed key is still
        checked against its stored record.
        """

    def know(self, key: KeyRecord) -> None:
        """Add a new key, or replace a changed one."""
        self._keys[key.id] = key

    def admit(self, request: HTTPScope, scope: Scope | None, *, is_limited: bool = False) -> None:
        """Admit a call that needs a scope and put the key's id into the request's state, or refuse
        it.

        A call without a scope needs no key; it can be limited by address instead.

        Raises: Refusal: key-missing, key-refused, scope-missing, too-many-calls.
        """
        request["state"][ASKED] = True
        if request["method"] == "OPTIONS":
            # which methods a path takes is public
            self._slow_down(self._by_address, _address(request))
            return
        if scope is None:
            if is_limited:
                self._slow_down(self._by_address, _address(request))
            return
        is_reading = request["method"] in ("GET", "HEAD")
        challenge = _READING_CHALLENGE if is_reading else _CHALLENGE
        shown = _shown(request["headers"], is_reading)
        key = None if shown is None else self._find(shown)
        if key is None:
            # every call without a valid key counts, so guessing keys is slowed down
            self._slow_down(self._by_address, _address(request))
            if shown is None:
                detail = "send a key, as in `Authorization: Bearer kw_...`"
                raise Refusal("key-missing", detail, headers=challenge)
            raise Refusal(
                "key-refused", "this key is unknown, mistyped or revoked", headers=challenge
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
    """Return the guard that admits or refuses calls, by the operation of their handler.

    A handler without an operation needs the scope `owner`.
    """

    # a plain function would run in another thread
    async def admit(
        connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler
    ) -> None:
        request: Any = connection.scope
        # once only: a route past the framework may have checked the key already
        if ASKED not in request["state"]:
            operation = operation_of(handler)
            scope = Scope.OWNER if operation is None else operation.scope
            is_limited = operation is not None and operation.is_limited
            keyring.admit(request, scope, is_limited=is_limited)

    return admit


def _shown(headers: Iterable[tuple[bytes, bytes]], is_reading: bool) -> str | None:
    """Return the key text that a request sends, None if there is none, empty if unreadable."""
    value = next((value for name, value in headers if name == b"authorization"), None)
    if value is None:
        return None
    scheme, _, rest = value.decode("latin-1").partition(" ")
    rest = rest.strip()
    if scheme.lower() == "bearer":
        return rest
    if scheme.lower() == "basic" and is_reading:
        # browsers send it automatically, so it must not allow changes
        try:
            return base64.b64decode(rest, validate=True).decode().partition(":")[2]
        except ValueError:
            # not base64, not UTF-8, or a header that is not ASCII
            return ""
    return None


def _address(request: HTTPScope) -> str:
    client = request["client"]
    return "" if client is None else client[0]
