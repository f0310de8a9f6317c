"""Quote calls: calls that store, find, read, revise, copy and compare quotes."""

from __future__ import annotations

from msgspec import structs

from kitwright.keeping import life
from kitwright.keeping.key import Scope
from kitwright.keeping.record import QuoteState, Revision
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.quote import encode_quote
from kitwright.web.calls.call import Call, Work
from kitwright.web.calls.declared import operation
from kitwright.web.calls.difference import DifferenceOut, difference
from kitwright.web.calls.event_wire import EventOut, event_out
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    QUOTE,
    read_id_or_none,
    written_or_none,
)
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.quote_wire import (
    KeptQuoteOut,
    QuoteHeadOut,
    QuoteIn,
    QuotesQuery,
    RevisionHeadOut,
    RevisionOut,
    kept_quote,
    quote_head,
    revision_head,
    whole_revision,
)
from kitwright.web.calls.quotes import (
    asked_of,
    check_named,
    checked,
    created,
    newest_of,
    of_today,
    quote_of,
    quote_tag,
    reckon,
    revision_in_path,
    whole,
)
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.standing import standing
from kitwright.web.calls.unprintable import request_looked_at, unprintable_request
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

_REVISION = {"revision": "The number of the revision."}


@operation(
    "POST /v1/quotes",
    "createQuote",
    "quotes",
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
    status=201,
    problems=("request-refused", "catalogue-gap"),
)
async def create(call: Call, body: QuoteIn) -> Work[KeptQuoteOut]:
    """Create a quote.

    Takes the same request as a preview, and stores the quote as a draft with its first revision.
    The draft can be revised until it is issued; after that, every change is a new revision.
    """
    figures = reckon(call.desk, body)
    found = await request_looked_at(call.desk.papers, figures.request)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        check_named(records, figures.customer, figures.machine)
        return created(life.keep_quote(records, call.stamp, figures), figures, found)

    return work


@operation("GET /v1/quotes", "listQuotes", "quotes")
def find(records: Records, call: Call, query: QuotesQuery) -> Reply[ListOut[QuoteHeadOut]]:
    """Find quotes.

    Quotes, newest first, by state, customer, machine, day and words. If there are more, `Link`
    leads to the next page.
    """
    found = records.quotes.find(
        QuoteFilter(
            states=_states(query.state),
            customer=read_id_or_none(CUSTOMER, query.customer),
            machine=read_id_or_none(MACHINE, query.machine),
            made_from=query.from_,
            made_to=query.to,
            words=tuple(query.q.split()),
            before=read_before("quotes", query.cursor),
            most=query.limit + 1,
        )
    )
    return page_reply(
        call.operation.path, "quotes", query, [(one.number, quote_head(one)) for one in found]
    )


def _states(text: str) -> tuple[QuoteState, ...]:
    try:
        return tuple(QuoteState(one) for one in text.split(",")) if text else ()
    except ValueError:
        known = ", ".join(QuoteState)
        raise Refusal("query-invalid", f"state: should be some of {known}") from None


@operation("GET /v1/quotes/{id}", "getQuote", "quotes", is_tagged=True)
def get(records: Records, call: Call) -> Reply[KeptQuoteOut]:
    """Get a quote.

    A quote with all data of the revision that counts: the agreed one, with later additions; else
    the one on offer or offered last; else the draft. A later draft is found at
    `/revisions/{revision}` until it is issued or agreed.
    """
    quote = call.record(QUOTE, records.quotes.get)
    revision = life.revision_of(records, quote, quote.shown)
    found = unprintable_request(call.desk.papers, revision.request)
    answer = encode_quote(standing(records, quote, revision))
    body = kept_quote(quote, revision.request, answer, found)
    return Reply(body=body, tag=quote_tag(quote))


@operation("GET /v1/quotes/{id}/revisions", "listRevisions", "quotes")
def revisions(records: Records, call: Call) -> Reply[ListOut[RevisionHeadOut]]:
    """List a quote's revisions.

    Each revision with its state, oldest first.
    """
    quote = call.record(QUOTE, records.quotes.get)
    found = records.quotes.revisions(quote.number)
    return Reply(body=ListOut(items=tuple(map(revision_head, found))))


