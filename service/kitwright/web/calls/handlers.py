"""Handlers: the route handlers of calls on stored records, which do each call exactly once."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any, Final

from litestar import Request
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse

from kitwright.keeping.record import KeptAnswer
from kitwright.keeping.store import Records
from kitwright.web.calls.call import MOST_PHOTO, Call, Prepare, Work
from kitwright.web.calls.desk import Desk
from kitwright.web.edge.body import check_json, receive, receive_json
from kitwright.web.edge.conditions import match
from kitwright.web.edge.negotiate import best_form
from kitwright.web.edge.once import fingerprint, read_idempotency_key
from kitwright.web.edge.operation import OPERATION, Operation, methods_of, route_path
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply, encoded, response

KEPT_FOR: Final = timedelta(hours=24)
"""How long the answer for an idempotency key is stored."""
_NOTHING: Final = (b"", b"{}")


Handler = Callable[[Request[Any, Any, Any]], Awaitable[ASGIResponse]]
"""Answers a request."""


def desk_of(request: Request[Any, Any, Any]) -> Desk:
    """Return the desk of the application that answers a request."""
    desk: Desk = request.app.state.desk
    return desk


def answering(operation: Operation, prepare: Prepare) -> Handler:
    """Return the function that answers a call that changes records.

    `prepare` reads and computes. Its work runs in one transaction, together with storing its answer
    if the operation needs an Idempotency-Key.
    """

    async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
        desk = desk_of(request)
        best_form(request, operation.forms)
        once = _idempotency_key(request) if operation.is_once else None
        _check_condition(request, operation)
        raw = await received(request, operation)
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
        return response(request, reply, operation.status)

    return handler


def reading(operation: Operation, find: Callable[[Records, Call], Reply[Any]]) -> HTTPRouteHandler:
    """Return the route handler of a call that reads records in one consistent view."""

    async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
        desk = desk_of(request)
        best_form(request, operation.forms)
        call = Call(desk, operation, request)
        await desk.sweep()
        reply = desk.store.read(lambda records: find(records, call))
        return response(request, reply, operation.status)

    return route(operation, handler)


def route(operation: Operation, handler: Handler) -> HTTPRouteHandler:
    """Return the framework's route handler for an operation."""

    async def routed(request: Request[Any, Any, Any]) -> ASGIResponse:
        return await handler(request)

    return HTTPRouteHandler(
        route_path(operation.path),
        http_method=methods_of(operation),
        name=operation.id,
        status_code=operation.status,
        opt={OPERATION: operation},
    )(routed)


async def _prepared(call: Call, prepare: Prepare) -> Work[Any]:
    """Return the work of a call. Raises: Refusal, and the errors of `prepare`."""
    operation = call.operation
    if operation.takes is None and not operation.media and call.raw.strip() not in _NOTHING:
        raise Refusal("body-invalid", "this call takes no body")
    return await prepare(call)


async def _once(call: Call, key: str, once: str, mark: bytes, prepare: Prepare) -> Reply[Any]:
    """Return the answer of a call that is done only once for each idempotency key.

    Only successful answers are stored. A refused call changed nothing, and can be corrected and
    sent again with the same key.
    """
    desk = call.desk
    now = desk.now()
    kept = desk.store.read(lambda records: records.answers.get(key, once, now))
    if kept is not None:
        return _again(kept, mark)
    if (key, once) in desk.in_flight:
        raise Refusal("call-in-progress", "this call is still in progress")
    desk.in_flight.add((key, once))
    try:
        work = await _prepared(call, prepare)

        def done_once(records: Records) -> Reply[Any]:
            kept = records.answers.get(key, once, now)
            if kept is not None:
                return _again(kept, mark)
            reply = work(records)
            records.answers.add(_answer(reply, key, once, mark, call), now)
            return reply

        return await desk.store.write(done_once)
    finally:
        desk.in_flight.discard((key, once))


def _answer(reply: Reply[Any], key: str, once: str, mark: bytes, call: Call) -> KeptAnswer:
    headers = dict(reply.headers)
    if reply.tag is not None:
        headers["ETag"] = reply.tag
    return KeptAnswer(
        key=key,
        idempotency_key=once,
        fingerprint=mark,
        status=call.operation.status if reply.status is None else reply.status,
        headers=headers,
        body=encoded(reply.body if reply.kept is None else reply.kept),
        expires_at=call.desk.now() + KEPT_FOR,
    )


def _again(kept: KeptAnswer, mark: bytes) -> Reply[Any]:
    if kept.fingerprint != mark:
        raise Refusal("idempotency-key-reused", "this Idempotency-Key was used for another call")
    headers = dict(kept.headers)
    return Reply(body=kept.body, tag=headers.pop("ETag", None), status=kept.status, headers=headers)


def _idempotency_key(request: Request[Any, Any, Any]) -> str:
    given = request.headers.getall("idempotency-key", [])
    return read_idempotency_key(",".join(given) if given else None)


def _check_condition(request: Request[Any, Any, Any], operation: Operation) -> None:
    """Raise if a condition is required but missing, or malformed."""
    if not operation.is_guarded:
        return
    given = request.headers.getall("if-match", [])
    if not given:
        raise Refusal(
            "condition-missing", "send If-Match with the ETag of the record that you read"
        )
    match(",".join(given), None)


async def received(request: Request[Any, Any, Any], operation: Operation) -> bytes:
    """Return the body of a request, checked for its operation. Raises: Refusal."""
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
    """Return the fingerprint of a call, which detects another call with its idempotency key."""
    parts = request.method, _whole_path(request), raw, request.headers.get("content-type")
    if operation.media:
        # off the event loop: such a body may be large
        return await asyncio.to_thread(fingerprint, *parts)
    return fingerprint(*parts)


def _whole_path(request: Request[Any, Any, Any]) -> str:
    query = request.scope["query_string"].decode("latin-1")
    return f"{request.scope['path']}?{query}"
