"""Small: price files and suppliers that tests of prices share."""

from collections.abc import Iterable
from pathlib import Path

from kitwright.catalogue.model import PriceForm, SupplierId
from kitwright.prices.book import opened
from kitwright.prices.reading import Read, read_prices
from kitwright.prices.record import Entry, RowError, Terms

HEAD = "Part no;Description;List price;Cost"
EUROS = Terms(supplier=SupplierId("EBHT"), currency="EUR")
DOLLARS = Terms(supplier=SupplierId("ALDQ"), currency="USD")
POUNDS = Terms(supplier=SupplierId("ALDQ"), currency="GBP")


def read_bytes(raw: bytes, folder: Path, terms: Terms = EUROS) -> tuple[Read, list[RowError]]:
    """Read a file, and return the outcome and the errors; the book is `folder / "book.db"`."""
    source, target = folder / "file", folder / "book.db"
    source.write_bytes(raw)
    target.unlink(missing_ok=True)
    read = read_prices(source, terms, target, lambda _: None)
    with opened(target) as book:
        return read, [error for _, error in book.errors(0, 1_000_000)]


def entries_of(raw: bytes | str, folder: Path, terms: Terms = EUROS) -> list[Entry]:
    """Return the entries of a file that has no error."""
    raw = raw.encode() if isinstance(raw, str) else raw
    read, errors = read_bytes(raw, folder, terms)
    assert not errors, [str(error) for error in errors[:3]]
    with opened(folder / "book.db") as book:
        found = list(book.everything())
    assert len(found) == read.rows
    return found


def errors_of(text: str, folder: Path, terms: Terms = EUROS) -> list[RowError]:
    """Return the errors of a file, which has some."""
    read, errors = read_bytes(text.encode(), folder, terms)
    assert errors
    assert read.errors == len(errors)
    return errors


def form(**given: object) -> Terms:
    """Return the terms of a supplier in euros whose price files have a form."""
    return Terms(supplier=SupplierId("EBHT"), currency="EUR", form=PriceForm(**given))  # type: ignore[arg-type]


def lines(rows: Iterable[str], head: str = HEAD) -> str:
    """Return a file of rows below a head."""
    return "\n".join([head, *rows]) + "\n"
