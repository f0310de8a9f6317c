"""Auth: checks the key of each call, its scope and how often it calls.

The caller sends the key as `Authorization: Bearer kw_...`. A GET may also send it as the password
of `Authorization: Basic`, because browsers can ask for it that way. A call needs no key only if its
operation has no scope.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, Final

from litestar import Request
from msgspec import structs

from kitwright.keeping.key import KeyHash, KeyMalformed, Scope, is_same, may, read_key
from kitwright.keeping.record import KeyRecord
from kitwright.web.edge.gate import Gate
from kitwright.web.edge.limits import Limits, retry_after
from kitwright.web.edge.operation import Operation, operation_of
from kitwright.web.edge.problems import Refusal

_BEARER: Final = 'Bearer realm="kitwright"'
_BASIC: Final = 'Basic realm="kitwright", charset="UTF-8"'


class Keyring:
    """The stored keys of a service, with the limits on calls.

    Args:
        keys: all stored keys by id.
        by_key, by_link, by_address: limits for each key, for each customer's link, and for each
            address without either.
        is_link: whether a text is the token of a link that this service has made.
        origin: returns the address that a request's scope comes from.
        used: called when a key is used for the first time on a day.
        today: returns the current day in the shop's time zone.
        gate: says which keys and calls are admitted while restored records are held.
    """

    def __init__(
        self,
        keys: Mapping[str, KeyRecord],
        *,
        by_key: Limits,
        by_link: Limits,
        by_address: Limits,
        is_link: Callable[[str], bool],
        origin: Callable[[Mapping[str, Any]], str],
        used: Callable[[KeyRecord], None],
        today: Callable[[], date],
        gate: Gate,
    ) -> None:
        self._keys = dict(keys)
        self._by_key = by_key
        self._by_link = by_link
        self._by_address = by_address
        self._is_link = is_link
        self._origin = origin
        self._used = used
        self.today = today
        self.gate = gate

    def know(self, key: KeyRecord) -> None:
        """Add a new key, or replace a changed one."""
        self._keys[key.id] = key

    # a plain function would run in another thread
    async def admit(self, request: Request[Any, Any, Any]) -> None:
        """Admit a call and put its key's id into the request's state, or refuse the call.

        A call without an operation needs the scope `owner`. One whose operation has no scope needs
        no key; it can be limited by link or address instead.

        Raises: Refusal: key-missing, key-refused, scope-missing, too-many-calls, records-held.
        """
        operation = operation_of(request.route_handler)
        # which methods a path takes is public
        if request.method == "OPTIONS" or (operation is not None and operation.scope is None):
            if operation is None or operation.is_limited:
                self._slow_down_keyless(request)
            self.gate.check(operation)
            return
        scope = Scope.OWNER if operation is None or operation.scope is None else operation.scope
        is_reading = request.method in ("GET", "HEAD")
        shown = _shown(request.headers.get("authorization"), is_reading=is_reading)
        key = self._find(shown)
        if key is None:
            # every call without a valid key counts, so guessing keys is slowed down
            _slow_down(self._by_address, self._origin(request.scope))
            challenge = f"{_BASIC}, {_BEARER}" if is_reading else _BEARER
            raise _unknown(shown, challenge)
        _slow_down(self._by_key, key.id)
        if not may(key.scopes, scope):
            raise _no_scope(key, scope)
        self.gate.check(operation, key.scopes)
        today = self.today()
        if key.last_used_on != today:
            key = structs.replace(key, last_used_on=today)
            self.know(key)
            self._used(key)
        request.scope["state"]["key"] = key.id

    def _slow_down_keyless(self, request: Request[Any, Any, Any]) -> None:
        """Limit a call without a key: by its link, so that customers behind one address don't wait
        for each other; else by its address.
        """
        token = request.path_params.get("token", "")
        if token and self._is_link(token):
            _slow_down(self._by_link, token)
        else:
            _slow_down(self._by_address, self._origin(request.scope))

    def _find(self, shown: str | None) -> KeyRecord | None:
        """Return the key with a text, None if it is unknown, mistyped or revoked."""
        try:
            named, shown_hash = read_key(shown or "")
        except KeyMalformed:
            return None
        key = self._keys.get(named)
        if key is None or key.revoked_at is not None or not self.gate.knows(key):
            return None
        return key if is_same(KeyHash(key.hash), shown_hash) else None


def check_still(kept: KeyRecord | None, operation: Operation) -> None:
    """Raise if the key of a call under way no longer allows it, by its record as stored now.

    Raises: Refusal: key-refused, scope-missing.
    """
    if kept is None or kept.revoked_at is not None:
        detail = "this key was revoked while the call was under way: nothing was changed"
        raise Refusal("key-refused", detail, headers={"WWW-Authenticate": _BEARER})
    if operation.scope is not None and not may(kept.scopes, operation.scope):
        raise _no_scope(kept, operation.scope)


def _no_scope(key: KeyRecord, scope: Scope) -> Refusal:
    return Refusal(
        "scope-missing",
        f"this call needs the scope {scope.value}; the key {key.id} has "
        f"{', '.join(sorted(key.scopes))}",
    )


def _slow_down(limits: Limits, who: str) -> None:
    wait = limits.take(who)
    if wait:
        seconds = retry_after(wait)
        raise Refusal(
            "too-many-calls",
            f"wait {seconds} s before the next call",
            headers={"Retry-After": str(seconds)},
        )


def _unknown(shown: str | None, challenge: str) -> Refusal:
    headers = {"WWW-Authenticate": challenge}
    if shown is None:
        detail = "send a key, as in `Authorization: Bearer kw_...`"
        return Refusal("key-missing", detail, headers=headers)
    return Refusal("key-refused", "this key is unknown, mistyped or revoked", headers=headers)


def _shown(header: str | None, *, is_reading: bool) -> str | None:
    """Return the key text that a request sends, None if there is none, empty if unreadable."""
    scheme, _, rest = (header or "").partition(" ")
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
