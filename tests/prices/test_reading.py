"""Price files as spreadsheets and suppliers write them are read; each error names its place."""

import io
import zipfile
from datetime import date
from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from tests.prices.small import (
    DOLLARS,
    EUROS,
    HEAD,
    POUNDS,
    entries_of,
    errors_of,
    form,
    lines,
    read_bytes,
)

from kitwright.catalogue.model import Availability, DecimalSign, PriceColumn
from kitwright.prices.record import Terms

GERMAN = (
    "Artikel-Nr.;Hersteller;Bezeichnung;UVP;EK netto;VE;Verfügbarkeit;Lieferzeit\r\n"
    'A-100;Tarnbeck;"Dichtung, groß";1.249,90 €;849,50 €;1;lieferbar;2 Tage\r\n'
    "A-200;Tarnbeck;Schraube M8;2,10 €;1,05 €;10;nicht lieferbar;3 Wochen\r\n"
)
FRENCH = (
    "Référence;Marque;Désignation;Prix public HT;Prix d'achat;Conditionnement;Disponibilité;"
    "Délai\r\n"
    "A-100;Tarnbeck;Joint;1 249,90 €;849,50 €;1;en stock;2 jours\r\n"
    "A-200;Tarnbeck;Vis M8;2,10 €;1,05 €;10;rupture;3 semaines\r\n"
)
BRITISH = (
    "Part Number,Brand,Description,RRP,Trade Price,Pack Size,Availability,Lead Time\r\n"
    'A-100,Tarnbeck,"Gasket, large","£1,249.90",£849.50,1,In stock,2 days\r\n'
    "A-200,Tarnbeck,Bolt M8,£2.10,£1.05,10,Out of stock,3 weeks\r\n"
)
AMERICAN = BRITISH.replace("£", "$").replace("Trade Price", "Dealer Cost").replace("RRP", "MSRP")

DEFAULTS = [
    pytest.param(GERMAN, "cp1252", EUROS, id="Germany"),
    pytest.param(FRENCH.replace(" ", "\u00a0"), "cp1252", EUROS, id="France"),
    pytest.param(BRITISH, "cp1252", POUNDS, id="Britain"),
    pytest.param(AMERICAN, "cp1252", DOLLARS, id="United States"),
    pytest.param(GERMAN, "utf-8-sig", EUROS, id="Germany, CSV UTF-8"),
    pytest.param(FRENCH.replace(" ", "\u202f"), "utf-8-sig", EUROS, id="France, CSV UTF-8"),
    pytest.param(AMERICAN, "utf-8-sig", DOLLARS, id="United States, CSV UTF-8"),
    pytest.param(GERMAN.replace(";", "\t"), "utf-16", EUROS, id="Germany, Unicode text"),
    pytest.param(FRENCH.replace(";", "\t"), "utf-16", EUROS, id="France, Unicode text"),
    pytest.param(GERMAN.replace("\r\n", "\r"), "utf-8", EUROS, id="old line ends"),
    pytest.param("sep=;\r\n" + GERMAN, "cp1252", EUROS, id="with its delimiter"),
    pytest.param("Preisliste 2027\r\n\r\n" + GERMAN, "cp1252", EUROS, id="with a title"),
]


@pytest.mark.parametrize(("text", "encoding", "terms"), DEFAULTS)
def test_file_of_a_spreadsheet_is_read_without_a_mapping(
    text: str, encoding: str, terms: Terms, tmp_path: Path
) -> None:
    first, second = entries_of(text.encode(encoding), tmp_path, terms)

    assert (first.number, first.maker) == ("A-100", "Tarnbeck")
    assert (first.list_price, first.cost) == (1_249_900_000, 849_500_000)
    assert (first.availability, first.lead_days) == (Availability.in_stock, 2)
    assert (second.list_price, second.cost, second.pack) == (2_100_000, 1_050_000, 10)
    assert (second.availability, second.lead_days) == (Availability.back_order, 15)


def workbook(*rows: tuple[object, ...], title: str = "Prices", more: str | None = None) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    if more is not None:
        book.create_sheet(more)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def test_workbook_is_read_by_the_values_of_its_cells(tmp_path: Path) -> None:
    raw = workbook(
        ("Artikel-Nr.", "Bezeichnung", "UVP", "EK", "VE", "Bestand"),
        ("A-100", "Dichtung", 1249.9, 0.1 + 0.2, 1, 5),
        (10045, "Schraube", "2,10 €", 1.234, 10.0, None),
    )

    first, second = entries_of(raw, tmp_path)

    assert (first.list_price, first.cost, first.stock) == (1_249_900_000, 300_000, 5)
    assert (second.number, second.list_price) == ("10045", 2_100_000)
    assert (second.cost, second.pack, second.line) == (1_234_000, 10, 3)


