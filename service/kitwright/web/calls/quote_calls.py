"""Quote calls: quotes are kept, read, found, revised, copied and compared with today."""

from __future__ import annotations

from msgspec import structs

from kitwright.keeping import life
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptQuote, QuoteState, Revision
from kitwright.keeping.store import QuoteFilter, Records
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
    Contents,
    KeptQuoteOut,
    QuoteHeadOut,
    QuoteIn,
    QuotesQuery,
    RevisionHeadOut,
    RevisionOut,
    revision_head,
    whole_revision,
)
from kitwright.web.calls.quotes import (
    asked_of,
    changed_since,
    check_named,
    checked,
    contents,
    created,
    head_of,
    new_contents,
    of_today,
    quote_of,
    reckon,
    revision_in_path,
    whole,
)
from kitwright.web.calls.records import ListOut
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

_REVISION = {"revision": "Which revision, by its number."}


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
    """Quote a repair and keep it.

    Takes what a preview takes, and keeps the quote as a draft with its first revision. It may be
    revised until it is issued; after that every change is a new revision.
    """
    figures = reckon(call.desk, body)
    shown = await new_contents(call.desk, figures)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        check_named(records, figures.customer, figures.machine)
        quote = life.keep_quote(records, call.stamp, figures)
        return created(call.desk, records, quote, shown)

    return work


@operation("GET /v1/quotes", "listQuotes", "quotes")
def find(records: Records, call: Call, query: QuotesQuery) -> Reply[ListOut[QuoteHeadOut]]:
    """Find kept quotes.

    Quotes, newest first, by state, customer, machine, day and words. Where there are more, `Link`
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
        call.operation.path,
        "quotes",
        query,
        [(one.number, head_of(call.desk, records, one, is_read=True)) for one in found],
    )


def _states(text: str) -> tuple[QuoteState, ...]:
    try:
        return tuple(QuoteState(one) for one in text.split(",")) if text else ()
    except ValueError:
        known = ", ".join(QuoteState)
        raise Refusal("query-invalid", f"state: should be some of {known}") from None


@operation("GET /v1/quotes/{id}", "getQuote", "quotes", is_tagged=True)
def get(records: Records, call: Call) -> Reply[KeptQuoteOut]:
    """One kept quote.

    A quote with the revision that counts, to the last figure: what was agreed, with what was added
    since; else what is offered, or was offered last; else the draft. A draft that is begun later is
    in `draft` until it is issued or agreed to.
    """
    desk, quote = call.desk, call.record(QUOTE, records.quotes.get)
    return whole(desk, records, quote, contents(desk, records, quote), is_read=True)


@operation("GET /v1/quotes/{id}/revisions", "listRevisions", "quotes")
def revisions(records: Records, call: Call) -> Reply[ListOut[RevisionHeadOut]]:
    """All revisions of a quote.

    What became of each revision, oldest first.
    """
    quote = call.record(QUOTE, records.quotes.get)
    found = records.revisions.of_quote(quote.number)
    return Reply(body=ListOut(items=tuple(map(revision_head, found))))


@operation("GET /v1/quotes/{id}/revisions/{revision}", "getRevision", "quotes", variables=_REVISION)
def revision(records: Records, call: Call) -> Reply[RevisionOut]:
    """One revision of a quote.

    A revision as it was answered. Once issued it never changes, but that personal data is taken
    out when a customer is erased.
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
    """What a revision would come to today.

    Quotes what was asked once more, by today's catalogue, and names every line and total that
    differs. The revision stays as it is.
    """
    desk = call.desk
    revision = revision_in_path(records, call)
    asked, today = of_today(desk, revision), desk.today()
    # what was needed by a day that has passed is needed now
    needed_by = None if asked.needed_by is None else max(asked.needed_by, today)
    asked = structs.replace(asked, needed_by=needed_by, contingencies=False)
    stock = desk.shelf.read(records, desk.service.workshop.catalogue, revision.quote)
    now = desk.service.quote(asked, stock)
    return Reply(body=difference(revision, now))


@operation("GET /v1/quotes/{id}/history", "listHistory", "quotes")
def history(records: Records, call: Call) -> Reply[ListOut[EventOut]]:
    """What happened to a quote.

    Every change, oldest first: when, by whose hand, to which state.
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
    """Quote it anew.

    Takes the whole request once more; customer and machine stay where they are left out. Replaces
    the newest revision while that is a draft; else makes a new one. What was offered or agreed
    stays so until the new one is issued or accepted: then the answer, like every read of the quote,
    goes on showing it, and has the new revision in `draft`.
    """
    desk, number = call.desk, call.number("id", QUOTE)

    def found(records: Records) -> tuple[KeptQuote, Revision, Contents | None]:
        quote = quote_of(records, number)
        newest = life.revision_of(records, quote, quote.latest)
        # if nothing is offered or agreed, the new revision is shown
        is_bound = quote.offered is not None or quote.agreed is not None
        return quote, newest, contents(desk, records, quote) if is_bound else None

    before, newest, bound = desk.store.read(found)
    # whom and which machine a quote is for stays so where nothing is said of it
    asked = structs.replace(
        body,
        customer=body.customer or written_or_none(CUSTOMER, newest.customer),
        machine=body.machine or written_or_none(MACHINE, newest.machine),
    )
    figures = reckon(desk, asked, number)
    revised = await new_contents(desk, figures)
    shown = revised if bound is None else bound

    def work(records: Records) -> Reply[KeptQuoteOut]:
        quote = checked(records, call)
        if quote != before:
            # it shows something else than what would be answered
            raise changed_since(quote)
        check_named(records, figures.customer, figures.machine)
        return whole(desk, records, life.revise(records, call.stamp, quote, figures), shown)

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
    """Quote the same again, as a new quote.

    Asks what the revision that is shown asked, today and by today's catalogue, and keeps it as a
    new draft for the same customer and machine, without the complaint.
    """
    desk, number = call.desk, call.number("id", QUOTE)

    def shown(records: Records) -> Revision:
        quote = quote_of(records, number)
        return life.revision_of(records, quote, quote.shown)

    asked = asked_of(desk.store.read(shown))
    figures = reckon(desk, structs.replace(asked, on=None, needed_by=None, complaint=None))
    copied = await new_contents(desk, figures)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        check_named(records, figures.customer, figures.machine)
        quote = life.keep_quote(records, call.stamp, figures, copy_of=number)
        return created(desk, records, quote, copied)

    return work
