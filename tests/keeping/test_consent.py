"""What a customer authorises: total, limit and time, and what may be added to it."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from typing import TypeVar

import pytest
from msgspec import structs
from tests.keeping.test_overrun import preset
from tests.store.memory import MemoryStore
from tests.store.small import HOUR, NOON, STAMP, TODAY, figures

from kitwright.catalogue.model import Allows, OverrunPreset
from kitwright.keeping.acts import ActRefused, NothingOffered, NotNow, OtherRevisionOffered
from kitwright.keeping.consent import (
    AmountDiffers,
    AuthorisationTimeInvalid,
    Decision,
    LimitBelowAmount,
    More,
    Ruling,
    Yes,
    accept,
    ask_addition,
    limit_of,
)
from kitwright.keeping.life import finish, keep_quote, ordered, revise, start
from kitwright.keeping.offer import issue, withdraw
from kitwright.keeping.record import Addition, Authorisation, KeptQuote, Means, QuoteState
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.units import Figure

T = TypeVar("T")
YES = Yes(who="Ada", means=Means.telephone, text="Yes, do it.")
LATER = structs.replace(STAMP, at=NOON + HOUR)
SECOND = timedelta(seconds=1)


def usd(minor: int) -> Money:
    return Money(minor, "USD")


def work(done: Callable[[Records], T]) -> T:
    """Return what some work on new records comes to."""
    return asyncio.run(MemoryStore({}).write(done))


def issued(records: Records) -> KeptQuote:
    """Return a quote on offer at 100.00, with tax 108.25."""
    return issue(records, STAMP, keep_quote(records, STAMP, figures()))


def agreed(records: Records, yes: Yes = YES, by: OverrunPreset | None = None) -> KeptQuote:
    return accept(records, LATER, issued(records), 1, yes=yes, preset=by)


def authorised(yes: Yes, by: OverrunPreset | None = None) -> Authorisation:
    """Return what is recorded of a customer's yes."""

    def done(records: Records) -> Authorisation:
        (given,) = records.authorisations.of_quote(agreed(records, yes, by).number)
        return given

    return work(done)


# The amount


def test_accept_records_who_agreed_to_what_and_in_which_words() -> None:
    given = authorised(structs.replace(YES, contact="+1 555 0100"))

    assert (given.quote, given.revision, given.at) == (1, 1, LATER.at)
    assert (given.who, given.means, given.contact) == ("Ada", Means.telephone, "+1 555 0100")
    assert given.text == "Yes, do it."
    assert given.includes_tax
    assert given.sha256 == work(
        lambda records: records.revisions.get(issued(records).number, 1).sha256  # type: ignore[union-attr]
    )


@pytest.mark.parametrize(("includes_tax", "due"), [(True, 10825), (False, 10000)])
def test_accept_takes_the_total_with_or_without_tax_as_the_customer_means_it(
    includes_tax: bool, due: int
) -> None:
    yes = structs.replace(YES, includes_tax=includes_tax)

    assert authorised(yes).amount == authorised(yes).limit == usd(due)
    assert authorised(structs.replace(yes, amount=usd(due))).amount == usd(due)


@pytest.mark.parametrize(
    ("includes_tax", "amount", "told"),
    [
        (True, 10824, "108.25 USD including tax, not 108.24 USD"),
        (True, 10826, "108.25 USD including tax, not 108.26 USD"),
        (False, 10825, "100.00 USD before tax, not 108.25 USD"),
    ],
)
def test_accept_refuses_any_other_amount_and_says_which_is_right(
    includes_tax: bool, amount: int, told: str
) -> None:
    yes = structs.replace(YES, includes_tax=includes_tax, amount=usd(amount))

    with pytest.raises(AmountDiffers) as refused:
        work(lambda records: agreed(records, yes))

    assert str(refused.value) == f"the total of the revision is {told}"
    assert (refused.value.given, refused.value.path) == (usd(amount), ("amount",))
    assert refused.value.due == usd(10825 if includes_tax else 10000)


# The limit


def test_accept_takes_a_limit_of_no_less_than_the_total() -> None:
    assert authorised(structs.replace(YES, limit=usd(10825))).limit == usd(10825)
    assert authorised(structs.replace(YES, limit=usd(15000))).limit == usd(15000)

    with pytest.raises(LimitBelowAmount) as refused:
        work(lambda records: agreed(records, structs.replace(YES, limit=usd(10824))))
    assert str(refused.value) == (
        "the limit of 108.24 is below the total of the revision, 108.25 USD"
    )
    assert (refused.value.limit, refused.value.due) == (usd(10824), usd(10825))
    assert refused.value.path == ("limit",)


