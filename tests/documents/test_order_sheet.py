"""A parts order on paper and as CSV: what is sent is what was answered."""

import csv
import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from tests.documents.printed import (
    ACCOUNT,
    DELIVER_TO,
    HOSTILE,
    SCRIBE,
    SELLER,
    bare,
    buyer,
    made,
    quote_of,
    quoted,
    text,
)

from kitwright.documents.order_csv import COLUMNS, defused, order_csv
from kitwright.documents.order_sheet import order_sheet_pdf
from kitwright.quote import Order

NUMBERS = ("packs", "pack_size", "unit_cost", "net")


def records(order: Order) -> list[dict[str, str]]:
    """Return the records of an order's CSV, read back."""
    document = order_csv(made(order), buyer(quote_of()), SCRIBE).decode("utf-8")
    return list(csv.DictReader(io.StringIO(document, newline=""), strict=True))


@pytest.mark.parametrize("name", quoted()[::3])
def test_order_sheet_pdf_holds_every_figure_of_the_order(name: str) -> None:
    quote = quote_of(name)
    for order in quote.orders:
        sheet = text(order_sheet_pdf(made(order), buyer(quote), SCRIBE))

        for line in order.lines:
            unit = SCRIBE.money(line.unit_cost, order.net.currency)
            packs = f"{line.packs} of {line.pack_size}" if line.pack_size > 1 else f"{line.packs}"
            assert f"{packs} {unit} {SCRIBE.money(line.net.amount, order.net.currency)}" in sheet
            assert bare(line.sku) in bare(sheet)
            assert bare(line.name) in bare(sheet)
        for amount in (order.goods, order.net, *(fee.amount for fee in order.fees)):
            assert SCRIBE.money(amount.amount, amount.currency) in sheet
        # of the day on which it was made, whatever the quote's own is
        assert (
            f"Order Our account {ACCOUNT} Our order no. O3 Our job Q12-2 Date March 9, 2027"
            in sheet
        )
        assert SCRIBE.day(quote.on) not in sheet.replace(SCRIBE.day(order.promised), "")
        assert "Ada Pellow" not in sheet


def test_order_sheet_pdf_is_headed_by_its_own_number_and_not_by_the_quote() -> None:
    quote = quote_of()

    told = text(order_sheet_pdf(made(quote.orders[0]), buyer(quote), SCRIBE))

    assert told.count("Purchase order O3") == 2
    assert "Accepted" not in told
    assert "revision" not in told
    assert "Supplier part no. Item Packs" in told


def test_order_sheet_pdf_says_where_it_goes_and_where_goods_go() -> None:
    quote = quote_of()

    told = text(order_sheet_pdf(made(quote.orders[0]), buyer(quote), SCRIBE))

    for line in (*SELLER.address, str(SELLER.email), *DELIVER_TO):
        assert line in told


def test_order_for_several_quotes_names_them_beside_each_line() -> None:
    quote = quote_of()
    many = tuple(f"Q{number}-1" for number in range(1, 31))
    order = made(quote.orders[0], *many)

    told = text(order_sheet_pdf(order, buyer(quote), SCRIBE))
    document = order_csv(order, buyer(quote), SCRIBE).decode()

    assert "Our order no. O3" in told
    # not all of them: the order would be nothing else
    assert told.count("Our jobs: Q1-1, Q2-1,") == len(quote.orders[0].lines)
    assert "Q30-1" not in told
    for record in csv.DictReader(io.StringIO(document, newline="")):
        assert record["revisions"].startswith("Q1-1, Q2-1,")
        assert record["order"] == "O3"


def test_order_csv_says_account_and_address_in_every_record() -> None:
    for place, record in enumerate(records(quote_of().orders[0]), start=1):
        assert (record["account"], record["line"]) == (ACCOUNT, str(place))
        assert record["deliver_to"] == ", ".join(DELIVER_TO)


def test_order_sheet_pdf_keeps_the_totals_with_the_last_line() -> None:
    quote = quote_of()
    order = quote.orders[0]
    for count in (1, 20, *range(23, 29)):
        lines = tuple(
            structs.replace(order.lines[0], name=f"Thing no. {number}.", covers=())
            for number in range(1, count + 1)
        )
        many = structs.replace(order, lines=lines)
        sheet = text(order_sheet_pdf(made(many), buyer(quote), SCRIBE))

        assert re.search(rf"Thing no\. {count}\.(?:(?!Page \d).)*Total before tax", sheet)


@pytest.mark.parametrize("name", quoted())
def test_order_csv_gives_back_the_order(name: str) -> None:
    for order in quote_of(name).orders:
        for line, record in zip(order.lines, records(order), strict=True):
            assert record["supplier"] == order.supplier
            assert (record["sku"], record["item"], record["name"], record["brand"]) == (
                line.sku,
                line.item,
                line.name,
                line.brand,
            )
            assert [record[each] for each in NUMBERS] == [
                str(line.packs),
                str(line.pack_size),
                line.unit_cost,
                line.net.amount,
            ]
            assert record["requested"] == line.promised.isoformat()
            assert record["ordered_on"] == "2027-03-09"
            assert (record["order"], record["revisions"]) == ("O3", "Q12-2")
            assert record["roles"]


def test_order_csv_is_rfc_4180() -> None:
    document = order_csv(made(quote_of().orders[0]), buyer(quote_of()), SCRIBE)

    assert document.startswith(",".join(COLUMNS).encode() + b"\r\n")
    assert document.endswith(b"\r\n")
    lines = len(quote_of().orders[0].lines) + 1
    assert document.count(b"\n") == document.count(b"\r\n") == lines


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@sum", "'@sum"),
        ("\t=1", "'\ufffd=1"),
        ("\r=1", "'\ufffd=1"),
        ("\r", "'\ufffd"),
        (" =1", "' =1"),
        ("\x00=1", "'\ufffd=1"),
        ("\u200b=1", "'=1"),
        ("\uff1d1", "'\uff1d1"),
        ("\u22121", "\u22121"),
        ("V68-G-103", "V68-G-103"),
        ("a=b", "a=b"),
        ("", ""),
    ],
)
def test_defused_marks_what_could_be_a_formula(text: str, cell: str) -> None:
    assert defused(text) == cell


@given(st.text())
def test_order_csv_holds_no_formula_and_loses_no_cell(told: str) -> None:
    order = quote_of().orders[0]
    line = structs.replace(order.lines[0], sku=told, name=told, brand=told, item=told)
    (record,) = records(structs.replace(order, supplier=told, lines=(line,)))

    assert list(record) == list(COLUMNS)
    for name in ("supplier", "sku", "item", "name", "brand"):
        assert record[name] == defused(told)
        assert not record[name].startswith(("=", "+", "-", "@", "\t", "\r"))
    assert all(re.fullmatch(r"-?\d+(\.\d+)?", record[each]) for each in NUMBERS)


def test_order_csv_keeps_a_hostile_name_in_one_cell() -> None:
    order = quote_of().orders[0]
    line = structs.replace(order.lines[0], name=f'",\r\n=cmd|x!A0,"{HOSTILE}')
    (record,) = records(structs.replace(order, lines=(line,)))

    assert record["name"].startswith('",\ufffd\ufffd=cmd')
    assert record["packs"] == str(line.packs)
