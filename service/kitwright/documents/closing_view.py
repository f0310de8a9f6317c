"""Closing view: what the customer of a finished or stopped visit is told."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from msgspec import Struct

from kitwright.catalogue.model import Shop
from kitwright.documents.offer_view import Fact, minds_of
from kitwright.documents.shop_words import account_told, collect_told, storage_told
from kitwright.language.scribe import Scribe
from kitwright.money import Money, total
from kitwright.quote import Quote, Statement


class BillLink(Struct, frozen=True, kw_only=True):
    """An invoice, or a credit note, with its total, and where its customer can read it."""

    number: str
    is_credit: bool
    url: str
    gross: Money


class Closing(Struct, frozen=True, kw_only=True):
    """The account of a visit that is over: its statement, and what is `due`, `paid` and left.
    `rounded` is what a payment in cash added to what is due, or took off.

    `wants_old_parts` is None if nobody asked. `until` is when the page can no longer be read, None
    if that is not known.
    """

    statement: Statement
    finished_on: date
    due: Money
    paid: Money
    balance: Money
    rounded: Money
    bills: tuple[BillLink, ...] = ()
    collected_on: date | None = None
    collected_by: str | None = None
    wants_old_parts: bool | None = None
    is_unsafe: bool = False
    until: datetime | None = None

    @property
    def is_repaired(self) -> bool:
        """Whether the work was done to its end."""
        return self.statement.stopped is None


class ClosingView(Struct, frozen=True, kw_only=True):
    """The account of a visit in few words.

    `done` are the jobs that were done, and `mind` is what the owner must mind of a machine that was
    not repaired. `collect` is how the machine is collected, empty if it was. `lines` are those of
    the bill, with their amounts, and `sums` its total and what changed it afterwards. `readable` is
    how long a page of it can be read, empty if that is not known.
    """

    heading: str
    stake: tuple[Fact, ...]
    told: tuple[str, ...]
    done: tuple[str, ...]
    mind: tuple[str, ...]
    collect: tuple[str, ...]
    lines: tuple[tuple[str, str], ...]
    sums: tuple[tuple[str, str], ...]
    guarantee: str
    readable: str


def closing_view(quote: Quote, closing: Closing, scribe: Scribe, shop: Shop) -> ClosingView:
    """Return the account of a visit in few words."""
    return ClosingView(
        heading=_heading(closing, scribe),
        stake=tuple(_stake(closing, scribe)),
        told=tuple(_told(closing, scribe)),
        done=tuple(map(scribe.named, quote.jobs)) if closing.is_repaired else (),
        mind=() if closing.is_repaired else minds_of(quote),
        collect=() if closing.collected_on is not None else tuple(_collect(closing, scribe, shop)),
        lines=tuple(
            (line.description, scribe.amount(line.gross))
            for line in closing.statement.lines
            if line.gross.money.minor
        ),
        sums=tuple(_sums(closing, scribe)),
        guarantee=_guarantee(closing, scribe, shop),
        readable=_readable(closing, scribe, shop),
    )


def _heading(closing: Closing, scribe: Scribe) -> str:
    say, stopped = scribe.say, closing.statement.stopped
    if stopped is None:
        if closing.collected_on is None:
            return say("Your machine is ready.")
        return say("The work is finished, and you have your machine back.")
    if stopped.before_step is None:
        return say("Your machine was not repaired.")
    return say("The work was stopped, and your machine is not repaired.")


def _stake(closing: Closing, scribe: Scribe) -> Iterator[Fact]:
    say, amount, day = scribe.say, scribe.amount, scribe.day
    yield Fact(label=say("The bill, with tax"), value=amount(closing.due), is_sum=True)
    if closing.paid.minor:
        yield Fact(label=say("Paid"), value=amount(closing.paid))
    if closing.balance.minor > 0:
        yield Fact(label=say("Left to pay"), value=amount(closing.balance), is_sum=True)
    elif closing.balance.minor < 0:
        yield Fact(label=say("We pay back"), value=amount(-closing.balance), is_sum=True)
    else:
        yield Fact(label=say("Left to pay"), value=say("nothing"))
    label = say("Finished") if closing.is_repaired else say("Stopped")
    yield Fact(label=label, value=day(closing.finished_on))
    if closing.collected_on is not None:
        yield Fact(
            label=say("Collected"),
            value=day(closing.collected_on),
            note=closing.collected_by or "",
        )


def _told(closing: Closing, scribe: Scribe) -> Iterator[str]:
    """Yield what the bill was agreed to be, and in which state the machine is."""
    say, statement = scribe.say, closing.statement
    if closing.is_repaired:
        yield say(
            "You agreed to {agreed}; the bill could not pass {limit} without a new yes.",
            agreed=scribe.amount(statement.agreed_gross),
            limit=scribe.amount(statement.limit)
            if statement.limit_includes_tax
            else say("{amount} before tax", amount=scribe.amount(statement.limit)),
        )
    elif statement.stopped is not None and statement.stopped.machine == "boxes":
        yield say("You get the machine back in pieces, as you wanted it.")
    elif statement.stopped is not None and statement.stopped.machine == "put_together":
        yield say("We have put the machine together again. The fault is still there.")
    if closing.is_unsafe:
        yield say("The machine is not safe to use, and is tagged so.")


def _collect(closing: Closing, scribe: Scribe, shop: Shop) -> Iterator[str]:
    say = scribe.say
    if closing.balance.minor > 0:
        yield say(
            "Please pay {amount} when you collect the machine, or before.",
            amount=scribe.amount(closing.balance),
        )
        seller = shop.seller
        name = seller.account_name or seller.name or shop.name
        yield from account_told(seller.account, name, scribe)
    yield from collect_told(shop, scribe)
    yield from storage_told(shop, scribe)
    if closing.wants_old_parts is not None:
        yield (
            say("The old parts go with it.")
            if closing.wants_old_parts
            else say("We keep the old parts.")
        )


def _sums(closing: Closing, scribe: Scribe) -> Iterator[tuple[str, str]]:
    """Yield the total of the lines, and if something else is due, why."""
    say, billed = scribe.say, closing.statement.gross.money
    yield say("Total"), scribe.amount(billed)
    if closing.due == billed:
        return
    notes = [bill for bill in closing.bills if bill.is_credit]
    given_back = total([bill.gross for bill in notes], billed.currency)
    # an invoice that was made anew bills again what a credit note gave back
    if billed - given_back + closing.rounded == closing.due:
        for bill in notes:
            label = say("Credit note {number}", number=bill.number)
            yield label, scribe.amount(-bill.gross)
        if closing.rounded.minor:
            yield say("Cash rounding"), scribe.amount(closing.rounded)
    yield say("The bill, with tax"), scribe.amount(closing.due)


def _guarantee(closing: Closing, scribe: Scribe, shop: Shop) -> str:
    if not closing.is_repaired:
        return ""
    day, terms = scribe.day, shop.quote.warranty
    return scribe.say(
        "Guarantee: our work until {labour}, other makes' parts until {parts}, the maker's parts "
        "by its terms. Your rights by law stay.",
        labour=day(closing.finished_on + timedelta(days=terms.labour_days)),
        parts=day(closing.finished_on + timedelta(days=terms.alternate_parts_days)),
    )


def _readable(closing: Closing, scribe: Scribe, shop: Shop) -> str:
    if closing.until is None:
        return ""
    return scribe.say(
        "You can read this page until {moment}. Keep it: print it, or save the invoice.",
        moment=scribe.moment(closing.until, shop.time_zone),
    )
