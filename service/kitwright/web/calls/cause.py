"""Cause: the call that settles why a machine came back, once it is diagnosed."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import UNSET, Meta, structs

from kitwright.keeping.acts import ActRefused, check_act
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import written
from kitwright.web.calls.quotes import Before, KeptQuoteOut, revised
from kitwright.web.calls.reckoning import QuoteIn, asked_of
from kitwright.web.calls.wire import MOST_JOBS, Jobs
from kitwright.web.edge.shapes import Id, Text, Wire


class CauseIn(Wire, frozen=True, kw_only=True):
    """Why a machine came back: a `part` that the shop sold, its `work`, or a `new_fault`.

    `jobs` are those that the cause concerns; without any, all that were not added.
    """

    cause: Literal["part", "work", "new_fault"]
    jobs: Annotated[Jobs, Meta(max_length=MOST_JOBS)] = ()
    part: Annotated[
        Id | None, Meta(description="The number of the part that failed, if that is it.")
    ] = None
    reason: Text
    by: Text


class NoComeBack(ActRefused):
    """A cause for a quote whose machine did not come back from an earlier visit."""

    code = "no-come-back"

    def __init__(self, quote: KeptQuote) -> None:
        super().__init__(
            "this quote follows no earlier visit: revise it with `comes_back` that names one"
        )
        self.quote = quote.number


@operation(
    "POST /v1/quotes/{id}/cause",
    "settleCause",
    "quotes",
    "act-refused",
    "request-refused",
    "catalogue-gap",
    "too-busy",
    is_guarded=True,
)
async def settle(call: Call, body: CauseIn) -> Work[KeptQuoteOut]:
    """Settle why the machine came back.

    Quotes the visit anew with the cause, as `revise` does. Within the shop's warranty, the jobs
    that a part or the work is the cause of are borne by the shop: their lines stay, and an
    allowance for each tax kind takes them off. Other jobs and added parts (not the one that failed)
    are charged, at most with what they would add to a paid visit, also if they replace a job that
    is borne. A new fault and what is outside the warranty are charged, and the quote says so. A
    cause can be settled again until the work is finished.
    """

    def asked(before: Before) -> QuoteIn:
        check_act("cause", before.quote)
        newest = asked_of(before.newest)
        if newest.comes_back is None:
            raise NoComeBack(before.quote)
        settled = structs.replace(
            newest.comes_back,
            cause=body.cause,
            jobs=body.jobs,
            part=body.part,
            reason=body.reason,
            by=body.by,
        )
        return structs.replace(
            newest,
            comes_back=settled,
            courses=() if body.cause != "new_fault" else newest.courses,
            chosen=UNSET,
            change=UNSET,
            on=None,
            needed_by=None,
        )

    def note(records: Records, quote: KeptQuote) -> KeptQuote:
        kept = records.come_backs.get(quote.number)
        assert kept is not None
        facts: Facts = {
            "visit": written("Q", kept.visit),
            "cause": kept.cause,
            "ground": kept.ground,
        }
        return keep_change(records, call.stamp, "quote.cause", quote, facts)

    return await revised(call, asked, note)
