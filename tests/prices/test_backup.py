"""Backups hold the price books in force and those before; the doctor finds damaged ones."""

from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from tests.prices.small import lines
from tests.prices.test_books import AT, costs, read

from kitwright.prices.books import BookDamaged
from kitwright.prices.register import SqlitePriceBooks
from kitwright.store.backup import back_up
from kitwright.store.doctor import examine
from kitwright.store.engine import SqliteStore
from kitwright.store.restore import restore
from kitwright.web.calls.erasure import redact


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Return a data folder with three price revisions."""
    folder = tmp_path / "data"
    SqliteStore.open(folder).close()
    with closing(SqlitePriceBooks(folder)) as books:
        for price in ("4,50", "5,50", "6,50"):
            books.apply(read(books, lines([f"A;;9,00;{price}"]), tmp_path).number, AT, "test")
    return folder


def test_restored_backup_has_the_prices_in_force_and_those_before(
    shop: Path, tmp_path: Path
) -> None:
    taken = back_up(shop, tmp_path / "monday.tar")
    restore(tmp_path / "monday.tar", tmp_path / "again", redact=redact)

    assert taken.photos == 0
    assert {"prices/prices.db", "prices/3.db", "prices/2.db"} <= taken.sha256.keys()
    with closing(SqlitePriceBooks(tmp_path / "again")) as books:
        assert costs(books) == {"A": 6_500_000}
        books.back()
        assert costs(books) == {"A": 5_500_000}


def test_restored_price_books_give_no_number_again(shop: Path, tmp_path: Path) -> None:
    back_up(shop, tmp_path / "monday.tar", at=AT)
    restore(tmp_path / "monday.tar", tmp_path / "again", redact=redact, at=AT + timedelta(hours=1))

    with closing(SqlitePriceBooks(tmp_path / "again")) as books:
        file = read(books, lines(["A;;9,00;7,50"]), tmp_path)
        revision = books.apply(file.number, AT, "test")
        # one for each millisecond, and 1,000 more
        assert (file.number, revision.number) == (3_601_004, 3_601_004)
        assert costs(books) == {"A": 7_500_000}
        assert books.back().revision == 3


def test_doctor_finds_nothing_in_complete_price_books(shop: Path) -> None:
    assert not [each for each in examine(shop) if "price" in each.code]


def test_doctor_finds_a_book_that_was_changed_or_is_missing(shop: Path) -> None:
    (shop / "prices" / "2.db").write_bytes(b"changed")
    (shop / "prices" / "3.db").unlink()

    found = [each.code for each in examine(shop) if "price" in each.code]

    assert found == ["damaged-price-book"] * 2


def test_doctor_finds_a_register_that_is_none(shop: Path) -> None:
    (shop / "prices" / "prices.db").write_bytes(b"no database at all, but long enough" * 100)

    assert "damaged-prices" in [each.code for each in examine(shop)]


def test_book_that_is_missing_is_named_when_it_is_opened(shop: Path) -> None:
    (shop / "prices" / "3.db").unlink()

    with closing(SqlitePriceBooks(shop)) as books, pytest.raises(BookDamaged, match="file 3"):
        books.find("A", 5)
