"""Handlers: how calls on kept records are read, done exactly once, and answered."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from datetime import timedelta
from typing import Any, Final, TypeVar

from litestar import Request, Response
from litestar.handlers import HTTPRouteHandler
from msgspec import Struct

from kitwright.keeping.record import KeptAnswer, Stamp
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import read_id
from kitwright.web.calls.operations import Operation
from kitwright.web.edge.body import check_json, decode, receive, receive_json
from kitwright.web.edge.conditions import ConditionMalformed, match, none_match
from kitwright.web.edge.negotiate import JSON, best_form
from kitwright.web.edge.once import (
    IdempotencyKeyMalformed,
    IdempotencyKeyMissing,
    fingerprint,
    read_idempotency_key,
)
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.query import read_query

T = TypeVar("T", bound=Struct)

KEPT_FOR: Final = timedelta(hours=24)
"""How long the answer to an idempotency key is given again."""
MOST_PHOTO: Final = 10 * 1024 * 1024
"""The largest photograph, in bytes."""
_NOTHING: Final = (b"", b"{}")


class Reply(Struct, frozen=True, kw_only=True):
    """An answer: its body, the entity tag of what it shows, and other headers.

    `kept` is the body to give again under the same idempotency key, where `body` itself holds a
    secret that is shown once. `after` is called when what was done is kept, and only then.
    """

    body: bytes
    kept: bytes | None = None
    after: Callable[[], None] | None = None
    tag: str | None = None
    status: int = 200
    form: str = JSON
    headers: Mapping[str, str] = {}

    def response(self) -> Response[bytes]:
        """Return the answer as the framework sends it."""
        headers = dict(self.headers)
        if self.tag is not None:
            headers["ETag"] = self.tag
        return Response(self.body, status_code=self.status, headers=headers, media_type=self.form)


class Call:
    """One call as it came: path, query and raw body, not yet believed."""

    def __init__(self, desk: Desk, operation: Operation, request: Any, raw: bytes = b"") -> None:
        self.desk = desk
        self.operation = operation
        self.raw = raw
        self.media = request.headers.get("content-type", "")
        self.is_coded = request.headers.get("content-encoding", "identity").lower() != "identity"
        self.at_end: list[Callable[[], None]] = []
        """Done when the call is over, whether or not its work was kept."""
        self._request = request

    @property
    def stamp(self) -> Stamp:
        """Who calls, and when."""
        return self.desk.stamp(self._request)

    @property
    def request_id(self) -> str:
        """The id of this call in the log."""
        found: str = self._request.scope["state"].get("request_id", "")
        return found

    def variable(self, name: str) -> str:
        """Return a variable of the path."""
        found: str = self._request.path_params[name]
        return found

    def number(self, name: str, letter: str) -> int:
        """Return the number of an id in the path. Raises: Refusal: unknown-record."""
        return read_id(letter, self.variable(name))

    def body(self, shape: type[T]) -> T:
        """Return the body as a struct. Raises: Refusal."""
        return decode(self.raw, shape)

    def query(self, shape: type[T]) -> T:
        """Return what stands behind the path as a struct. Raises: Refusal: query-invalid."""
        return read_query(self._request.scope["query_string"], shape)

    def check_form(self, form: str) -> None:
        """Raise where the caller takes no answer of a media type. Raises: Refusal."""
        best_form(self._request, (form,))

    def check(self, tag: str) -> None:
        """Raise where the caller speaks of another version than the one of a tag.

        Raises: Refusal: record-changed.
        """
        header = ",".join(self._request.headers.getall("if-match", []))
        if self.operation.is_guarded and not match(header, tag):
            raise Refusal(
                "record-changed",
                "this is not the record's present version: read it again, and send its ETag",
                headers={"ETag": tag},
            )


Work = Callable[[Records], Reply]
"""What a call does to the records, and answers."""


def acting(
    desk: Desk, operation: Operation, prepare: Callable[[Call], Awaitable[Work]]
) -> HTTPRouteHandler:
    """Return the handler of a call that changes records, as `answering` answers it."""
    return route(operation, answering(desk, operation, prepare))


Handler = Callable[[Request[Any, Any, Any]], Awaitable[Response[bytes]]]
"""What answers a request."""


def answering(
    desk: Desk, operation: Operation, prepare: Callable[[Call], Awaitable[Work]]
) -> Handler:
    """Return what answers a call that changes records.

    `prepare` reads and reckons; the work that it gives is done in one piece, together with
    keeping its answer where the operation asks for an Idempotency-Key.
    """

    async def handler(request: Request[Any, Any, Any]) -> Response[bytes]:
        best_form(request, operation.forms)
        once = _idempotency_key(request) if operation.is_once else None
        _check_condition(request, operation)
        raw = await _receive(request, operation)
        call = Call(desk, operation, request, raw)
        await desk.sweep()
        try:
            if once is None:
                reply = await desk.store.write(await _prepared(call, prepare))
            else:
                mark = await _mark(request, operation, raw)
                reply = await _once(call, request.scope["state"]["key"], once, mark, prepare)
        finally:
            for step in call.at_end:
                step()
        if reply.after is not None:
            reply.after()
        desk.wake()
        return reply.response()

    return handler


def reading(
    operation: Operation, desk: Desk, find: Callable[[Records, Call], Reply]
) -> HTTPRouteHandler:
    """Return the handler of a call that reads records, as one view of them shows."""

    async def handler(request: Request[Any, Any, Any]) -> Response[bytes]:
        best_form(request, operation.forms)
        call = Call(desk, operation, request)
        await desk.sweep()
        reply = desk.store.read(lambda records: find(records, call))
        if reply.tag is not None and has_it(request, reply.tag):
            headers = {**reply.headers, "ETag": reply.tag, "Cache-Control": "no-cache"}
            return Response(b"", status_code=304, headers=headers, media_type=reply.form)
        response = reply.response()
        if reply.tag is not None:
            response.headers.setdefault("Cache-Control", "no-cache")
        return response

    return route(operation, handler)


def route(operation: Operation, handler: Handler) -> HTTPRouteHandler:
    """Return what the framework calls for an operation."""

    async def routed(request: Request[Any, Any, Any]) -> Response[bytes]:
        return await handler(request)

    return HTTPRouteHandler(
        operation.path.replace("}", ":str}"),
        http_method=operation.method.upper(),  # type: ignore[arg-type]  # one of HTTP's own
        name=operation.id,
        status_code=operation.status,
    )(routed)


async def _prepared(call: Call, prepare: Callable[[Call], Awaitable[Work]]) -> Work:
    """Return what a call is to do. Raises: Refusal, and whatever `prepare` raises."""
    operation = call.operation
    if operation.takes is None and not operation.media and call.raw.strip() not in _NOTHING:
        raise Refusal("body-invalid", "this call takes no body")
    return await prepare(call)


async def _once(
    call: Call,
    key: str,
    once: str,
    mark: bytes,
    prepare: Callable[[Call], Awaitable[Work]],
) -> Reply:
    """Return the answer of a call that is done once for each idempotency key.

    Only answers to what was done are kept: what was refused changed nothing, and may be mended
    and sent again under the same key.
    """
    desk = call.desk
    now = desk.now()
    kept = desk.store.read(lambda records: records.answers.get(key, once, now))
    if kept is not None:
        return _again(kept, mark)
    if (key, once) in desk.in_flight:
        raise Refusal("call-in-progress", "this call is being answered already")
    desk.in_flight.add((key, once))
    try:
        work = await _prepared(call, prepare)

        def done_once(records: Records) -> Reply:
            kept = records.answers.get(key, once, now)
            if kept is not None:
                return _again(kept, mark)
            reply = work(records)
            records.answers.add(_answer(reply, key, once, mark, call), now)
            return reply

        return await desk.store.write(done_once)
    finally:
        desk.in_flight.discard((key, once))


def _answer(reply: Reply, key: str, once: str, mark: bytes, call: Call) -> KeptAnswer:
    headers = dict(reply.headers)
    if reply.tag is not None:
        headers["ETag"] = reply.tag
    return KeptAnswer(
        key=key,
        idempotency_key=once,
        fingerprint=mark,
        status=reply.status,
        headers=headers,
        body=reply.body if reply.kept is None else reply.kept,
        expires_at=call.desk.now() + KEPT_FOR,
    )


def _again(kept: KeptAnswer, mark: bytes) -> Reply:
    if kept.fingerprint != mark:
        raise Refusal("idempotency-key-reused", "this Idempotency-Key was used for another call")
    headers = dict(kept.headers)
    return Reply(body=kept.body, tag=headers.pop("ETag", None), status=kept.status, headers=headers)


def _idempotency_key(request: Request[Any, Any, Any]) -> str:
    given = request.headers.getall("idempotency-key", [])
    try:
        return read_idempotency_key(",".join(given) if given else None)
    except (IdempotencyKeyMissing, IdempotencyKeyMalformed) as error:
        raise Refusal(error.code, str(error)) from None


def _check_condition(request: Request[Any, Any, Any], operation: Operation) -> None:
    """Raise where a condition is needed and missing, or where it can't be read."""
    if not operation.is_guarded:
        return
    given = request.headers.getall("if-match", [])
    if not given:
        raise Refusal(
            "condition-missing", "send If-Match with the ETag that reading the record gave"
        )
    try:
        match(",".join(given), None)
    except ConditionMalformed as error:
        raise Refusal("condition-malformed", str(error)) from None


async def _receive(request: Request[Any, Any, Any], operation: Operation) -> bytes:
    if operation.media:
        return await receive(request, MOST_PHOTO)
    if operation.takes is None:
        return await receive(request)
    if not operation.may_be_empty:
        return await receive_json(request)
    raw = await receive(request)
    if raw.strip() in _NOTHING:
        return b"{}"
    check_json(request)
    return raw


async def _mark(request: Request[Any, Any, Any], operation: Operation, raw: bytes) -> bytes:
    """Return what tells a call from others under the same idempotency key."""
    parts = request.method, _whole_path(request), raw, request.headers.get("content-type")
    if operation.media:
        # off the event loop: such a body may be large
        return await asyncio.to_thread(fingerprint, *parts)
    return fingerprint(*parts)


def _whole_path(request: Request[Any, Any, Any]) -> str:
    query = request.scope["query_string"].decode("latin-1")
    return f"{request.scope['path']}?{query}"


def has_it(request: Request[Any, Any, Any], tag: str) -> bool:
    """Return whether the caller has what a tag is of already."""
    known = request.headers.getall("if-none-match", [])
    try:
        return bool(known) and not none_match(",".join(known), tag)
    except ConditionMalformed:
        # a read is answered in full rather than refused
        return False
