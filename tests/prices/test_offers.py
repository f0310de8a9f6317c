"""Prices in force are those of quotes; a supplier's offers in the catalogue no longer count."""

from collections.abc import Iterator
from contextlib import closing
from decimal import Decimal
from pathlib import Path

import pytest
from tests.prices.test_books import AT, read

from kitwright.app import make_service
from kitwright.catalogue.model import Catalogue, ItemId, Quality, SupplierId
from kitwright.examination import read_sound
from kitwright.prices.offers import priced
from kitwright.prices.record import terms_of
from kitwright.prices.register import SqlitePriceBooks
from kitwright.settings import Settings, built_in_catalog
from kitwright.stages.supply import Source, find_supply
from kitwright.web.calls.service import Service

ALDQ = SupplierId("ALDQ")
GASKET = ItemId("V68-G-103")
HEAD = "Part no,OEM number,Brand,List price,Cost,Pack,Availability,Superseded by\n"


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_sound(built_in_catalog())


@pytest.fixture
def books(tmp_path: Path) -> Iterator[SqlitePriceBooks]:
    with closing(SqlitePriceBooks(tmp_path / "data")) as opened:
        yield opened


def apply(books: SqlitePriceBooks, catalogue: Catalogue, rows: str, folder: Path) -> Catalogue:
    """Return the catalogue with the prices of a file of ALDQ."""
    file = read(books, HEAD + rows, folder, terms_of(catalogue.suppliers[ALDQ]))
    books.apply(file.number, AT, "test")
    return priced(catalogue, books.in_force(), books.opened)


def sources(catalogue: Catalogue, item: ItemId, supplier: SupplierId = ALDQ) -> list[Source]:
    found = find_supply(catalogue, catalogue.shops["hire-yard"]).sources.get(item, ())  # type: ignore[index]
    return [source for source in found if source.supplier.id == supplier]


def test_offers_of_the_book_replace_those_of_the_catalogue(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    now = apply(books, catalogue, "AQ-NEW,V68-G-103,Tarnbeck,30.00,11.50,1,,\n", tmp_path)

    (source,) = sources(now, GASKET)
    assert (source.sku, source.cost, source.quality) == ("AQ-NEW", Decimal("11.50"), Quality.maker)
    # neither another offer of the catalogue nor the default rule is left
    assert len(sources(catalogue, ItemId("V68-K-011"))) == 1
    assert sources(now, ItemId("V68-K-011")) == []
    assert now.parts[GASKET].list_price["usd"] == Decimal("30.00")  # type: ignore[index]


def test_offers_of_other_suppliers_stay(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    now = apply(books, catalogue, "AQ-NEW,V68-G-103,Tarnbeck,30.00,11.50,1,,\n", tmp_path)

    other = SupplierId("CPSN")
    assert sources(now, GASKET, other)[0].cost == sources(catalogue, GASKET, other)[0].cost


def test_item_is_found_by_the_suppliers_number_of_the_catalogue(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    now = apply(books, catalogue, "aq v68g103,,,30.00,11.50,1,,\n", tmp_path)

    assert [source.cost for source in sources(now, GASKET)] == [Decimal("11.50")]


@pytest.mark.parametrize(
    "row",
    [
        "AQ-1,V68-G-103,Tarnbeck,30.00,0.00,1,,\n",
        "AQ-1,V68-G-103,Tarnbeck,30.00,on request,1,,\n",
        "AQ-1,V68-G-103,Tarnbeck,30.00,11.50,1,discontinued,\n",
    ],
)
def test_number_without_a_price_or_discontinued_is_not_bought(
    books: SqlitePriceBooks, catalogue: Catalogue, row: str, tmp_path: Path
) -> None:
    assert sources(apply(books, catalogue, row, tmp_path), GASKET) == []


def test_number_out_of_stock_is_on_back_order(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    row = "AQ-1,V68-G-103,Tarnbeck,30.00,11.50,1,out of stock,\n"

    (source,) = sources(apply(books, catalogue, row, tmp_path), GASKET)

    assert source.is_back_order


def test_number_that_is_superseded_is_bought_under_the_new_one(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    rows = "AQ-1,V68-G-103,Tarnbeck,30.00,,1,,AQ-2\nAQ-2,,Tarnbeck,31.00,12.50,1,,\n"

    (source,) = sources(apply(books, catalogue, rows, tmp_path), GASKET)

    assert (source.sku, source.cost) == ("AQ-2", Decimal("12.50"))


def test_number_of_another_make_is_an_alternate_and_has_no_list_price_of_the_makers(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    now = apply(books, catalogue, "AQ-1,V68-G-103,Fennimoor,3.00,2.50,1,,\n", tmp_path)

    assert [source.quality for source in sources(now, GASKET)] == [Quality.alternate]
    assert now.parts[GASKET].list_price == catalogue.parts[GASKET].list_price


def test_revision_changes_with_the_prices_and_back(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    first = apply(books, catalogue, "AQ-1,V68-G-103,,30.00,11.50,1,,\n", tmp_path).revision
    second = apply(books, catalogue, "AQ-1,V68-G-103,,30.00,11.60,1,,\n", tmp_path).revision

    books.back()
    again = priced(catalogue, books.in_force(), books.opened).revision
    books.back()
    files = priced(catalogue, books.in_force(), books.opened)

    assert len({first, second, catalogue.revision}) == 3
    assert again == first
    assert files is catalogue


def quoted(service: Service) -> dict[str, str]:
    """Return the unit cost of each number in the orders of a quote."""
    from kitwright.web.calls.wire import PreviewIn
    from kitwright.web.edge.body import decode

    asked = b'{"family":"TB-V68","chassis":"loose","jobs":[{"job":"J-HEAD-GASKET","cylinder":1}]}'
    orders = service.quote(decode(asked, PreviewIn)).orders
    return {line.sku: line.unit_cost for order in orders for line in order.lines}


def test_quotes_are_at_the_prices_in_force_of_the_data_folder(
    books: SqlitePriceBooks, catalogue: Catalogue, tmp_path: Path
) -> None:
    settings = Settings(catalog=built_in_catalog(), shop="hire-yard", data=tmp_path / "data")
    before = quoted(make_service(settings, is_priced=True))
    rows = "".join(
        f"AQ-{item},{item},,{listed},0.05,1,,\n"
        for item, part in catalogue.parts.items()
        for listed in (part.list_price.get("usd"),)  # type: ignore[call-overload]
        if part.maker == "Tarnbeck" and listed is not None
    )
    apply(books, catalogue, rows, tmp_path)

    after = quoted(make_service(settings, is_priced=True))
    books.back()

    assert after != before
    assert "0.05" in after.values()
    assert quoted(make_service(settings, is_priced=True)) == before
    assert quoted(make_service(settings)) == before
