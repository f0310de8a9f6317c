"""The pick list: everything from the shelves, in the order of the bins."""

import pytest
from lxml import html
from msgspec import structs
from tests.documents.printed import (
    CONTACT,
    ENVELOPE,
    HOSTILE,
    SCRIBE,
    bare,
    even,
    quote_of,
    quoted,
    text,
)

from kitwright.documents.pick_list import pick_list, pick_list_html, pick_list_pdf
from kitwright.quote import FromStock, Quote


def bins(*named: str) -> list[object]:
    """Return the bins of a pick list as it sorts them."""
    quote = quote_of()
    stock = tuple(
        FromStock(item="X", name="x", quantity="1", unit="C62", measure="piece", bin=one)
        for one in named
    )
    shelved = structs.replace(quote, kit=structs.replace(quote.kit, from_stock=stock))
    rows = pick_list(shelved, ENVELOPE, SCRIBE, contact=CONTACT)["rows"]
    assert isinstance(rows, list)
    return [row["bin"] for row in rows]


def told(form: str, quote: Quote) -> str:
    if form == "pdf":
        return text(pick_list_pdf(quote, ENVELOPE, SCRIBE, contact=CONTACT))
    page = pick_list_html(quote, ENVELOPE, SCRIBE, contact=CONTACT)
    return even(html.fromstring(page).text_content())


def test_pick_list_goes_along_the_bins() -> None:
    assert bins("F10-2", "F2-10", "", "F2-9", "A1", "") == [
        "A1",
        "F2-9",
        "F2-10",
        "F10-2",
        "no bin",
        "no bin",
    ]


@pytest.mark.parametrize("form", ["pdf", "html"])
@pytest.mark.parametrize("name", quoted()[::7])
def test_pick_list_holds_all_that_is_taken(form: str, name: str) -> None:
    quote = quote_of(name)
    sheet = told(form, quote)

    for one in quote.kit.from_stock:
        assert bare(one.item) in bare(sheet)
        assert bare(one.bin or "") in bare(sheet)
        quantity = f"{SCRIBE.number(one.quantity)} {SCRIBE.unit(one.measure, one.quantity)}"
        assert quantity in sheet
    if not quote.kit.from_stock:
        assert "Nothing is taken from the shelves." in sheet


def test_pick_list_says_for_which_role() -> None:
    sheet = told("html", quote_of())

    assert "For: rocker cover gasket, cylinder 1; rocker cover gasket, cylinder 2" in sheet


def test_pick_list_html_lets_no_text_become_markup() -> None:
    quote = quote_of()
    stock = (
        FromStock(
            item=HOSTILE, name=HOSTILE, quantity="1", unit="C62", measure="piece", bin=HOSTILE
        ),
    )
    hostile = structs.replace(quote, kit=structs.replace(quote.kit, from_stock=stock))
    page = pick_list_html(hostile, ENVELOPE, SCRIBE, contact=CONTACT)

    assert not html.fromstring(page).xpath("//script | //b")
    assert "&lt;script&gt;" in page