def test_workbook_names_a_date_in_place_of_a_number(tmp_path: Path) -> None:
    raw = workbook(("Part no", "Cost"), (date(2027, 3, 1), 4.5))

    _, (error,) = read_bytes(raw, tmp_path)

    assert (error.line, error.column, error.code) == (2, "Part no", "date")


def test_workbook_with_more_rows_than_a_sheet_has_is_refused(tmp_path: Path) -> None:
    raw = workbook(("Part no", "Cost"), ("A-1", 4.5), ("A-2", 5.5))

    last, _ = read_bytes(with_last_row(raw, 1_048_576), tmp_path)
    read, (error,) = read_bytes(with_last_row(raw, 1_048_577), tmp_path)

    assert (last.rows, last.errors) == (2, 0)
    assert (read.errors, error.line, error.code) == (1, 1_048_577, "price-file-invalid")
    assert "at most 1048576 rows: save it as CSV" in error.reason


def with_last_row(raw: bytes, number: int) -> bytes:
    """Return a workbook of three rows with another number for the last one."""
    written = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(written, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            if name.endswith("sheet1.xml"):
                for before in (b'<row r="3"', b'r="A3"', b'r="B3"'):
                    assert before in text
                    text = text.replace(before, before.replace(b"3", str(number).encode()))
            new.writestr(name, text)
    return written.getvalue()


def test_workbook_of_another_sheet_is_read_if_it_is_named(tmp_path: Path) -> None:
    raw = workbook(("nothing", "here"), title="Cover", more="List")
    book = openpyxl.load_workbook(io.BytesIO(raw))
    book["List"].append(("Part no", "Cost"))
    book["List"].append(("A-1", 4.5))
    written = io.BytesIO()
    book.save(written)

    (entry,) = entries_of(written.getvalue(), tmp_path, form(sheet="List"))

    assert entry.cost == 4_500_000


@pytest.mark.parametrize(
    ("row", "column", "value", "code"),
    [
        ("A-1;Seal;9,00;cheap", "Cost", "cheap", "not-an-amount"),
        ("A-1;Seal;9,00;-4,50", "Cost", "-4,50", "negative"),
        ("A-1;Seal;9,00;$4,50", "Cost", "$4,50", "other-currency"),
        ("A-1;Seal;9.00;4,50", "List price", "9.00", "other-decimal-sign"),
        ("A-1;Seal;9,00;4,1234567", "Cost", "4,1234567", "too-exact"),
        ("A-1;Seal;9,00;99999999,00", "Cost", "99999999,00", "too-large"),
        ("A-1;Seal;9,00;#REF!", "Cost", "#REF!", "formula-error"),
        ("A-1;Seal;9,00;1,2E+08", "Cost", "1,2E+08", "exponent"),
        ("1,2E+08;Seal;9,00;4,50", "Part no", "1,2E+08", "exponent"),
        (";Seal;9,00;4,50", "Part no", "", "number-missing"),
        ("---;Seal;9,00;4,50", "Part no", "---", "number-invalid"),
        ("A-1;Seal;9,00;", "Cost", "", "price-missing"),
        ("A-1;Seal;9,00;4,50;more", "", "more", "too-many-cells"),
        (f"{'A' * 65};Seal;9,00;4,50", "Part no", "A" * 65, "too-long"),
    ],
)
def test_error_names_line_column_value_and_reason(
    row: str, column: str, value: str, code: str, tmp_path: Path
) -> None:
    good = [f"B-{index};Seal;8,50;4,25" for index in range(5)]

    (error,) = errors_of(lines([*good, row]), tmp_path)

    assert (error.line, error.column, error.value, error.code) == (7, column, value, code)
    assert error.reason


def test_every_error_of_every_row_is_listed(tmp_path: Path) -> None:
    text = lines(["A-1;Seal;x;y", "A-2;Seal;9,10;4,50", "A-3;Seal;9,00;-1,00"])

    found = errors_of(text, tmp_path)

    assert [(error.line, error.column) for error in found] == [
        (2, "List price"),
        (2, "Cost"),
        (4, "Cost"),
    ]


def test_number_that_is_there_twice_names_the_first_line(tmp_path: Path) -> None:
    (error,) = errors_of(lines(["A-1;Seal;9,00;4,50", "B;;1,00;1,00", "A-1;;1,00;1,00"]), tmp_path)

    assert (error.line, error.column, error.value, error.code) == (
        4,
        "Part no",
        "A-1",
        "number-twice",
    )
    assert "line 2" in error.reason


def test_quotation_mark_that_is_not_closed_names_its_line(tmp_path: Path) -> None:
    rows = [f"A-{index};Seal;9,00;4,50" for index in range(50)]
    rows[10] = 'A-10;"Seal;9,00;4,50'

    (error,) = errors_of(lines(rows), tmp_path)

    assert (error.line, error.code) == (12, "price-file-invalid")
    assert "quotation mark" in error.reason


def test_amount_that_can_be_read_in_two_ways_is_not_guessed(tmp_path: Path) -> None:
    text = "Part no\tCost\nA-1\t1,234\n"

    (error,) = errors_of(text, tmp_path)
    (point,) = entries_of(text, tmp_path, form(decimal=DecimalSign.point))
    (comma,) = entries_of(text, tmp_path, form(decimal=DecimalSign.comma))

    assert (error.code, error.column) == ("decimal-sign-unknown", "Cost")
    assert (point.cost, comma.cost) == (1_234_000_000, 1_234_000)


def test_file_without_a_price_names_what_is_missing(tmp_path: Path) -> None:
    (error,) = errors_of("Part no;Description\nA-1;Seal\n", tmp_path)

    assert "a price" in error.reason
    assert "'Part no'" in error.reason


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "empty"),
        (b"\n\n", "no rows"),
        (b"Part no;Cost\n", "no rows after its headings"),
        (b"PK\x03\x04 not a workbook", "not a complete workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(100), "old or protected workbook"),
    ],
)
def test_file_that_is_no_table_is_refused_with_the_reason(
    raw: bytes, told: str, tmp_path: Path
) -> None:
    read, (error,) = read_bytes(raw, tmp_path)

    assert (read.rows, error.code) == (0, "price-file-invalid")
    assert told in error.reason


