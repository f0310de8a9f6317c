"""Touching: which drafts, issued quotes and reorder points a price file would change.

A quote is priced again twice for its day: with the prices in force, and with those of the file. It
is touched if any figure differs, also because another supplier is now the better choice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from contextlib import closing
from datetime import date
from itertools import islice
from pathlib import Path
from time import monotonic, sleep
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, ItemId, Offer
from kitwright.errors import KitwrightError
from kitwright.keeping.estimating import estimates_of, in_force
from kitwright.keeping.prices import moved_prices
from kitwright.keeping.record import EstimateEntry, QuoteState
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.prices.book import Book
from kitwright.prices.books import PriceBooks
from kitwright.prices.difference import PriceDifference
from kitwright.prices.offers import priced
from kitwright.prices.record import FileNumber, PriceRevision, RevisionNumber
from kitwright.prices.register import SqlitePriceBooks
from kitwright.prices.worker import Job
from kitwright.pricing import LookAtQuotes
from kitwright.quote import Quote
from kitwright.stages.supply import Stock
from kitwright.stages.work import Estimates
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.reckoning import QuoteIn, asked_of
from kitwright.web.calls.service import EstimatesOn, Service
from kitwright.web.calls.stocking import Shelf

MOST_QUOTES: Final = 200
"""Quotes that are priced again, the newest first."""

_PAGE: Final = 1_000_000


class OpenRequest(Struct, frozen=True, kw_only=True):
    """A draft or issued quote: its request, and what is free for it on the shelf."""

    id: str
    is_issued: bool
    asked: QuoteIn
    stock: Stock


class Open(Struct, frozen=True, kw_only=True):
    """What a price file may touch: the newest quotes, how many more there are, and the items with a
    reorder point; and the shop's own estimates.
    """

    quotes: tuple[OpenRequest, ...]
    more: int
    points: tuple[str, ...]
    estimates: tuple[EstimateEntry, ...]


def what_is_open(records: Records, catalogue: Catalogue) -> Open:
    """Return what a price file may touch."""
    shelf = Shelf()
    states = (QuoteState.draft, QuoteState.issued)
    found = records.quotes.find(QuoteFilter(states=states, most=_PAGE))
    quotes = []
    for quote in islice(found, MOST_QUOTES):
        revision = records.revisions.get(quote.number, quote.latest)
        if revision is not None:
            quotes.append(
                OpenRequest(
                    id=written(QUOTE, quote.number),
                    is_issued=quote.state is QuoteState.issued,
                    asked=asked_of(revision),
                    stock=shelf.stock(records, catalogue, quote.number),
                )
            )
    return Open(
        quotes=tuple(quotes),
        more=max(0, len(found) - MOST_QUOTES),
        points=tuple(point.item for point in records.shelf.points()),
        estimates=records.estimates.every(),
    )


def with_file(
    catalogue: Catalogue, books: PriceBooks, file: FileNumber, supplier: str, built: Path
) -> tuple[Catalogue, Catalogue]:
    """Return a catalogue with the prices in force, and with those of a book in their place."""
    in_force = books.in_force()
    name = next(each for each in catalogue.suppliers if each == supplier)
    at = PriceRevision(
        number=RevisionNumber((in_force.revision or 0) + 1),
        before=in_force.revision,
        supplier=name,
        file=file,
        sha256="",
        at=books.file(file).at,
        by="",
    )
    then = structs.replace(
        in_force, revision=at.number, by_supplier={**in_force.by_supplier, name: at}
    )
    with closing(Book(built)) as book:
        after = priced(
            catalogue, then, lambda number: book if number == file else books.opened(number)
        )
    return priced(catalogue, in_force, books.opened), after


def touched(
    difference: PriceDifference,
    open_now: Open,
    before: Service,
    after: Service,
    today: date,
    told: Callable[[float], None],
) -> PriceDifference:
    """Return a difference with what it touches exactly, as far as quotes are priced again; those
    beyond stay as they are.

    Between two quotes it pauses as long as one took, so that other threads get on. `told` is called
    with the share that is done.
    """
    changed = changed_items(before.workshop.catalogue, after.workshop.catalogue)
    looked_at = {quote.id for quote in open_now.quotes}
    drafts = [each for each in difference.drafts if each not in looked_at]
    issued = [each for each in difference.issued if each not in looked_at]
    quotes = open_now.quotes if changed else ()

    def estimates(day: date) -> Estimates:
        return estimates_of(in_force(open_now.estimates, day))

    for index, quote in enumerate(quotes):
        begun = monotonic()
        if _differs(before, after, quote, today, estimates):
            (issued if quote.is_issued else drafts).append(quote.id)
        told((index + 1) / len(quotes))
        sleep(monotonic() - begun)
    return structs.replace(
        difference,
        drafts=_in_order(drafts),
        issued=_in_order(issued),
        quotes_not_priced=open_now.more if changed else 0,
        reorder_points=tuple(item for item in open_now.points if ItemId(item) in changed),
    )


def _in_order(ids: Iterable[str]) -> tuple[str, ...]:
    """Return the ids of quotes, the newest first."""
    return tuple(sorted(ids, key=lambda name: -int(name[1:])))


def _differs(
    before: Service, after: Service, quote: OpenRequest, today: date, estimates: EstimatesOn
) -> bool:
    asked = structs.replace(quote.asked, on=max(quote.asked.on or today, today))
    was, now = (_quote(service, asked, quote.stock, estimates) for service in (before, after))
    if isinstance(was, str) or isinstance(now, str):
        return was != now
    return was.orders != now.orders or bool(moved_prices(was, now))


def _quote(service: Service, asked: QuoteIn, stock: Stock, estimates: EstimatesOn) -> Quote | str:
    """Return a quote, or why there is none."""
    try:
        return service.quote(asked, stock, estimates)
    except KitwrightError as error:
        return str(error)


def changed_items(before: Catalogue, after: Catalogue) -> frozenset[ItemId]:
    """Return the items of which offers, list prices or deposits differ between two catalogues."""
    first, second = _offers(before), _offers(after)
    found = {item for item in first.keys() | second.keys() if first.get(item) != second.get(item)}
    found |= {item for item in before.parts if before.parts[item] != after.parts[item]}
    found |= {item for item in before.sets if before.sets[item] != after.sets[item]}
    found |= {
        item for item in before.consumables if before.consumables[item] != after.consumables[item]
    }
    defaults = [
        {supplier.id: supplier.default_cost_percent for supplier in each.suppliers.values()}
        for each in (before, after)
    ]
    if defaults[0] != defaults[1]:
        # a supplier whose rule ends no longer sells what it had no offer for
        found |= {*before.parts, *before.sets, *before.consumables}
    return frozenset(found)


def _offers(catalogue: Catalogue) -> dict[ItemId, list[tuple[str, Offer]]]:
    found: dict[ItemId, list[tuple[str, Offer]]] = {}
    for supplier in catalogue.suppliers.values():
        for offer in supplier.offer:
            found.setdefault(offer.item, []).append((supplier.id, offer))
    return found


def looking_at_quotes(
    desk: Desk,
    folder: Path,
    serving: Callable[[], Service],
    serve: Callable[[Catalogue], Service],
) -> LookAtQuotes:
    """Return the function that completes a difference with the quotes that it touches.

    Args:
        desk: has the quotes.
        folder: has the price books.
        serving: returns the service in use.
        serve: returns a service with a catalogue, for quotes to be priced again.
    """

    async def look(job: Job, number: FileNumber, difference: PriceDifference) -> PriceDifference:
        files, catalogue = serving().files, serving().workshop.catalogue
        open_now = desk.store.read(lambda records: what_is_open(records, catalogue))
        loop, today = asyncio.get_running_loop(), desk.today()

        def tell(share: float) -> None:
            loop.call_soon_threadsafe(desk.pricing.note_share, number, share)

        def find() -> PriceDifference:
            with closing(SqlitePriceBooks(folder)) as books:
                pair = with_file(files, books, number, job.terms.supplier, Path(job.target))
            before, after = map(serve, pair)
            return touched(difference, open_now, before, after, today, tell)

        return await asyncio.to_thread(find)

    return look