@operation("GET /v1/quotes/{id}/revisions/{revision}", "getRevision", "quotes", variables=_REVISION)
def revision(records: Records, call: Call) -> Reply[RevisionOut]:
    """Get a revision of a quote.

    A revision as it was answered. Once issued, it never changes, except that personal data is
    removed when a customer is erased.
    """
    return Reply(body=whole_revision(revision_in_path(records, call)))


@operation(
    "GET /v1/quotes/{id}/revisions/{revision}/difference",
    "compareRevision",
    "quotes",
    variables=_REVISION,
    problems=("request-refused", "catalogue-gap"),
)
def compare(records: Records, call: Call) -> Reply[DifferenceOut]:
    """Compare a revision with today's prices.

    Quotes the same request again by today's catalogue, and lists every line and total that differs.
    The revision does not change.
    """
    desk = call.desk
    revision = revision_in_path(records, call)
    asked, today = of_today(desk, revision), desk.today()
    # if the needed-by day has passed, the parts are needed today
    needed_by = None if asked.needed_by is None else max(asked.needed_by, today)
    asked = structs.replace(asked, needed_by=needed_by, contingencies=False)
    now = desk.service.quote(asked)
    return Reply(body=difference(revision, now))


@operation("GET /v1/quotes/{id}/history", "listHistory", "quotes")
def history(records: Records, call: Call) -> Reply[ListOut[EventOut]]:
    """List a quote's history.

    Every change, oldest first: its time, its author and the new state.
    """
    quote = call.record(QUOTE, records.quotes.get)
    found = records.events.of_subject(f"quote:{quote.number}")
    return Reply(body=ListOut(items=tuple(map(event_out, found))))


@operation(
    "POST /v1/quotes/{id}/revise",
    "reviseQuote",
    "quotes",
    scope=Scope.QUOTE,
    is_once=True,
    is_guarded=True,
    is_tagged=True,
    problems=("act-refused", "request-refused", "catalogue-gap"),
)
async def revise(call: Call, body: QuoteIn) -> Work[KeptQuoteOut]:
    """Revise a quote.

    Takes the complete request again; customer and machine stay the same if left out. If the newest
    revision is a draft, it is replaced; otherwise a new revision is made, and the offer or
    agreement stays in force until the new one is issued or accepted. The answer has the new
    revision. Reading the quote still shows the revision on offer or agreed.
    """
    desk, number = call.desk, call.number("id", QUOTE)
    before = desk.store.read(lambda records: newest_of(records, number))
    # customer and machine stay the same if the request does not name them
    asked = structs.replace(
        body,
        customer=body.customer or written_or_none(CUSTOMER, before.customer),
        machine=body.machine or written_or_none(MACHINE, before.machine),
    )
    figures = reckon(desk, asked)
    found = await request_looked_at(desk.papers, figures.request)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        quote = checked(records, call)
        check_named(records, figures.customer, figures.machine)
        quote = life.revise(records, call.stamp, quote, figures)
        # the answer is the new revision, even if the quote shows another
        return whole(life.showing(records, quote, quote.latest), figures, found)

    return work


@operation(
    "POST /v1/quotes/{id}/copy",
    "copyQuote",
    "quotes",
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
    status=201,
    problems=("request-refused", "catalogue-gap"),
)
async def copy(call: Call) -> Work[KeptQuoteOut]:
    """Copy a quote.

    Quotes the request of the shown revision again, for today and by today's catalogue. Stores the
    result as a new draft for the same customer and machine, without the complaint.
    """
    desk, number = call.desk, call.number("id", QUOTE)

    def shown(records: Records) -> Revision:
        quote = quote_of(records, number)
        return life.revision_of(records, quote, quote.shown)

    asked = asked_of(desk.store.read(shown))
    figures = reckon(desk, structs.replace(asked, on=None, needed_by=None, complaint=None))
    found = await request_looked_at(desk.papers, figures.request)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        check_named(records, figures.customer, figures.machine)
        quote = life.keep_quote(records, call.stamp, figures, copy_of=number)
        return created(quote, figures, found)

    return work