def test_price_of_one_item_or_of_many_becomes_that_of_a_pack(tmp_path: Path) -> None:
    text = "Artikelnummer;Einzelpreis;Preiseinheit;VE\nA;1,50;1;10\nB;12,34;1000;5\n"

    each, many = entries_of(text, tmp_path)

    assert (each.cost, many.cost) == (15_000_000, 61_700)


def test_price_breaks_are_read_from_one_cell_and_from_columns(tmp_path: Path) -> None:
    one = entries_of('Part no;Cost;Price breaks\nA;4,50;"10:4,30;50:4,10"\n', tmp_path)
    text = (
        "Part no;Cost;Break qty 1;Break price 1;Break qty 2;Break price 2\nA;4,50;10;4,30;50;4,10\n"
    )

    assert one[0].breaks == entries_of(text, tmp_path)[0].breaks
    assert one[0].breaks == ((10, 4_300_000), (50, 4_100_000))


def test_price_breaks_that_rise_are_an_error(tmp_path: Path) -> None:
    (error,) = errors_of("Part no;Cost;Breaks\nA;4,50;10:4,60\n", tmp_path)

    assert (error.code, error.column, error.value) == ("breaks-invalid", "Breaks", "10:4,60")


def test_numbers_that_supersede_and_replace_are_read(tmp_path: Path) -> None:
    text = "Part no;Cost;Superseded by;Old number\nA;;B;\nB;4,50;;A-OLD\n"

    old, new = entries_of(text, tmp_path)

    assert (old.superseded_by, old.cost, new.replaces) == ("B", None, "A-OLD")


def test_columns_and_words_of_a_supplier_are_read_by_its_mapping(tmp_path: Path) -> None:
    text = "K1;K2;Cost;K4\nA-1;old;4,50;bald da\n"
    mapped = form(
        columns={
            PriceColumn.number: "K1",
            PriceColumn.description: "K2",
            PriceColumn.availability: "K4",
        },
        availability={"bald da": Availability.back_order},
    )

    (entry,) = entries_of(text, tmp_path, mapped)

    assert (entry.number, entry.description) == ("A-1", "old")
    assert entry.availability is Availability.back_order


def test_encoding_and_delimiter_of_a_supplier_are_used(tmp_path: Path) -> None:
    text = "Part no^Description^Cost\nA-1^Größe^4,50\n"

    (entry,) = entries_of(
        text.encode("mac-roman"), tmp_path, form(encoding="mac-roman", delimiter="^")
    )

    assert entry.description == "Größe"


def test_availability_that_is_not_known_names_the_setting(tmp_path: Path) -> None:
    (error,) = errors_of("Part no;Cost;Availability\nA;4,50;perhaps\n", tmp_path)

    assert (error.code, error.value) == ("availability-unknown", "perhaps")
    assert "price_file.availability" in error.reason


def test_cost_follows_from_the_list_price_if_the_supplier_has_a_rule(tmp_path: Path) -> None:
    rule = Terms(supplier=DOLLARS.supplier, currency="USD", default_cost_percent=Decimal(68))

    (entry,) = entries_of("Part no,List price\nA,9.99\n", tmp_path, rule)

    assert entry.cost == 6_790_000


def test_head_is_what_the_tests_take_it_for(tmp_path: Path) -> None:
    (entry,) = entries_of(f"{HEAD}\nA-1;Seal;9,00;4,50\n", tmp_path)

    assert (entry.list_price, entry.cost) == (9_000_000, 4_500_000)
