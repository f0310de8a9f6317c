"""Papers: calls that return documents of stored revisions and orders, in the caller's format."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Final

from msgspec import Meta

from kitwright.documents.papers import MadeOrder, Page
from kitwright.keeping.store import Records
from kitwright.quote import Paper, ShownQuote, encode_quote, for_customer
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import ORDER, QUOTE, RevisionNumber
from kitwright.web.calls.order_paper import made_order
from kitwright.web.calls.standing import paper_of
from kitwright.web.calls.waiting_period import with_wait
from kitwright.web.edge.negotiate import CSV, HTML, JSON, PDF, XML, body_tag
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

_SUFFIX: Final = {HTML: "html", PDF: "pdf", XML: "xml", CSV: "csv", JSON: "json"}
_FACTS: Final[dict[str, Any]] = {"keeps": "reads", "is_tagged": True}


class PaperQuery(Wire, frozen=True, kw_only=True):
    """The revision; default: the one that the quote shows."""

    revision: Annotated[
        RevisionNumber | None,
        Meta(description="The revision; default: the one that the quote shows."),
    ] = None


@operation(
    "GET /v1/quotes/{id}/sheet",
    "getQuoteSheet",
    "papers",
    "too-busy",
    forms=(HTML, PDF, XML, JSON),
    **_FACTS,
)
async def sheet(call: Call, query: PaperQuery, form: str) -> Reply[ShownQuote]:
    """Get the quote as a document for the customer.

    A page, a PDF, a UBL 2.1 Quotation (if the revision is issued) or JSON, all with the same
    amounts, in the revision's language.
    """
    papers = call.desk.papers
    one = _asked(call, query)
    envelope = one.envelope
    if form == XML and envelope.issued_at is None:
        raise Refusal(
            "not-acceptable", f"revision {envelope.revision} is not issued: it has no XML yet"
        )
    makers: dict[str, Callable[[Paper], Page | bytes]] = {
        HTML: papers.quote_page,
        PDF: papers.quote_pdf,
        XML: papers.quotation,
        JSON: lambda one: for_customer(encode_quote(one.quote)),
    }
    return await _made(call, makers[form], one, form=form)


@operation(
    "GET /v1/quotes/{id}/bench-sheet",
    "getBenchSheet",
    "papers",
    "too-busy",
    forms=(HTML, PDF),
    **_FACTS,
)
async def bench_sheet(call: Call, query: PaperQuery, form: str) -> Reply[bytes]:
    """Get the bench sheet (work order).

    Components to remove, in order, with minutes and cautions; parts replaced during reassembly;
    space for actual minutes and findings. Without prices and customer.
    """
    papers = call.desk.papers
    make = papers.bench_sheet_page if form == HTML else papers.bench_sheet_pdf
    return await _made(call, make, _asked(call, query), form=form)


@operation(
    "GET /v1/quotes/{id}/pick-list",
    "getPickList",
    "papers",
    "too-busy",
    forms=(HTML, PDF),
    **_FACTS,
)
async def pick_list(call: Call, query: PaperQuery, form: str) -> Reply[bytes]:
    """Get the pick list: by bin, the items to take from stock, their quantities and purpose."""
    papers = call.desk.papers
    make = papers.pick_list_page if form == HTML else papers.pick_list_pdf
    return await _made(call, make, _asked(call, query), form=form)


@operation(
    "GET /v1/orders/{id}/sheet",
    "getOrderSheet",
    "papers",
    "too-busy",
    forms=(PDF, CSV, XML),
    **_FACTS,
)
async def order_sheet(call: Call, form: str) -> Reply[bytes]:
    """Get a parts order as a document for the supplier.

    A PDF, comma-separated values for a spreadsheet, or a UBL 2.1 Order, in the supplier's language.
    """
    desk, papers = call.desk, call.desk.papers

    def find(records: Records) -> tuple[MadeOrder, str]:
        return made_order(desk, records, call.record(ORDER, records.orders.get))

    made, language = desk.store.read(find)
    maker = {PDF: papers.order_pdf, CSV: papers.order_csv, XML: papers.order_xml}[form]
    return await printed(call, maker, made, language, form=form, name=made.id)


def _asked(call: Call, query: PaperQuery) -> Paper:
    """Return the data for a document of a call's quote. Raises: Refusal: unknown-record."""

    def find(records: Records) -> Paper:
        quote = call.record(QUOTE, records.quotes.get)
        number = query.revision or quote.shown
        if records.revisions.get(quote.number, number) is None:
            raise Refusal(
                "unknown-record",
                f"no revision {number}: the newest of this quote is {quote.latest}",
            )
        return with_wait(
            paper_of(records, quote, number, call.desk.overrun), call.desk.service.workshop.shop
        )

    return call.desk.store.read(find)


async def _made(
    call: Call, make: Callable[[Paper], Page | bytes], one: Paper, *, form: str
) -> Reply[Any]:
    return await printed(call, make, one, form=form, name=one.envelope.name)


async def printed(
    call: Call, make: Callable[..., Page | bytes], *facts: object, form: str, name: str
) -> Reply[Any]:
    """Return a document that is made from facts, under a name for its file."""
    # off the event loop: a PDF takes longer than many answers
    made = await call.desk.documents.run(make, *facts)
    body = made.body if isinstance(made, Page) else made
    file = f"{name}.{_SUFFIX[form]}"
    headers = {"Content-Disposition": f'inline; filename="{file}"'}
    if isinstance(made, Page):
        headers["Content-Security-Policy"] = made.policy
    return Reply(body=body, tag=body_tag(body), form=form, headers=headers)
