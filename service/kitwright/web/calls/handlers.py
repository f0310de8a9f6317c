"""Handlers: makes functions handlers of calls; changes of records are made exactly once."""

from __future__ import annotations

import asyncio
import collections.abc
import inspect
from collections.abc import Awaitable, Callable
from datetime import timedelta
from types import ModuleType
from typing import Any, Final, TypeVar, get_args, get_origin, get_type_hints

from litestar import Request
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse
from msgspec import structs

from kitwright.keeping.generation import Generation
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptAnswer
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.shown import MOST_PHOTO, shown
from kitwright.web.edge.auth import check_still
from kitwright.web.edge.body import check_json, decode, receive, receive_json
from kitwright.web.edge.conditions import match
from kitwright.web.edge.negotiate import best_form, media_type
from kitwright.web.edge.once import fingerprint, read_idempotency_key
from kitwright.web.edge.operation import OPERATION, Operation, methods_of, route_path
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.query import read_query
from kitwright.web.edge.reply import Reply, Streamed, encoded, response

KEPT_FOR: Final = timedelta(hours=24)
"""How long the answer for an idempotency key is stored."""
_NOTHING: Final = (b"", b"{}")

T = TypeVar("T")
Function = Callable[..., Any]
Work = Callable[[Records], Reply[T]]
"""Changes or reads the records, and returns the answer."""
Prepare = Callable[[], Awaitable[Any]]
"""Reads and computes before the work of a call is done, and returns the work."""
Handler = Callable[[Request[Any, Any, Any]], Awaitable[ASGIResponse]]
"""Answers a request."""


def operation(
    line: str, name: str, tag: str, *problems: str, **facts: Any
) -> Callable[[Function], HTTPRouteHandler]:
    """Return a decorator that makes a function the route handler of a call.

    The function's docstring is the call's summary and description; a single sentence is both. Its
    types give the call's body, its query and its answer. It is given what it names: the `call`, the
    `body` and the `query` as structs, the `form` that the caller accepts, and `records`.

    A function with `records` reads them, or changes them in one transaction if the method is not
    GET. Without them, a function may return a `Work`, which changes the records. Any other function
    returns a `Reply` directly.

    Args:
        line: method and path, as in "GET /v1/quotes/{id}".
        name: the operation's id.
        tag: of the API description.
        problems: codes that do not follow from the rest.
        facts: other members of the operation, if they differ from what follows from its method and
            its answer: GET needs the scope `read`, others `quote`, those of the tag `owner` the
            scope `owner`; a POST that changes records needs an Idempotency-Key, a PUT `If-Match`; a
            record with a version has an ETag.
    """

    def declare(function: Function) -> HTTPRouteHandler:
        one = operation_of(function, line, name, tag, problems=problems, **facts)
        return route(one, answering(one, function))

    return declare


def operation_of(function: Function, line: str, name: str, tag: str, **facts: Any) -> Operation:
    """Return the operation that a decorated function answers."""
    method, path = line.split(" ")
    hints = get_type_hints(function, include_extras=True)
    keeps, answered = "", _answered(function)
    if "records" in hints:
        keeps = "reads" if method == "GET" else "writes"
    elif get_origin(hints["return"]) is collections.abc.Callable:
        keeps = "writes"
    least = Scope.READ if method == "GET" else Scope.QUOTE
    scope = facts.get("scope", Scope.OWNER if tag == "owner" else least)
    if "answers_else" in facts:
        facts["answers_else"] = shown(facts["answers_else"])[0]
    summary, _, rest = (inspect.getdoc(function) or "").partition("\n\n")
    summary = " ".join(summary.split())
    return Operation(
        **{
            "method": method.lower(),
            "path": path,
            "id": name,
            "tag": tag,
            "summary": summary.removesuffix("."),
            "description": " ".join(rest.split()) or summary,
            "takes": hints.get("body"),
            "query": hints.get("query"),
            "answers": None if answered is bytes else shown(answered)[0],
            "keeps": keeps,
            "scope": scope,
            "is_once": method == "POST" and keeps == "writes" and scope is not None,
            "is_guarded": method == "PUT",
            "is_tagged": method != "DELETE" and hasattr(answered, "version"),
            **facts,
        }
    )


