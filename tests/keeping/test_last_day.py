"""An offer is good to the end of its last valid day, and what was agreed outlives a later one."""

import asyncio
from collections.abc import Callable

import pytest
from msgspec import structs
from tests.store.memory import MemoryStore
from tests.store.small import DAY, STAMP, TODAY, figures

from kitwright.keeping.acts import QuoteExpired
from kitwright.keeping.consent import More, Yes, accept, ask_addition
from kitwright.keeping.life import finish, keep_quote, ordered, revise, start
from kitwright.keeping.offer import decline, expire_overdue, issue, reopen_early
from kitwright.keeping.record import KeptQuote, Means, QuoteState, RevisionState, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money

USD = "USD"
LAST = TODAY + 14 * DAY
YES = Yes(who="Ada", means=Means.telephone, text="Yes.", limit=Money(50_000, USD))
HOSE = More(description="a hose", kind="part", tax_kind="part", net=Money(1000, USD))


def days_after(last: int) -> Stamp:
    """Return the stamp of a day that is so many after the last valid one."""
    return structs.replace(STAMP, at=STAMP.at + (14 + last) * DAY, today=LAST + last * DAY)


def draft(records: Records) -> KeptQuote:
    return keep_quote(records, STAMP, figures(valid_until=LAST))


def offered(records: Records) -> KeptQuote:
    return issue(records, STAMP, draft(records))


def reread(records: Records, quote: KeptQuote) -> KeptQuote:
    found = records.quotes.get(quote.number)
    assert found is not None
    return found


ACTS: dict[str, Callable[[Records, Stamp], KeptQuote]] = {
    "issue": lambda records, stamp: issue(records, stamp, draft(records)),
    "accept": lambda records, stamp: accept(
        records, stamp, offered(records), 1, yes=YES, preset=None
    ),
    "decline": lambda records, stamp: decline(records, stamp, offered(records), 1),
}


@pytest.mark.parametrize("act", ACTS)
def test_act_on_an_offer_is_in_time_on_the_last_valid_day_and_late_the_day_after(act: str) -> None:
    in_time = asyncio.run(MemoryStore({}).write(lambda records: ACTS[act](records, days_after(0))))

    assert in_time.state.value in ("issued", "accepted", "declined")
    # nobody has marked it as run out yet: the day itself decides
    with pytest.raises(QuoteExpired) as late:
        asyncio.run(MemoryStore({}).write(lambda records: ACTS[act](records, days_after(1))))
    assert late.value.valid_until == LAST


def test_expire_overdue_leaves_an_offer_alone_on_its_last_valid_day() -> None:
    def work(records: Records) -> tuple[int, KeptQuote, int, KeptQuote]:
        quote = offered(records)
        on_it = expire_overdue(records, days_after(0)), reread(records, quote)
        return *on_it, expire_overdue(records, days_after(1)), reread(records, quote)

    none, still, one, over = asyncio.run(MemoryStore({}).write(work))

    assert (none, still.state, still.offered) == (0, QuoteState.issued, 1)
    assert (one, over.state, over.offered) == (1, QuoteState.expired, None)


def agreed(records: Records) -> KeptQuote:
    quote = accept(records, STAMP, offered(records), 1, yes=YES, preset=None)
    return ask_addition(records, STAMP, quote, HOSE)[0]


AGREED: dict[str, Callable[[Records], KeptQuote]] = {
    "accepted": agreed,
    "ordered": lambda records: ordered(records, STAMP, agreed(records), 1),
    "in_work": lambda records: start(
        records, STAMP, ordered(records, STAMP, agreed(records), 1), ()
    ),
}


