"""What becomes of a revision that nobody answered when the work is finished."""

import asyncio

import pytest
from tests.store.memory import MemoryStore
from tests.store.small import STAMP, TODAY, a_quote, a_revision, an_issued_revision

from kitwright.keeping.acts import NotNow, possible_acts
from kitwright.keeping.life import finish
from kitwright.keeping.record import KeptQuote, QuoteState, RevisionState
from kitwright.keeping.store import Records


def at_work(records: Records, newest: RevisionState | None) -> KeptQuote:
    """Return a quote in work by its first revision, with a newer one where a state is given."""
    is_offered = newest is RevisionState.issued
    quote = records.quotes.add(
        a_quote(
            state=QuoteState.in_work,
            agreed=1,
            latest=1 if newest is None else 2,
            offered=2 if is_offered else None,
        )
    )
    records.revisions.add(an_issued_revision(1, 1, state=RevisionState.accepted))
    if newest is RevisionState.draft:
        records.revisions.add(a_revision(1, 2))
    elif newest is not None:
        records.revisions.add(an_issued_revision(1, 2, state=newest))
    return quote


@pytest.mark.parametrize(
    ("newest", "left", "facts"),
    [
        (None, None, {"revision": 1}),
        (RevisionState.draft, RevisionState.superseded, {"revision": 1, "superseded": 2}),
        (RevisionState.declined, RevisionState.declined, {"revision": 1}),
        (RevisionState.expired, RevisionState.expired, {"revision": 1}),
        (RevisionState.withdrawn, RevisionState.withdrawn, {"revision": 1}),
    ],
)
def test_finish_supersedes_a_draft_and_names_it(
    newest: RevisionState | None, left: RevisionState | None, facts: dict[str, int]
) -> None:
    store = MemoryStore({})

    quote = asyncio.run(
        store.write(lambda records: finish(records, STAMP, at_work(records, newest)))
    )

    assert (quote.state, quote.agreed, quote.offered) == (QuoteState.done, 1, None)
    states = [one.state for one in store.read(lambda records: records.revisions.of_quote(1))]
    assert states == [RevisionState.accepted, *([] if left is None else [left])]
    (event,) = store.read(lambda records: records.events.after(0, 9))
    figures = {"shown": 1, "net": "100.00", "gross": "108.25", "currency": "USD"}
    assert event.facts == {"state": "done", "version": 2, **figures, **facts}


def test_finish_waits_for_the_answer_to_an_offer() -> None:
    store = MemoryStore({})
    quote = asyncio.run(store.write(lambda records: at_work(records, RevisionState.issued)))

    offered = store.read(lambda records: records.revisions.get(1, 2))
    assert offered is not None
    assert "finish" not in possible_acts(quote, offered, TODAY, is_supplied=True, is_orderable=True)
    with pytest.raises(NotNow, match="revision 2 is on offer and not yet decided"):
        asyncio.run(store.write(lambda records: finish(records, STAMP, quote)))