def test_accept_adds_the_shops_allowance_where_the_customer_names_no_limit() -> None:
    tenth = preset(Allows.percent, currency=None, percent=Figure("10"))

    # 10 % of 108.25, rounded down
    assert authorised(YES, tenth).limit == usd(10825 + 1082)
    assert authorised(structs.replace(YES, includes_tax=False), tenth).limit == usd(11000)
    # what the customer says goes first
    assert authorised(structs.replace(YES, limit=usd(11000)), tenth).limit == usd(11000)


# The time


@pytest.mark.parametrize(
    "at",
    [
        pytest.param(LATER.at, id="now"),
        pytest.param(NOON, id="when it was issued"),
        # clocks are told to the second
        pytest.param(NOON.replace(microsecond=0), id="in the second in which it was issued"),
    ],
)
def test_accept_takes_a_time_from_issue_until_now(at: object) -> None:
    assert authorised(structs.replace(YES, at=at)).at == at


@pytest.mark.parametrize(
    "at",
    [
        pytest.param(LATER.at + SECOND, id="a second ahead"),
        pytest.param(NOON.replace(microsecond=0) - SECOND, id="a second before it was issued"),
    ],
)
def test_accept_refuses_a_time_before_issue_or_in_the_future(at: object) -> None:
    with pytest.raises(AuthorisationTimeInvalid) as refused:
        work(lambda records: agreed(records, structs.replace(YES, at=at)))

    assert str(refused.value).endswith(
        "is not between the time of issue (2027-03-01T12:00:00+00:00) "
        "and now (2027-03-01T13:00:00+00:00)"
    )
    assert refused.value.at_moment == at
    assert refused.value.path == ("at",)


# The revision


def test_accept_of_what_is_agreed_already_changes_nothing() -> None:
    def done(records: Records) -> tuple[KeptQuote, KeptQuote, int]:
        quote = agreed(records)
        again = accept(records, LATER, quote, 1, yes=YES, preset=None)
        return quote, again, len(records.events.after(0, 99))

    quote, again, events = work(done)

    assert again == quote
    # created, issued, accepted
    assert events == 3


@pytest.mark.parametrize(
    ("revision", "refusal"), [(1, OtherRevisionOffered), (2, None)], ids=["old", "offered"]
)
def test_accept_is_of_the_revision_on_offer(
    revision: int, refusal: type[ActRefused] | None
) -> None:
    def done(records: Records) -> KeptQuote:
        again = revise(records, STAMP, issued(records), figures())
        quote = issue(records, STAMP, again)
        return accept(records, LATER, quote, revision, yes=YES, preset=None)

    if refusal is None:
        assert work(done).agreed == 2
    else:
        with pytest.raises(refusal, match="revision 1 is no longer on offer; revision 2 is"):
            work(done)


def test_accept_of_a_draft_is_refused() -> None:
    with pytest.raises(NothingOffered, match="no revision is on offer to accept: issue one first"):
        work(
            lambda records: accept(
                records, STAMP, keep_quote(records, STAMP, figures()), 1, yes=YES, preset=None
            )
        )


def test_accept_at_work_leaves_the_work_going_on() -> None:
    def done(records: Records) -> KeptQuote:
        quote = start(records, LATER, ordered(records, LATER, agreed(records), 1), ())
        quote = issue(records, LATER, revise(records, LATER, quote, figures()))
        return accept(records, LATER, quote, 2, yes=YES, preset=None)

    quote = work(done)

    assert (quote.state, quote.agreed, quote.offered) == (QuoteState.in_work, 2, None)


# The limit in force, and additions


@pytest.mark.parametrize("includes_tax", [True, False])
def test_limit_of_tells_what_is_authorised_committed_spent_and_left(includes_tax: bool) -> None:
    yes = structs.replace(YES, includes_tax=includes_tax, limit=usd(20000))

    def done(records: Records) -> KeptQuote:
        quote = ask_addition(records, LATER, agreed(records, yes), hose(net=usd(1000)))[0]
        limit = limit_of(records, quote)
        assert (limit.revision, limit.includes_tax) == (1, includes_tax)
        # 110.00 bear 9.08 of tax: 10.83 more than 108.25
        committed, spent = (10825, 1083) if includes_tax else (10000, 1000)
        assert (limit.committed, limit.spent) == (usd(committed), usd(spent))
        assert (limit.authorised, limit.left) == (usd(20000), usd(20000 - committed - spent))
        return quote

    work(done)


def test_limit_of_is_refused_where_nothing_is_authorised() -> None:
    def withdrawn(records: Records) -> KeptQuote:
        return withdraw(records, LATER, agreed(records))

    for made in (issued, withdrawn):
        with pytest.raises(NotNow, match="no authorisation is in force"):
            work(lambda records, made=made: limit_of(records, made(records)))  # type: ignore[misc]


def hose(**price: Money) -> More:
    return More(description="a hose", kind="part", tax_kind="part", **price)


