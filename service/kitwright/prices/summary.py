"""Summary: a difference, a progress and what a search finds, as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, TextIO

from kitwright.prices.amount import amount_text
from kitwright.prices.books import Found
from kitwright.prices.difference import FAR, PriceChange, PriceChanges, PriceDifference, PriceMoves
from kitwright.prices.reading import Progress

_WIDTH: Final = 30
_EXAMPLES: Final = 5


def difference_lines(difference: PriceDifference | None) -> Iterator[str]:
    """Yield the lines of a difference: each kind of change with its largest."""
    if difference is None:
        return
    known = "the catalogue" if difference.against is None else f"file F{difference.against}"
    yield f"compared with {known}: unchanged {difference.unchanged}"
    yield from _moved("more expensive", difference.dearer)
    yield from _moved("cheaper", difference.cheaper)
    for told, kind in (
        (f"changed by more than {FAR}%", difference.far),
        ("new", difference.new),
        ("no longer in the file", difference.vanished),
        ("superseded", difference.superseded),
        ("cost of zero", difference.zero),
        ("cost above the list price", difference.above_list),
        ("price on request", difference.on_request),
    ):
        yield from _kind(told, kind)
    for told, quotes in (("drafts", difference.drafts), ("issued quotes", difference.issued)):
        if quotes:
            yield f"{told} with other prices: {', '.join(quotes)}"
    if difference.quotes_not_priced:
        yield f"older quotes not priced again: {difference.quotes_not_priced}; more may change"
    if difference.reorder_points:
        yield f"reorder points with other prices: {', '.join(difference.reorder_points)}"


def _moved(told: str, moved: PriceMoves) -> Iterator[str]:
    lines = _kind(told, moved)
    first = next(lines, None)
    if first is not None:
        half = moved.quantiles.get("50")
        yield f"{first} (half of them by {half.lstrip('-')}% or less)" if half else first
        yield from lines


def _kind(told: str, kind: PriceChanges) -> Iterator[str]:
    if not kind.count:
        return
    yield f"{told}: {kind.count}"
    for change in kind.examples[:_EXAMPLES]:
        yield f"  {_change(change)}"
    if kind.count > _EXAMPLES:
        yield "  ..."


def _change(change: PriceChange) -> str:
    price = " -> ".join(each or "none" for each in (change.before, change.now))
    percent = "" if change.percent is None else f" ({change.percent}%)"
    after = "" if change.superseded_by is None else f", superseded by {change.superseded_by}"
    listed = "" if change.list_price is None else f", list {change.list_price}"
    return f"{change.number}: {price}{percent}{listed}{after}  {change.description}".rstrip()


def found_line(found: Found) -> str:
    """Return the line of an entry that a search found."""
    entry = found.successor or found.entry
    cost = "on request" if entry.cost is None else amount_text(entry.cost)
    pack = "" if entry.pack == 1 else f" for {entry.pack}"
    old = "" if found.successor is None else f" (supersedes {found.entry.number})"
    words = f"{found.supplier}  {entry.number}{old}  {cost}{pack}  {entry.description}"
    return words.rstrip()


class ProgressBar:
    """Shows the progress of reading on a terminal; writes nothing to anything else."""

    def __init__(self, out: TextIO) -> None:
        self._out = out if out.isatty() else None

    def __call__(self, progress: Progress) -> None:
        """Show a progress."""
        if self._out is None:
            return
        done = min(_WIDTH, int(progress.share * _WIDTH))
        bar = "#" * done + "." * (_WIDTH - done)
        end = "\r" if progress.share < 0.98 else "\n"
        self._out.write(f"[{bar}] {progress.rows} rows{end}")
        self._out.flush()
