"""Suppliers' answers in UBL: what they say is read, and what attacks the reader is refused."""

import time
from contextlib import suppress
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.documents.ubl_answer import MOST_BYTES, AnswerUnreadable, read_answer

CAC = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"
CBC = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"
WHOLE = "urn:oasis:names:specification:ubl:schema:xsd:OrderResponse-2"
HEAD = "<b:ID>7</b:ID><a:OrderReference><b:ID>O3</b:ID></a:OrderReference>"


def document(content: str = HEAD, *, before: str = "", root: str = "OrderResponse") -> bytes:
    namespaces = f'xmlns="{WHOLE}" xmlns:a="{CAC}" xmlns:b="{CBC}"'
    return f"{before}<{root} {namespaces}>{content}</{root}>".encode()


def line(content: str) -> bytes:
    item = f"<a:OrderLine><a:LineItem><b:ID>1</b:ID>{content}</a:LineItem></a:OrderLine>"
    return document(HEAD + item)


def test_published_example_is_read(shared: Path) -> None:
    """OASIS UBL 2.1, its own example of an OrderResponse."""
    example = shared / "ubl" / "examples" / "UBL-OrderResponse-2.1-Example.xml"

    answer = read_answer(example.read_bytes())

    assert (answer.number, answer.order, answer.is_rejected) == ("7", "34", False)
    assert [(one.line, one.status) for one in answer.lines] == [
        ("1", "nostatus"),
        ("2", "disputed"),
    ]


def test_published_simple_example_is_read(shared: Path) -> None:
    """OASIS UBL 2.1, its own example of an OrderResponseSimple."""
    example = shared / "ubl" / "examples" / "UBL-OrderResponseSimple-2.1-Example.xml"

    answer = read_answer(example.read_bytes())

    assert "AcceptedIndicator>false" not in example.read_text(encoding="utf-8").replace(" ", "")
    assert answer.lines == ()
    assert answer.is_rejected is False


def test_line_says_quantity_day_and_price_for_one() -> None:
    (found,) = read_answer(
        line(
            "<b:LineStatusCode> Revised </b:LineStatusCode><b:Quantity>3</b:Quantity>"
            "<b:MaximumBackorderQuantity>1</b:MaximumBackorderQuantity>"
            "<a:Delivery><a:PromisedDeliveryPeriod><b:EndDate>2027-03-09Z</b:EndDate>"
            "</a:PromisedDeliveryPeriod></a:Delivery>"
            "<a:Delivery><b:LatestDeliveryDate>2027-03-11</b:LatestDeliveryDate></a:Delivery>"
            '<a:Price><b:PriceAmount currencyID="USD">25.00</b:PriceAmount>'
            "<b:BaseQuantity>10</b:BaseQuantity></a:Price>"
            "<a:Item><a:SellersItemIdentification><b:ID>AQ-1</b:ID></a:SellersItemIdentification>"
            "</a:Item>"
        )
    ).lines

    assert (found.status, found.quantity) == ("revised", Decimal(3))
    assert found.back_ordered == Decimal(1)
    assert found.promised == date(2027, 3, 11)
    assert (found.unit_cost, found.currency, found.sku) == (Decimal("2.5"), "USD", "AQ-1")


@pytest.mark.parametrize("code", ["RE", "re"])
def test_rejection_is_of_the_whole_order(code: str) -> None:
    found = document(
        HEAD.replace("<a:", f"<b:OrderResponseCode>{code}</b:OrderResponseCode><a:", 1)
    )

    assert read_answer(found).is_rejected


LAUGHS = "".join(f'<!ENTITY l{number} "{f"&l{number - 1};" * 10}">' for number in range(1, 12))


@pytest.mark.parametrize(
    "attack",
    [
        document(f"{HEAD}&l11;", before=f'<!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]>'),
        document(f"{HEAD}&e;", before='<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'),
        document(f"{HEAD}&e;", before='<!DOCTYPE x [<!ENTITY e SYSTEM "http://127.0.0.1:1/">]>'),
        document(before='<!DOCTYPE x SYSTEM "http://127.0.0.1:1/x.dtd">'),
        document(before='<!DOCTYPE x [<!ENTITY % p SYSTEM "http://127.0.0.1:1/"> %p;]>'),
        document(before="<!DOCTYPE x []>"),
        document(before=f'<!DOCTYPE x [<!ENTITY a "{"a" * 60_000}">]>'),
        document(HEAD + "<a:x>" * 10_000),
        document(HEAD + "<a:x/>" * 55_000),
        b"<" + b"a" * MOST_BYTES,
        document(HEAD + "&nothing;"),
        document(HEAD)[:-3],
        document("<b:ID>7</b:ID>"),
        document(HEAD * 2),
        document(HEAD, root="Order"),
        document(before="<!DOCTYPE x []>").decode().encode("utf-16"),
        b'<?xml version="1.0" encoding="no-such-thing"?>' + document(),
        b"",
        line("<b:Quantity>NaN</b:Quantity>"),
        line("<b:Quantity>1e400</b:Quantity>"),
        line(
            "<a:Price><b:PriceAmount>1</b:PriceAmount><b:BaseQuantity>0</b:BaseQuantity></a:Price>"
        ),
        line("<a:Delivery><b:LatestDeliveryDate>soon</b:LatestDeliveryDate></a:Delivery>"),
    ],
    ids=range(22),
)
def test_hostile_or_broken_document_is_refused_at_once(attack: bytes) -> None:
    begun = time.process_time()

    with pytest.raises(AnswerUnreadable):
        read_answer(attack)

    assert time.process_time() - begun < 1


@given(st.binary(max_size=400))
def test_no_bytes_are_more_than_refused(content: bytes) -> None:
    with pytest.raises(AnswerUnreadable):
        read_answer(content)


@given(st.data())
def test_no_changed_document_breaks_the_reader(data: st.DataObject) -> None:
    sound = line("<b:Quantity>3</b:Quantity><a:Delivery/><a:Price/>")
    at = data.draw(st.integers(0, len(sound) - 1))
    changed = sound[:at] + data.draw(st.binary(max_size=3)) + sound[at + 1 :]
    with suppress(AnswerUnreadable):
        assert read_answer(changed).order
