"""Line rows: the lines of a quote as customers read them, with work and small things summed up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal

from msgspec import Struct

from kitwright.catalogue.model import Shop
from kitwright.documents.line_words import grouped, kind_of, notes_of, purchase_of
from kitwright.language.scribe import Scribe
from kitwright.money import total
from kitwright.quote import Amount, Line, Quote, amount_of


class Showing(Struct, frozen=True, kw_only=True):
    """How a shop shows its lines: consumables of less than `small_under` in the shop's currency
    together, and labour by class or one line a job.
    """

    small_under: Decimal = Decimal(0)
    by_class: bool = False


class LineRow(Struct, frozen=True, kw_only=True):
    """A row of a price table. If it sums up several lines, `parts` are their names and amounts."""

    name: str
    purchase: str
    notes: tuple[str, ...]
    amount: Amount
    parts: tuple[tuple[str, str], ...] = ()


def showing_of(shop: Shop) -> Showing:
    """Return how a shop shows its lines."""
    terms = shop.quote
    return Showing(small_under=terms.small_consumables_under, by_class=terms.shows_labour_classes)


def rows_of(quote: Quote, scribe: Scribe, showing: Showing) -> list[tuple[str, list[LineRow]]]:
    """Return the rows under their headings; the rows of a heading add up to its lines."""
    jobs = {(job.job, job.cylinder): scribe.named(job) for job in quote.jobs}
    return [
        (heading, [_row(line, found, jobs, scribe) for line, found in _together(lines, showing)])
        for heading, lines in grouped(quote, scribe)
    ]


def _together(lines: Iterable[Line], showing: Showing) -> Iterator[tuple[Line, list[Line]]]:
    """Yield the lines of each row, where its first one stands."""
    found: dict[object, list[Line]] = {}
    for line in lines:
        found.setdefault(_key(line, showing), []).append(line)
    return ((same[0], same) for same in found.values())


def _key(line: Line, showing: Showing) -> object:
    """Return what lines of one row have in common: taxed alike, and small, or work of one job."""
    taxed = (line.tax_kind, tuple((one.component, one.category, one.rate) for one in line.taxes))
    if line.is_added:
        return id(line)
    if kind_of(line) == "consumable" and Decimal(line.amount.amount) < showing.small_under:
        return "small", taxed
    if line.kind == "labour" and line.job is not None and not showing.by_class:
        return "job", line.job, line.cylinder, taxed
    return id(line)


def _row(
    line: Line, lines: list[Line], jobs: dict[tuple[str, int | None], str], scribe: Scribe
) -> LineRow:
    name, is_work = line.description, line.kind == "labour"
    if len(lines) == 1:
        return LineRow(
            name=name,
            purchase=purchase_of(line, scribe),
            notes=tuple(notes_of(line, scribe)),
            amount=line.amount,
        )
    if is_work:
        name = jobs.get((str(line.job), line.cylinder), name)
    notes = dict.fromkeys(note for one in lines for note in notes_of(one, scribe))
    return LineRow(
        name=name if is_work else scribe.say("Small consumables"),
        purchase="",
        notes=tuple(notes),
        amount=amount_of(total([one.amount.money for one in lines], line.amount.currency)),
        parts=()
        if is_work
        else tuple((one.description, scribe.amount(one.amount)) for one in lines),
    )
