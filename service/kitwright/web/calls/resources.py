"""Resources: a handler for every operation."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches
from functools import cache
from typing import Any

import msgspec
from litestar import Request, Response
from litestar.handlers import HTTPRouteHandler, get, post

from kitwright.documents.quote_text import quote_text
from kitwright.quote import encode_quote
from kitwright.web.calls import operations
from kitwright.web.calls.findings import AssessmentIn
from kitwright.web.calls.operations import CodeOut, HealthOut, Operation, ReadyOut
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.service import Service
from kitwright.web.calls.shelf import Shelf, shelves, shop_out
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.description.codes import documented_codes
from kitwright.web.description.docs import POLICY, docs_page
from kitwright.web.edge.body import read_body
from kitwright.web.edge.metrics import PLAIN, Metrics
from kitwright.web.edge.negotiate import HTML, JSON, TEXT, best_form, conditional, json_response
from kitwright.web.edge.problems import Refusal

Call = Request[Any, Any, Any]
_MOST_SHOWN = 64


def make_handlers(
    service: Service, metrics: Metrics, describe: Callable[[], Mapping[str, Any]]
) -> list[HTTPRouteHandler]:
    """Return the handlers of every operation.

    Args:
        service: what answers.
        metrics: what is shown at /metrics.
        describe: gives the API description; called once, when somebody asks for it.
    """
    catalogue, shop = service.workshop.catalogue, service.workshop.shop
    handlers = [
        _assess(service),
        _preview(service),
        *_running(service, metrics),
        *_described(cache(describe)),
    ]
    for shelf in (*shelves(catalogue, shop), code_shelf()):
        handlers += _shelf(shelf)
    handlers.append(_fixed(operations.SHOP, lambda: msgspec.json.encode(shop_out(catalogue, shop))))
    return handlers


def _preview(service: Service) -> HTTPRouteHandler:
    forms = operations.PREVIEW.forms

    @post(operations.PREVIEW.path, name=operations.PREVIEW.id, status_code=200)
    async def preview(request: Call) -> Response[bytes]:
        form = best_form(request, forms)
        asked = await read_body(request, PreviewIn)
        if form == TEXT:
            text = quote_text(service.quote(asked)).encode()
            response = Response(text, media_type=TEXT)
        else:
            response = Response(encode_quote(service.quote(asked)), media_type=JSON)
        response.headers["Vary"] = "Accept"
        return response

    return preview


def _assess(service: Service) -> HTTPRouteHandler:
    forms = operations.ASSESS.forms

    @post(operations.ASSESS.path, name=operations.ASSESS.id, status_code=200)
    async def assess(request: Call) -> Response[bytes]:
        form = best_form(request, forms)
        asked = await read_body(request, AssessmentIn)
        if form == JSON:
            response = json_response(service.assess(asked))
        else:
            response = Response(service.assessed(asked, form).encode(), media_type=form)
        response.headers["Vary"] = "Accept"
        return response

    return assess


def _running(service: Service, metrics: Metrics) -> list[HTTPRouteHandler]:
    @get(operations.LIVE.path, name=operations.LIVE.id)
    async def live(request: Call) -> Response[bytes]:
        best_form(request, operations.LIVE.forms)
        return json_response(HealthOut(status="alive"))

    @get(operations.READY.path, name=operations.READY.id)
    async def ready(request: Call) -> Response[bytes]:
        best_form(request, operations.READY.forms)
        return json_response(ready_out(service))

    @get(operations.METRICS.path, name=operations.METRICS.id)
    async def counted(request: Call) -> Response[bytes]:
        best_form(request, operations.METRICS.forms)
        return Response(metrics.text(), media_type=PLAIN)

    return [live, ready, counted]


def ready_out(service: Service) -> ReadyOut:
    """Return that the service can quote."""
    return ReadyOut(
        status="ready", shop=service.workshop.shop.id, catalogue_revision=service.revision
    )


def _described(describe: Callable[[], Mapping[str, Any]]) -> list[HTTPRouteHandler]:
    @cache
    def page() -> bytes:
        codes = {
            each.code: f"{each.title.rstrip('.')}. {each.advice}" for each in documented_codes()
        }
        return docs_page(describe(), codes).encode()

    @get(operations.DOCS.path, name=operations.DOCS.id)
    async def docs(request: Call) -> Response[bytes]:
        best_form(request, operations.DOCS.forms)
        return conditional(request, page(), form=HTML, headers={"Content-Security-Policy": POLICY})

    return [_fixed(operations.DESCRIPTION, lambda: msgspec.json.encode(describe())), docs]


def code_shelf() -> Shelf:
    """Return the documented codes."""
    codes = {
        each.code: CodeOut(
            code=each.code,
            is_fault=each.is_fault,
            problem=each.problem,
            status=each.status,
            title=each.title,
            advice=each.advice,
        )
        for each in documented_codes()
    }
    return Shelf(
        every=operations.CODES,
        one=operations.CODE,
        noun="code",
        records=codes,
        out=lambda code: code,
    )


def _shelf(shelf: Shelf) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers that list records and give one of them."""
    if shelf.every is not None:
        yield _fixed(shelf.every, lambda: msgspec.json.encode(ListOut(items=shelf.listed())))
    if shelf.one is not None:
        yield _record(shelf.one, shelf)


def _fixed(operation: Operation, body: Callable[[], bytes]) -> HTTPRouteHandler:
    """Return the handler of a body that stays what it is as long as the service runs."""
    body = cache(body)

    @get(operation.path, name=operation.id)
    async def fixed(request: Call) -> Response[bytes]:
        best_form(request, operation.forms)
        return conditional(request, body())

    return fixed


def _record(operation: Operation, shelf: Shelf) -> HTTPRouteHandler:
    (variable,) = operation.variables
    bodies: dict[str, bytes] = {}

    @get(operation.path.replace("}", ":str}"), name=operation.id)
    async def record(request: Call) -> Response[bytes]:
        best_form(request, operation.forms)
        key = request.path_params[variable]
        if key not in shelf.records:
            close = get_close_matches(key[:_MOST_SHOWN], shelf.records, n=1)
            hint = f"; did you mean {close[0]}?" if close else ""
            raise Refusal("unknown-record", f"no {shelf.noun} {key[:_MOST_SHOWN]!r}{hint}")
        if key not in bodies:
            bodies[key] = msgspec.json.encode(shelf.out(shelf.records[key]))
        return conditional(request, bodies[key])

    return record
