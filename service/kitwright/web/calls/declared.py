"""Declared: declares a call as a function with its method, path and facts."""

from __future__ import annotations

import collections.abc
import inspect
from collections.abc import Awaitable, Callable
from types import ModuleType
from typing import Any, get_args, get_origin, get_type_hints

from litestar import Request
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse

from kitwright.web.calls.call import Call, Work
from kitwright.web.calls.handlers import answering, desk_of, reading, received, route
from kitwright.web.edge.negotiate import best_form
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.reply import Reply, response

Function = Callable[..., Any]


def operation(
    line: str, name: str, tag: str, **facts: Any
) -> Callable[[Function], HTTPRouteHandler]:
    """Return a decorator that makes a function the route handler of a call.

    The function's docstring is the call's summary and description. Its types give the call's body
    (`body`), its query (`query`) and its answer. Its arguments and its result select how it works:

    - with `records`, it reads the records, or changes them if the method is not GET, and returns a
      `Reply`;
    - with `call` and a `Work` as its result, it prepares the work to be done on the records;
    - otherwise it returns a `Reply` directly, in the `form` that the caller accepts.

    Args:
        line: method and path, as in "GET /v1/quotes/{id}".
        name: the operation's id.
        tag: of the API description.
        facts: other members of the operation.
    """

    def declare(function: Function) -> HTTPRouteHandler:
        one = operation_of(function, line, name, tag, **facts)
        if one.keeps == "writes":
            return route(one, answering(one, preparing(function)))
        if "records" in inspect.signature(function).parameters:
            return reading(one, lambda records, call: function(records, call, **_given(call)))
        return route(one, _plainly(one, function))

    return declare


def operation_of(function: Function, line: str, name: str, tag: str, **facts: Any) -> Operation:
    """Return the operation that a decorated function answers."""
    method, path = line.split(" ")
    hints = get_type_hints(function, include_extras=True)
    returned, keeps = hints["return"], ""
    if "records" in hints:
        keeps = "reads" if method == "GET" else "writes"
    elif get_origin(returned) is collections.abc.Callable:
        keeps = "writes"
    summary, _, rest = (inspect.getdoc(function) or "").partition("\n\n")
    return Operation(
        **{
            "method": method.lower(),
            "path": path,
            "id": name,
            "tag": tag,
            "summary": " ".join(summary.split()).removesuffix("."),
            "description": " ".join(rest.split()),
            "takes": hints.get("body"),
            "query": hints.get("query"),
            "answers": _answered(returned),
            "keeps": keeps,
            **facts,
        }
    )


def preparing(function: Function) -> Callable[[Call], Awaitable[Work[Any]]]:
    """Return the function that prepares the work of a call that changes records."""
    has_records = "records" in inspect.signature(function).parameters

    async def prepare(call: Call) -> Work[Any]:
        given = _given(call)
        if has_records:
            return lambda records: function(records, call, **given)
        work: Work[Any] = await _awaited(function(call, **given))
        return work

    return prepare


def handlers_in(module: ModuleType) -> list[HTTPRouteHandler]:
    """Return the route handlers that a module declares: its functions, then its `HANDLERS`."""
    found = [each for each in vars(module).values() if isinstance(each, HTTPRouteHandler)]
    return [*found, *getattr(module, "HANDLERS", ())]


def _plainly(
    one: Operation, function: Function
) -> Callable[[Request[Any, Any, Any]], Awaitable[ASGIResponse]]:
    """Return the function that answers a call that does not use records, or reads them itself."""
    takes_form = "form" in inspect.signature(function).parameters

    async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
        form = best_form(request, one.forms)
        raw = b"" if one.takes is None else await received(request, one)
        call = Call(desk_of(request), one, request, raw)
        given = _given(call) | ({"form": form} if takes_form else {})
        reply = await _awaited(function(call, **given))
        return response(request, reply, one.status, varies=takes_form)

    return handler


def _given(call: Call) -> dict[str, Any]:
    """Return the arguments of a function, taken from a call by their names. Raises: Refusal."""
    one = call.operation
    given: dict[str, Any] = {} if one.query is None else {"query": call.query(one.query)}
    if one.takes is not None:
        given["body"] = call.body(one.takes)
    return given


async def _awaited(found: Any) -> Any:
    return await found if inspect.isawaitable(found) else found


def _answered(returned: Any) -> Any:
    """Return the struct in a `Reply`, or in the `Reply` of a `Work`; None if it is not JSON."""
    reply = returned if get_origin(returned) is Reply else get_args(returned)[-1]
    (within,) = get_args(reply)
    return None if within is bytes else within
