"""What becomes of the revisions of a quote that is withdrawn."""

import asyncio

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import (
    STAMP,
    a_quote,
    a_revision,
    an_issued_revision,
)

from kitwright.keeping.offer import withdraw
from kitwright.keeping.record import KeptQuote, QuoteState, RevisionState
from kitwright.keeping.store import Records


@pytest.mark.parametrize(
    ("newest", "left"),
    [
        (RevisionState.declined, RevisionState.declined),
        (RevisionState.expired, RevisionState.expired),
        (RevisionState.draft, RevisionState.withdrawn),
    ],
)
def test_withdraw_of_an_agreement_leaves_what_was_decided(
    newest: RevisionState, left: RevisionState
) -> None:
    def work(records: Records) -> KeptQuote:
        quote = records.quotes.add(a_quote(state=QuoteState.accepted, agreed=1, latest=2))
        records.revisions.add(an_issued_revision(1, 1, state=RevisionState.accepted))
        draft = a_revision(1, 2)
        records.revisions.add(
            draft if newest is RevisionState.draft else an_issued_revision(1, 2, state=newest)
        )
        return withdraw(records, STAMP, quote)

    store = MemoryStore({})

    quote = asyncio.run(store.write(work))

    assert (quote.state, quote.agreed, quote.offered) == (QuoteState.withdrawn, None, None)
    states = [one.state for one in store.read(lambda records: records.revisions.of_quote(1))]
    assert states == [RevisionState.withdrawn, left]
    (event,) = store.read(lambda records: records.events.after(0, 9))
    assert event.facts["revision"] == 1
