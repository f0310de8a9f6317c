"""Quote operations: what the API description says of calls on quotes."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.key import Scope
from kitwright.web.calls.quote_wire import (
    DifferenceOut,
    EventOut,
    KeptQuoteOut,
    QuoteHeadOut,
    QuoteIn,
    QuotesQuery,
    RevisionHeadOut,
    RevisionOut,
)
from kitwright.web.calls.records import ListOut
from kitwright.web.edge.operation import Operation

CREATE: Final = Operation(
    method="post",
    path="/v1/quotes",
    id="createQuote",
    tag="quotes",
    summary="Quote a repair and keep it",
    description=(
        "Takes what a preview takes, and keeps the quote as a draft with its first revision. "
        "It may be revised until it is issued; after that every change is a new revision."
    ),
    takes=QuoteIn,
    keeps="writes",
    answers=KeptQuoteOut,
    status=201,
    problems=(
        "request-refused",
        "catalogue-gap",
    ),
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
)
FIND: Final = Operation(
    method="get",
    path="/v1/quotes",
    id="listQuotes",
    tag="quotes",
    summary="Find kept quotes",
    description=(
        "Quotes, newest first, by state, customer, machine, day and words. Where there are more, "
        "`Link` leads to the next page."
    ),
    keeps="reads",
    answers=ListOut[QuoteHeadOut],
    query=QuotesQuery,
)
GET: Final = Operation(
    method="get",
    path="/v1/quotes/{id}",
    id="getQuote",
    tag="quotes",
    summary="One kept quote",
    description=(
        "A quote with the revision that counts, to the last figure: what was agreed, with what was "
        "added since; else what is offered, or was offered last; else the draft. A draft that is "
        "begun later shows in `/revisions/{revision}` until it is issued or agreed to."
    ),
    keeps="reads",
    answers=KeptQuoteOut,
    is_tagged=True,
)
REVISIONS: Final = Operation(
    method="get",
    path="/v1/quotes/{id}/revisions",
    id="listRevisions",
    tag="quotes",
    summary="All revisions of a quote",
    description="What became of each revision, oldest first.",
    keeps="reads",
    answers=ListOut[RevisionHeadOut],
)
REVISION: Final = Operation(
    method="get",
    path="/v1/quotes/{id}/revisions/{revision}",
    id="getRevision",
    tag="quotes",
    summary="One revision of a quote",
    description=(
        "A revision as it was answered. Once issued it never changes, but that personal data is "
        "taken out when a customer is erased."
    ),
    keeps="reads",
    answers=RevisionOut,
    variables={"revision": "Which revision, by its number."},
)
DIFFERENCE: Final = Operation(
    method="get",
    path="/v1/quotes/{id}/revisions/{revision}/difference",
    id="compareRevision",
    tag="quotes",
    summary="What a revision would come to today",
    description=(
        "Quotes what was asked once more, by today's catalogue, and names every line and total "
        "that differs. The revision stays as it is."
    ),
    keeps="reads",
    answers=DifferenceOut,
    problems=(
        "request-refused",
        "catalogue-gap",
    ),
    variables={"revision": "Which revision, by its number."},
)
HISTORY: Final = Operation(
    method="get",
    path="/v1/quotes/{id}/history",
    id="listHistory",
    tag="quotes",
    summary="What happened to a quote",
    description="Every change, oldest first: when, by whose hand, to which state.",
    keeps="reads",
    answers=ListOut[EventOut],
)
REVISE: Final = Operation(
    method="post",
    path="/v1/quotes/{id}/revise",
    id="reviseQuote",
    tag="quotes",
    summary="Quote it anew",
    description=(
        "Takes the whole request once more; customer and machine stay where they are left out. "
        "Replaces the newest revision while that is a draft; "
        "else makes a new one, and what was offered or agreed stays so until the new one is "
        "issued or accepted. The answer has the new revision; reading the quote goes on having "
        "what was offered or agreed."
    ),
    takes=QuoteIn,
    keeps="writes",
    answers=KeptQuoteOut,
    problems=(
        "act-refused",
        "request-refused",
        "catalogue-gap",
    ),
    scope=Scope.QUOTE,
    is_once=True,
    is_guarded=True,
    is_tagged=True,
)
COPY: Final = Operation(
    method="post",
    path="/v1/quotes/{id}/copy",
    id="copyQuote",
    tag="quotes",
    summary="Quote the same again, as a new quote",
    description=(
        "Asks what the revision that is shown asked, today and by today's catalogue, and keeps it "
        "as a new draft for the same customer and machine, without the complaint."
    ),
    keeps="writes",
    answers=KeptQuoteOut,
    status=201,
    problems=(
        "request-refused",
        "catalogue-gap",
    ),
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
)
OPERATIONS: Final = (CREATE, FIND, GET, REVISIONS, REVISION, DIFFERENCE, HISTORY, REVISE, COPY)
