"""The look-up finds numbers however they are typed, old numbers, and words."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.prices.small import EUROS
from tests.prices.test_books import AT, read

from kitwright.prices.books import Found
from kitwright.prices.number import number_key
from kitwright.prices.record import Terms
from kitwright.prices.register import SqlitePriceBooks

FILE = """Part no;Brand;OEM number;Description;Cost;Superseded by;Old number
EB-68 011;Tarnbeck;V68-K-011;Top-end gasket set;4,50;;V68-K-009
EB-68 012;Tarnbeck;V68-K-012;Head gasket, größe 2;5,50;;
EB-70 001;Quellmar;D74-X-001;Recoil starter;;EB-70 002;
EB-70 002;Quellmar;D74-X-002;Recoil starter, steel;6,50;;
"""


@pytest.fixture
def books(tmp_path: Path) -> Iterator[SqlitePriceBooks]:
    opened = SqlitePriceBooks(tmp_path / "data")
    opened.apply(read(opened, FILE, tmp_path).number, AT, "test")
    yield opened
    opened.close()


def numbers(found: tuple[Found, ...]) -> list[tuple[str, str]]:
    return [(each.by, each.entry.number) for each in found]


@pytest.mark.parametrize(
    "typed", ["EB-68 011", "eb68011", " Eb 68-011 ", "EB.68/011", "v68k011", "V68 K 011"]
)
def test_number_is_found_however_it_is_typed(books: SqlitePriceBooks, typed: str) -> None:
    assert numbers(books.find(typed, 5)) == [("number", "EB-68 011")]


def test_old_number_finds_what_replaces_it(books: SqlitePriceBooks) -> None:
    assert numbers(books.find("v68 k 009", 5)) == [("old_number", "EB-68 011")]


def test_superseded_number_names_its_successor(books: SqlitePriceBooks) -> None:
    (found,) = books.find("eb 70001", 5)

    assert found.successor is not None
    assert (found.entry.number, found.successor.number) == ("EB-70 001", "EB-70 002")


def test_start_of_a_number_finds_those_that_begin_so(books: SqlitePriceBooks) -> None:
    assert numbers(books.find("eb-68", 5)) == [("start", "EB-68 011"), ("start", "EB-68 012")]


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("gasket", ["EB-68 011", "EB-68 012"]),
        ("GASKET head", ["EB-68 012"]),
        ("große", ["EB-68 012"]),
        ("quellmar starter", ["EB-70 001", "EB-70 002"]),
        ("recoil sta", ["EB-70 001", "EB-70 002"]),
        ("gasket starter", []),
        ('" OR "', []),
        ("gasket* NOT", []),
        ("\x00", []),
        ("-", []),
    ],
)
def test_words_find_descriptions_that_have_them_all(
    books: SqlitePriceBooks, typed: str, found: list[str]
) -> None:
    assert [each.entry.number for each in books.find(typed, 5)] == found


def test_most_limits_what_is_found(books: SqlitePriceBooks) -> None:
    assert len(books.find("starter", 1)) == 1


def test_numbers_of_all_suppliers_are_found(books: SqlitePriceBooks, tmp_path: Path) -> None:
    other = Terms(supplier=type(EUROS.supplier)("FKRD"), currency="EUR")
    text = "Part no;OEM number;Cost\nF-1;V68-K-011;3,90\n"
    books.apply(read(books, text, tmp_path, other).number, AT, "test")

    assert [(each.supplier, each.entry.number) for each in books.find("v68-k-011", 5)] == [
        ("EBHT", "EB-68 011"),
        ("FKRD", "F-1"),
    ]


@pytest.mark.parametrize(
    ("typed", "key"),
    [
        ("v68-k 011", "V68K011"),
        ("\uff11\uff12\uff21-ß", "12ASS"),
        ("\u00a0A\u2011B", "AB"),
        ("...", ""),
    ],
)
def test_number_key_leaves_out_signs_and_case(typed: str, key: str) -> None:
    assert number_key(typed) == key