@pytest.mark.parametrize("state", AGREED)
def test_agreement_stays_in_force_when_a_later_offer_expires(state: str) -> None:
    other = figures(net=Money(1, USD), gross=Money(1, USD), serial=9, valid_until=LAST - DAY)

    def work(records: Records) -> tuple[KeptQuote, KeptQuote]:
        before = AGREED[state](records)
        quote = issue(records, STAMP, revise(records, STAMP, before, other))
        assert quote.offered == 2
        assert expire_overdue(records, days_after(0)) == 1
        return before, reread(records, quote)

    store = MemoryStore({})
    before, after = asyncio.run(store.write(work))

    assert after.state.value == state
    assert (after.agreed, after.shown, after.offered) == (1, 1, None)
    # what is shown is the agreed revision with what was added to it
    assert before.net == Money(11_000, USD)
    changes = {"version", "latest", "changed_at"}
    assert {
        name for name in before.__struct_fields__ if getattr(before, name) != getattr(after, name)
    } == changes
    states = [one.state for one in store.read(lambda records: records.revisions.of_quote(1))]
    assert states == [RevisionState.accepted, RevisionState.expired]


def test_work_that_was_agreed_goes_on_after_a_later_offer_expired() -> None:
    def work(records: Records) -> KeptQuote:
        quote = AGREED["in_work"](records)
        quote = issue(
            records, STAMP, revise(records, STAMP, quote, figures(valid_until=LAST - DAY))
        )
        expire_overdue(records, days_after(0))
        quote, ruling = ask_addition(records, days_after(0), reread(records, quote), HOSE)
        assert ruling.limit.revision == 1
        return finish(records, days_after(0), quote)

    assert asyncio.run(MemoryStore({}).write(work)).state is QuoteState.done


def test_clock_that_was_ahead_expires_nothing_for_good() -> None:
    def work(records: Records) -> tuple[KeptQuote, KeptQuote]:
        quote = offered(records)
        expire_overdue(records, days_after(9))
        expired = reread(records, quote)
        reopen_early(records, days_after(0))
        return expired, reread(records, quote)

    store = MemoryStore({})
    expired, again = asyncio.run(store.write(work))

    assert (expired.state, expired.offered) == (QuoteState.expired, None)
    assert (again.state, again.offered) == (QuoteState.issued, 1)
    states = [one.state for one in store.read(lambda records: records.revisions.of_quote(1))]
    assert states == [RevisionState.issued]


@pytest.mark.parametrize(("act", "state"), [("accept", "accepted"), ("decline", "declined")])
def test_act_on_what_a_clock_expired_too_early_is_in_time(act: str, state: str) -> None:
    def work(records: Records) -> KeptQuote:
        quote = offered(records)
        expire_overdue(records, days_after(9))
        quote = reread(records, quote)
        if act == "accept":
            return accept(records, days_after(0), quote, 1, yes=YES, preset=None)
        return decline(records, days_after(0), quote, 1)

    assert asyncio.run(MemoryStore({}).write(work)).state.value == state


def test_offer_that_was_replaced_is_not_on_offer_again() -> None:
    def work(records: Records) -> KeptQuote:
        quote = offered(records)
        expire_overdue(records, days_after(9))
        revise(records, STAMP, reread(records, quote), figures(valid_until=LAST))
        reopen_early(records, days_after(0))
        return reread(records, quote)

    assert asyncio.run(MemoryStore({}).write(work)).state is QuoteState.draft


def test_clock_behind_the_issue_is_told_and_refuses_no_customer() -> None:
    behind = structs.replace(STAMP, at=STAMP.at - 2 * DAY, today=TODAY - 2 * DAY)
    now = structs.replace(YES, at=None)

    def work(records: Records) -> KeptQuote:
        return accept(records, behind, offered(records), 1, yes=now, preset=None)

    store = MemoryStore({})
    quote = asyncio.run(store.write(work))

    assert quote.state is QuoteState.accepted
    given = store.read(lambda records: records.authorisations.get(1, 1))
    assert given is not None
    assert given.at == STAMP.at
    (event,) = store.read(lambda records: records.events.after(2, 9))
    assert event.facts["clock_behind_seconds"] == 2 * 86400