def _answered(function: Function) -> Any:
    """Return the type of the body in a function's `Reply`, or in the `Reply` of its `Work`."""
    returned = get_type_hints(function, include_extras=True)["return"]
    reply = returned if get_origin(returned) is Reply else get_args(returned)[-1]
    return get_args(reply)[0]


def handlers_in(module: ModuleType) -> list[HTTPRouteHandler]:
    """Return the route handlers that a module declares: its functions, then its `HANDLERS`."""
    found = [each for each in vars(module).values() if isinstance(each, HTTPRouteHandler)]
    return [*found, *getattr(module, "HANDLERS", ())]


def route(one: Operation, handler: Handler) -> HTTPRouteHandler:
    """Return the framework's route handler for an operation."""

    async def routed(request: Request[Any, Any, Any]) -> ASGIResponse:
        return await handler(request)

    return HTTPRouteHandler(
        route_path(one.path),
        http_method=methods_of(one),
        name=one.id,
        status_code=one.status,
        opt={OPERATION: one},
    )(routed)


def answering(one: Operation, function: Function) -> Handler:
    """Return the function that answers the requests of an operation."""
    wanted = inspect.signature(function).parameters.keys()
    convert = shown(_answered(function))[1]

    def encode(reply: Reply[Any]) -> Reply[bytes]:
        body, kept = (
            convert(each) if convert and not isinstance(each, bytes | Streamed | None) else each
            for each in (reply.body, reply.kept)
        )
        kept = None if kept is None else encoded(kept)
        return structs.replace(reply, body=encoded(body), kept=kept)

    async def prepare(call: Call, form: str) -> Reply[bytes] | Work[bytes]:
        """Return a call's answer, or its work on the records."""
        if not one.media and one.takes is None and call.raw.strip() not in _NOTHING:
            raise Refusal("body-invalid", "this call takes no body")
        given: dict[str, Any] = {"call": call, "form": form}
        if one.query is not None:
            given["query"] = read_query(call.request.scope["query_string"], one.query)
        if one.takes is not None:
            is_other = _is_of(call.request, one.media)
            given["body"] = None if is_other else decode(call.raw, one.takes)
        given = {name: given[name] for name in given if name in wanted}
        if "records" in wanted:
            return lambda records: encode(function(records=records, **given))
        found = function(**given)
        found = await found if inspect.isawaitable(found) else found
        return encode(found) if isinstance(found, Reply) else lambda records: encode(found(records))

    async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
        form = best_form(request, one.forms)
        once = _idempotency_key(request) if one.is_once else None
        _check_condition(request, one)
        call = Call(one, request, await _received(request, one))
        if one.keeps:
            await call.desk.sweep()
        if one.keeps == "writes":
            reply = await _changed(call, once, lambda: prepare(call, form))
        else:
            found = await prepare(call, form)
            reply = found if isinstance(found, Reply) else call.desk.store.read(found)
        return response(request, reply, one.status, varies="form" in wanted)

    return handler


async def _changed(call: Call, once: str | None, prepare: Prepare) -> Reply[bytes]:
    """Return the answer of a call that changes records. Its work runs in one transaction, together
    with storing its answer if it has an idempotency key.
    """
    try:
        if once is None:
            reply: Reply[bytes] = await call.desk.store.write(_admitted(call, await prepare()))
        else:
            reply = await _once(call, once, prepare)
    finally:
        for step in call.at_end:
            step()
    if reply.after is not None:
        reply.after()
    call.desk.wake()
    return reply


def _admitted(call: Call, work: Work[bytes]) -> Work[bytes]:
    """Return the work of a call, done only if the call's key still allows it: the key may have been
    revoked since the call began.
    """
    key = call.request.scope["state"].get("key")
    if key is None:
        return work

    def still_admitted(records: Records) -> Reply[bytes]:
        check_still(records.keys.get(key), call.operation)
        return work(records)

    return still_admitted