def added(more: More, limit: int, **asked: bool) -> tuple[KeptQuote, Ruling, tuple[Addition, ...]]:
    """Return what becomes of an addition to an agreement of 108.25 up to a limit."""
    yes = structs.replace(YES, limit=usd(limit))

    def done(records: Records) -> tuple[KeptQuote, Ruling, tuple[Addition, ...]]:
        quote, ruling = ask_addition(records, LATER, agreed(records, yes), more, **asked)
        return quote, ruling, records.additions.of_quote(quote.number)

    return work(done)


def test_ask_addition_goes_to_the_last_cent_of_the_limit() -> None:
    quote, ruling, kept = added(hose(net=usd(1000)), 10825 + 1083)

    assert ruling.decision is Decision.go
    assert (ruling.new, ruling.over_by, ruling.consent_up_to) == (usd(1083), usd(0), usd(11908))
    assert ruling.limit.left == usd(0)
    assert kept == (ruling.addition,)
    assert ruling.addition == Addition(
        quote=1,
        number=1,
        revision=1,
        at=LATER.at,
        day=TODAY,
        description="a hose",
        kind="part",
        tax_kind="part",
        price=usd(1000),
        net=usd(1000),
        amount=usd(1083),
    )
    assert (quote.net, quote.gross) == (usd(11000), usd(11908))


def test_ask_addition_stops_a_cent_beyond_the_limit_and_says_what_it_takes() -> None:
    quote, ruling, kept = added(hose(net=usd(1000)), 10825 + 1082)

    assert ruling.decision is Decision.stop
    assert (ruling.new, ruling.over_by, ruling.consent_up_to) == (usd(1083), usd(1), usd(11908))
    assert (ruling.addition, kept) == (None, ())
    assert ruling.limit.left == usd(1082)
    assert quote.gross == usd(10825)


def test_ask_addition_counts_what_was_added_before() -> None:
    yes = structs.replace(YES, limit=usd(13000))

    def done(records: Records) -> tuple[Ruling, Ruling]:
        quote, first = ask_addition(records, LATER, agreed(records, yes), hose(net=usd(1000)))
        return first, ask_addition(records, LATER, quote, hose(net=usd(1000)))[1]

    first, second = work(done)

    # 120.00 bear 9.90 of tax: 129.90, of which 119.08 are committed and spent
    assert (first.new, second.new) == (usd(1083), usd(1082))
    assert second.decision is Decision.go
    assert (second.limit.spent, second.limit.left) == (usd(2165), usd(10))


def test_ask_addition_on_trial_keeps_nothing() -> None:
    quote, ruling, kept = added(hose(net=usd(1000)), 20000, is_trial=True)

    assert (ruling.decision, ruling.addition, kept) == (Decision.go, None, ())
    assert (ruling.new, ruling.consent_up_to) == (usd(1083), usd(20000))
    assert ruling.limit.spent == usd(0)
    assert quote.gross == usd(10825)


@pytest.mark.parametrize(
    ("amount", "price", "comes_to"),
    [
        # 9.24 bear 0.76: with the rest 118.25
        (1000, 924, 1000),
        # no price comes to 0.07 with the rest: 0.06 comes to 0.06, 0.07 to 0.08
        (7, 6, 6),
    ],
)
def test_ask_addition_finds_the_largest_price_within_an_amount_with_tax(
    amount: int, price: int, comes_to: int
) -> None:
    _, ruling, kept = added(hose(amount=usd(amount)), 20000)

    assert [(one.price, one.amount) for one in kept] == [(usd(price), usd(comes_to))]
    assert ruling.new == usd(comes_to)


def test_ask_addition_tells_of_itself_in_the_feed() -> None:
    def done(records: Records) -> dict[str, str | int | None]:
        yes = structs.replace(YES, limit=usd(20000))
        ask_addition(records, LATER, agreed(records, yes), hose(net=usd(1000)))
        event = records.events.after(0, 99)[-1]
        assert event.kind == "quote.addition"
        return dict(event.facts)

    facts = work(done)

    wanted = {"revision": 1, "addition": 1, "kind": "part", "amount": "10.83", "gross": "119.08"}
    assert facts.items() >= wanted.items()


@pytest.mark.parametrize("state", ["issued", "done"])
def test_ask_addition_needs_an_agreement_that_is_not_yet_done(state: str) -> None:
    def ended(records: Records) -> KeptQuote:
        return finish(
            records, LATER, start(records, LATER, ordered(records, LATER, agreed(records), 1), ())
        )

    made = {"issued": issued, "done": ended}[state]
    why = {
        "issued": "it has to be accepted or ordered or in_work",
        "done": "nothing changes it any longer",
    }[state]
    with pytest.raises(NotNow, match=f"^can't add to this quote in state {state}: {why}$"):
        work(lambda records: ask_addition(records, LATER, made(records), hose(net=usd(100))))
