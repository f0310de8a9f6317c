"""Change view: what was found since the work was agreed, and the sums before and after."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from kitwright.documents.balance_view import bears_tax
from kitwright.documents.totals_view import Row, row
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Change, Find, Quote


class FoundRow(Struct, frozen=True, kw_only=True):
    """Something that was found, why it calls for more work, what was measured (empty if nothing
    was), and the ids of its photographs.
    """

    what: str
    why: str
    measured: str
    photographs: tuple[str, ...]


def found_of(quote: Quote, scribe: Scribe) -> tuple[FoundRow, ...]:
    """Return what was found since the work was agreed; empty if the quote is no such change."""
    if quote.change is None:
        return ()
    return tuple(_found(one, scribe) for one in quote.change.finds)


def _found(one: Find, scribe: Scribe) -> FoundRow:
    what = one.what
    if one.name is not None:
        what = f"{scribe.on_cylinder(one.name, one.cylinder)}: {one.what}"
    return FoundRow(
        what=what,
        why=one.why,
        measured="; ".join(
            f"{each.what}: {scribe.number(each.value)} {each.unit}" for each in one.readings
        ),
        photographs=one.photographs,
    )


def because_of(change: Change, scribe: Scribe) -> str:
    """Return why a change is asked for: what was found, else the work that is also needed; empty if
    neither is known.
    """
    if change.finds:
        return "; ".join(_found(one, scribe).what for one in change.finds)
    if not change.more:
        return ""
    return scribe.say("also needed: {work}", work=scribe.together(change.more))


def still_holds(agreed: Money, scribe: Scribe) -> str:
    """Return what follows a no to a change."""
    return scribe.say(
        "What you agreed to before, {agreed}, still holds. If the repair can't be finished with "
        "that, we stop and ask you how you want the machine back.",
        agreed=scribe.amount(agreed),
    )


def change_rows(quote: Quote, scribe: Scribe, *, is_agreed: bool = False) -> tuple[Row, ...]:
    """Return the rows of a change: the sum agreed before, the difference, the new sum and the new
    limit; empty if the quote is no change. Once it `is_agreed`, the limit is the one agreed, which
    documents tell by itself.
    """
    change, say = quote.change, scribe.say
    if change is None:
        return ()
    label = say("New limit: we ask you again before the total exceeds")
    limit = [] if is_agreed else [row(label, change.limit, scribe)]
    moved = []
    if change.by_prices is not None and change.by_prices.money.minor:
        label = say("In this sum: prices changed since then")
        moved.append(row(label, change.by_prices, scribe, "within"))
    return (
        row(say("Agreed until now"), change.was, scribe),
        row(say("Difference"), change.difference, scribe),
        *moved,
        row(_total(quote, scribe), change.now, scribe, "total"),
        *limit,
        *_days(change, scribe),
    )


def _days(change: Change, scribe: Scribe) -> Iterator[Row]:
    """Yield the day told before and the new one, if both are known and differ."""
    say, was, now = scribe.say, change.was_ready_on, change.ready_on
    if was is not None and now is not None and was != now:
        yield Row(say("Ready, as told until now"), scribe.day(was), "plain")
        yield Row(say("Ready now"), scribe.day(now), "plain")


def _total(quote: Quote, scribe: Scribe) -> str:
    if bears_tax(quote):
        return scribe.say("New total including tax")
    return scribe.say("New total")