async def _once(call: Call, once: str, prepare: Prepare) -> Reply[bytes]:
    """Return the answer of a call that is done only once for each idempotency key.

    Only successful answers are stored. A refused call changed nothing, and can be corrected and
    sent again with the same key.
    """
    desk, key, mark = call.desk, call.request.scope["state"]["key"], await _mark(call)
    now = desk.now()

    def known(records: Records) -> Reply[bytes] | None:
        kept = records.answers.get(key, once, now)
        return None if kept is None else _again(kept, mark, desk.gate.generation)

    if (again := desk.store.read(known)) is not None:
        return again
    if (key, once) in desk.in_flight:
        raise Refusal("call-in-progress", "this call is still in progress")
    desk.in_flight.add((key, once))
    try:
        work: Work[bytes] = _admitted(call, await prepare())

        def done_once(records: Records) -> Reply[bytes]:
            if (again := known(records)) is not None:
                return again
            reply = work(records)
            kept = KeptAnswer(
                key=key,
                idempotency_key=once,
                fingerprint=mark,
                status=call.operation.status if reply.status is None else reply.status,
                headers={**reply.headers} | ({} if reply.tag is None else {"ETag": reply.tag}),
                body=encoded(reply.body if reply.kept is None else reply.kept),
                expires_at=desk.now() + KEPT_FOR,
                epoch=desk.gate.epoch,
            )
            records.answers.add(kept, now)
            return reply

        return await desk.store.write(done_once)
    finally:
        desk.in_flight.discard((key, once))


def _again(kept: KeptAnswer, mark: bytes, now: Generation) -> Reply[bytes]:
    if kept.fingerprint != mark:
        raise Refusal("idempotency-key-reused", "this Idempotency-Key was used for another call")
    # answers of versions without generations are of the first
    if not (kept.epoch == now.epoch if kept.epoch else now.number == 1):
        # its tags are no longer valid, and what was done since may be undone
        raise Refusal(
            "call-undone",
            "this Idempotency-Key was used before records were restored: read what is stored",
        )
    headers = dict(kept.headers)
    return Reply(body=kept.body, tag=headers.pop("ETag", None), status=kept.status, headers=headers)


def _idempotency_key(request: Request[Any, Any, Any]) -> str:
    given = request.headers.getall("idempotency-key", [])
    return read_idempotency_key(",".join(given) if given else None)


def _check_condition(request: Request[Any, Any, Any], one: Operation) -> None:
    """Raise if a condition is required but missing, or malformed."""
    if not one.is_guarded:
        return
    given = request.headers.getall("if-match", [])
    if not given:
        raise Refusal(
            "condition-missing", "send If-Match with the ETag of the record that you read"
        )
    match(",".join(given), None)


async def _received(request: Request[Any, Any, Any], one: Operation) -> bytes:
    """Return the body of a request, checked for its operation. Raises: Refusal."""
    if one.method == "get" or one.is_streamed:
        return b""
    if one.media and one.takes is None:
        return await receive(request, MOST_PHOTO)
    if one.takes is None or _is_of(request, one.media):
        return await receive(request)
    if not one.may_be_empty:
        return await receive_json(request)
    raw = await receive(request)
    if raw.strip() in _NOTHING:
        return b"{}"
    check_json(request)
    return raw


def _is_of(request: Request[Any, Any, Any], media: tuple[str, ...]) -> bool:
    """Return whether the body of a request is of one of some media types."""
    return bool(media) and media_type(request.headers.get("content-type", ""))[0] in media


async def _mark(call: Call) -> bytes:
    """Return the fingerprint of a call, which detects another call with its idempotency key."""
    request = call.request
    query = request.scope["query_string"].decode("latin-1")
    path = f"{request.scope['path']}?{query}"
    parts = request.method, path, call.raw, request.headers.get("content-type")
    if call.operation.media:
        # off the event loop: such a body may be large
        return await asyncio.to_thread(fingerprint, *parts)
    return fingerprint(*parts)
