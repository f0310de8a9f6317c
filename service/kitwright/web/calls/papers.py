"""Papers: documents of kept revisions and of their orders, in the form that the caller takes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from typing import Annotated, Any, Final

from litestar import Request, Response
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from kitwright.keeping.record import KeptOrder
from kitwright.keeping.store import Records
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Call, has_it, route
from kitwright.web.calls.ids import ORDER, QUOTE, RevisionNumber, missing, written
from kitwright.web.calls.paper import About, Made, Page, about
from kitwright.web.calls.quotes import quote_of
from kitwright.web.calls.shown import ShownQuoteOut, shown
from kitwright.web.edge.negotiate import CSV, HTML, JSON, PDF, XML, best_form, body_tag
from kitwright.web.edge.operation import Operation
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.shapes import Wire

_ID: Final = {"id": "Which quote, by its id."}
_PROBLEMS: Final = ("unknown-record", "not-acceptable", "query-invalid", "storage-unavailable")


class PaperQuery(Wire, frozen=True, kw_only=True):
    """Which revision; left out: the one that the quote shows."""

    revision: Annotated[
        RevisionNumber | None,
        Meta(description="Which revision; left out: the one that the quote shows."),
    ] = None


def _paper(
    path: str,
    *,
    name: str,
    summary: str,
    description: str,
    forms: tuple[str, ...],
) -> Operation:
    return Operation(
        method="get",
        path=path,
        id=name,
        tag="papers",
        summary=summary,
        description=description,
        answers=ShownQuoteOut if JSON in forms else None,
        forms=forms,
        query=PaperQuery,
        problems=_PROBLEMS,
        variables=_ID,
        is_conditional=True,
    )


SHEET: Final = _paper(
    "/v1/quotes/{id}/sheet",
    name="getQuoteSheet",
    summary="The quote as its customer reads it",
    description=(
        "A page, a PDF, UBL 2.1's Quotation (of an issued revision) or JSON, all with the same "
        "figures, in the revision's language."
    ),
    forms=(HTML, PDF, XML, JSON),
)
BENCH: Final = _paper(
    "/v1/quotes/{id}/bench-sheet",
    name="getBenchSheet",
    summary="What the bench works from",
    description=(
        "What comes off in which order, with minutes and cautions; what is renewed on the way "
        "back; room for clocked minutes and findings. No price and no customer."
    ),
    forms=(HTML, PDF),
)
PICKS: Final = _paper(
    "/v1/quotes/{id}/pick-list",
    name="getPickList",
    summary="What comes from the shelves",
    description="By bin: what is taken, how many, and what for.",
    forms=(HTML, PDF),
)
ORDER_SHEET: Final = Operation(
    method="get",
    path="/v1/orders/{id}/sheet",
    id="getOrderSheet",
    tag="papers",
    summary="A parts order as its supplier reads it",
    description="A PDF, comma-separated values for a spreadsheet, or UBL 2.1's Order.",
    answers=None,
    forms=(PDF, CSV, XML),
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables={"id": "Which order, by its id."},
    is_conditional=True,
)
OPERATIONS: Final = (SHEET, BENCH, PICKS, ORDER_SHEET)


class _Ordered(Struct, frozen=True):
    """An order with the revision that it is for."""

    order: KeptOrder
    about: About


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    papers = desk.papers
    yield _revision_paper(
        desk,
        SHEET,
        {
            HTML: papers.quote_page,
            PDF: papers.quote_pdf,
            XML: papers.quotation,
            JSON: lambda one: shown(one.answer),
        },
    )
    yield _revision_paper(desk, BENCH, {HTML: papers.bench_sheet_page, PDF: papers.bench_sheet_pdf})
    yield _revision_paper(desk, PICKS, {HTML: papers.pick_list_page, PDF: papers.pick_list_pdf})
    yield _order_paper(desk)


_Made = Page | bytes


def _revision_paper(
    desk: Desk, operation: Operation, makers: dict[str, Callable[[About], _Made]]
) -> HTTPRouteHandler:
    async def handler(request: Request[Any, Any, Any]) -> Response[bytes]:
        form = best_form(request, operation.forms)
        call = Call(desk, operation, request)
        await desk.sweep()
        one = desk.store.read(lambda records: _asked(records, call))
        if form == XML and one.issued_at is None:
            raise Refusal(
                "not-acceptable", f"revision {one.revision} is not issued: it has no XML yet"
            )
        # off the event loop: a PDF takes longer than many answers
        made = await asyncio.to_thread(makers[form], one)
        name = f"{one.letter}-{one.revision}"
        return _response(request, made, form, name)

    return route(operation, handler)


def _asked(records: Records, call: Call) -> About:
    asked = call.query(PaperQuery)
    quote = quote_of(records, call.number("id", QUOTE))
    number = asked.revision or quote.shown
    if records.quotes.revision(quote.number, number) is None:
        raise Refusal(
            "unknown-record", f"no revision {number}: the newest of this quote is {quote.latest}"
        )
    return about(records, quote, number)


def _order_paper(desk: Desk) -> HTTPRouteHandler:
    papers = desk.papers
    makers = {PDF: papers.order_pdf, CSV: papers.order_csv, XML: papers.order_xml}

    def find(records: Records, call: Call) -> _Ordered:
        number = call.number("id", ORDER)
        order = records.orders.get(number)
        quote = None if order is None else records.quotes.get(order.quote)
        if order is None or quote is None:
            raise missing(ORDER, written(ORDER, number))
        return _Ordered(order, about(records, quote, order.revision))

    def make(form: str, found: _Ordered) -> bytes:
        order, maker = found.order, makers[form]
        made = Made(order.body, written(ORDER, order.number), desk.clock(order.made_at))
        return maker(found.about, made)

    async def handler(request: Request[Any, Any, Any]) -> Response[bytes]:
        form = best_form(request, ORDER_SHEET.forms)
        call = Call(desk, ORDER_SHEET, request)
        found = desk.store.read(lambda records: find(records, call))
        made = await asyncio.to_thread(make, form, found)
        return _response(request, made, form, written(ORDER, found.order.number))

    return route(ORDER_SHEET, handler)


_SUFFIX: Final = {HTML: "html", PDF: "pdf", XML: "xml", CSV: "csv", JSON: "json"}


def _response(
    request: Request[Any, Any, Any], made: _Made, form: str, name: str
) -> Response[bytes]:
    body = made.body if isinstance(made, Page) else made
    headers = {
        "ETag": body_tag(body),
        "Cache-Control": "no-cache",
        "Vary": "Accept",
        "Content-Disposition": f'inline; filename="{name}.{_SUFFIX[form]}"',
    }
    if isinstance(made, Page):
        headers["Content-Security-Policy"] = made.policy
    if has_it(request, headers["ETag"]):
        return Response(b"", status_code=304, headers=headers, media_type=form)
    return Response(body, headers=headers, media_type=form)
